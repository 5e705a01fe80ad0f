"""One column that two drives share: logs go in, signals that are another drive's come out.

Columns are pasted beside the wrong clock when files are put together by hand. What a sensor said
on one drive it says on no other, reading for reading; which of the two logs is right nothing tells.
A whole drive in two logs is `roadlog.ingest.twice`'s subject.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.quantities.arrays import Floats, blocks
from roadlog.quantities.signals import POSITION

WINDOW = 20  # changes in a row, each a value and how many readings it stood
LEAST_TURNS = 5  # within a window: an engine that warms up does so alike every morning
LEAST_SHARED = 30  # windows
SKETCH = 2 * LEAST_SHARED + 4
SHARE = 0.5  # of the shorter column's
_FEW = 20_000  # changes of a drive, whose powers are made once
_BASE = 0x9E3779B97F4A7C15  # odd, with bits all over
ONE_DRIVE = ("speed_kmh", "gps_speed_kmh", *POSITION)  # alike throughout: one drive, or one trace

Marks = NDArray[np.uint64]


@dataclass(frozen=True)
class Copied:
    """A signal that is the same, reading for reading, in the logs of these files."""

    signal: str
    files: tuple[str, ...]

    def __str__(self) -> str:
        first, second = self.files[:2]
        more = f" and {len(self.files) - 2} more" if len(self.files) > 2 else ""
        return (
            f"{self.signal} is the same, reading for reading, in {first}, {second}{more}, which "
            "are different drives: it was copied from one to the other; leave the column out "
            "(`ignore` in [columns]) or those logs"
        )


def copied_signals(
    frames: Sequence[pd.DataFrame],
    files: Sequence[str],
    every: Callable[
        [Callable[[pd.DataFrame], dict[str, Marks]], Sequence[pd.DataFrame]],
        Iterable[dict[str, Marks]],
    ] = map,
) -> list[Copied]:
    """Signals that different drives share.

    Parameters
    ----------
    frames : sequence of DataFrame
        `Log.frame` of each log, as it was polled.
    files : sequence of str
        Their names.
    every : callable
        What works through the frames, as `map` does.

    Returns
    -------
    list of Copied
        Without signals of logs whose speed is the same too: they hold one drive.
    """
    return shared_signals(list(every(_changes, frames)), files)


def shared_signals(marks: Sequence[Mapping[str, Marks]], files: Sequence[str]) -> list[Copied]:
    """Signals that different drives share, by the marks of their changes (`changes_of`).

    Parameters
    ----------
    marks : sequence of mapping of signal to marks
        Of each log; of all its changes, or of as many as `sketch_of` keeps.
    files : sequence of str
        Their names.
    """
    one_drive: set[tuple[int, int]] = set()
    for name in ONE_DRIVE:
        one_drive |= sharing([m.get(name, np.empty(0, np.uint64)) for m in marks])
    found = []
    for signal in dict.fromkeys(c for m in marks for c in m if c not in ONE_DRIVE):
        pairs = sharing([m.get(signal, np.empty(0, np.uint64)) for m in marks]) - one_drive
        if pairs:
            of = dict.fromkeys(i for pair in sorted(pairs) for i in pair)
            found.append(Copied(signal, tuple(files[i] for i in of)))
    return found


def _changes(frame: pd.DataFrame) -> dict[str, Marks]:
    return {
        str(c): changes_of(frame[c].to_numpy(np.float64))
        for c in frame.columns
        if c not in ("t_s", *POSITION)
    }


def sketch_of(marks: Marks) -> Marks:
    """So many of a column's marks that a copy has most of the same, whatever the column's length.

    The smallest ones: of two columns alike they are alike too (Broder A.Z. (1997), On the
    resemblance and containment of documents, Compression and Complexity of Sequences).
    """
    return marks[:SKETCH]  # `changes_of` has them in order


def changes_of(v: Floats) -> Marks:
    """A hash of each window of changes that isn't a mere rise or fall."""
    v = v[np.isfinite(v)]
    at, size = blocks(v)
    value, stood = v[at], size.astype(np.uint64)
    n = len(value) - WINDOW + 1
    if n < 1:
        return np.empty(0, np.uint64)
    with np.errstate(over="ignore"):
        few = len(value) <= _FEW
        power, inverse = _few_powers() if few else _powers(len(value))
        bits = np.ascontiguousarray(value + 0.0).view(np.uint64)
        bits = (bits ^ (bits >> np.uint64(29)) ^ (stood << np.uint64(7))) * np.uint64(_BASE)
        sums = np.concatenate([np.zeros(1, np.uint64), np.cumsum(bits * power[: len(value)])])
        mark = (sums[WINDOW:] - sums[:-WINDOW]) * inverse[:n]
    up = np.diff(value) > 0
    turns = np.concatenate([[0, 0], np.cumsum(up[1:] != up[:-1])])
    told = np.sort(mark[turns[WINDOW - 1 :] - turns[:n] >= LEAST_TURNS])
    return told[np.append(True, told[1:] != told[:-1])] if len(told) else told


@cache
def _few_powers() -> tuple[Marks, Marks]:
    return _powers(_FEW)


def _powers(n: int) -> tuple[Marks, Marks]:
    """The powers of the base and of its inverse, from the first on."""
    with np.errstate(over="ignore"):
        power = np.multiply.accumulate(np.full(n, _BASE, np.uint64))
        return power, np.multiply.accumulate(np.full(n, pow(_BASE, -1, 1 << 64), np.uint64))


def sharing(marks: Sequence[Marks]) -> set[tuple[int, int]]:
    """Pairs of columns that share most of the shorter one's windows, neighbours of a group."""
    owner = np.repeat(np.arange(len(marks)), [len(m) for m in marks])
    whole = np.concatenate([np.empty(0, np.uint64), *marks])
    order = np.lexsort((owner, whole))
    whole, owner = whole[order], owner[order]
    same = np.flatnonzero(whole[1:] == whole[:-1])
    pairs, count = np.unique(
        np.column_stack([owner[same], owner[same + 1]]), axis=0, return_counts=True
    )
    return {
        (int(a), int(b))
        for (a, b), shared in zip(pairs, count, strict=True)
        if shared >= max(LEAST_SHARED, SHARE * min(len(marks[a]), len(marks[b])))
    }
