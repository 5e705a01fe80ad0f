"""One column that two drives share: logs go in, signals that are another drive's come out.

Columns are pasted beside the wrong clock when files are put together by hand. What a sensor said
on one drive it says on no other, reading for reading; which of the two logs is right nothing tells.
A whole drive in two logs is `roadlog.ingest.twice`'s subject.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.quantities.signals import POSITION

WINDOW = 120  # readings in a row
LEAST_CHANGES = 30  # within a window: what stands or creeps repeats itself
LEAST_VALUES = 5  # different ones within a window
ONE_IN = 8  # windows that are kept, chosen by their content
LEAST_SHARED = 20  # kept windows, about 160 readings
SHARE = 0.5  # of the shorter column's
_BASE = 0x9E3779B97F4A7C15  # odd, with bits all over
_DRIVE = ("speed_kmh", "gps_speed_kmh", *POSITION)  # alike throughout: one drive, or one trace

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


def copied_signals(frames: Sequence[pd.DataFrame], files: Sequence[str]) -> list[Copied]:
    """Signals that different drives share.

    Parameters
    ----------
    frames : sequence of DataFrame
        `Log.frame` of each log, as it was polled.
    files : sequence of str
        Their names.

    Returns
    -------
    list of Copied
        Without signals of logs whose speed is the same too: they hold one drive.
    """
    marks = [
        {c: _marks(f[c].to_numpy(np.float64)) for c in f.columns if c not in ("t_s", *POSITION)}
        for f in frames
    ]
    one_drive: set[tuple[int, int]] = set()
    for name in _DRIVE:
        one_drive |= _sharing([m.get(name, np.empty(0, np.uint64)) for m in marks])
    found = []
    for signal in dict.fromkeys(c for m in marks for c in m if c not in _DRIVE):
        pairs = _sharing([m.get(signal, np.empty(0, np.uint64)) for m in marks]) - one_drive
        if pairs:
            of = dict.fromkeys(i for pair in sorted(pairs) for i in pair)
            found.append(Copied(signal, tuple(files[i] for i in of)))
    return found


def _marks(v: NDArray[np.float64]) -> Marks:
    """Hashes of windows of readings that change enough, one in `ONE_IN` by their content."""
    v = v[np.isfinite(v)]
    n = len(v) - WINDOW + 1
    if n < 1:
        return np.empty(0, np.uint64)
    with np.errstate(over="ignore"):
        power = np.multiply.accumulate(np.full(len(v) + 1, _BASE, np.uint64))
        inverse = np.multiply.accumulate(np.full(n, pow(_BASE, -1, 1 << 64), np.uint64))
        bits = np.ascontiguousarray(v + 0.0).view(np.uint64)
        bits = (bits ^ (bits >> np.uint64(29))) * np.uint64(_BASE)
        sums = np.concatenate([np.zeros(1, np.uint64), np.cumsum(bits * power[:-1])])
        mark = (sums[WINDOW:] - sums[:-WINDOW]) * inverse
        mark ^= mark >> np.uint64(32)
    changes = np.concatenate([[0], np.cumsum(v[1:] != v[:-1])])
    lively = changes[WINDOW - 1 :] - changes[:n] >= LEAST_CHANGES
    kept = np.flatnonzero(lively & (mark % np.uint64(ONE_IN) == 0))
    several = [i for i in kept if len(np.unique(v[i : i + WINDOW])) >= LEAST_VALUES]
    return np.unique(mark[several])


def _sharing(marks: Sequence[Marks]) -> set[tuple[int, int]]:
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
