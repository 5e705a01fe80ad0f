"""The rows of a log in order of time: small disorder repaired and noted, the rest refused.

In come seconds as the file has them; out come the rows kept, in their order. A late row is sorted
in, the hour that the end of summer time repeats is undone, rows from before a logger's clock was
set are dropped; a clock that runs backwards is refused with its line. Part of the ingest stage.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.errors import InputError
from roadlog.ingest.datetext import Times
from roadlog.ingest.log import Floats, counted

_SECONDS_PER_DAY = 86400.0
_MAX_OUT_OF_ORDER = 0.05
_MAX_LATE_ROWS = 5
_MAX_LATE_S = 2.0
_UNSET_CLOCK_JUMP_S = 30 * _SECONDS_PER_DAY


@dataclass(frozen=True)
class Place:
    """Where a message points: the file, its preamble, and the line that a row stands in."""

    path: Path
    line: Callable[[int], int]
    preamble: tuple[str, ...] = ()


def in_order(
    seconds: Floats,
    rows: NDArray[np.int64] | None,
    times: Times,
    place: Place,
    notes: list[str],
) -> tuple[NDArray[np.int64] | None, Floats]:
    """The order that sorts the rows (None if they are), and the sorted seconds."""
    dropped: NDArray[np.int64] | None = None
    jumps = np.flatnonzero(np.diff(seconds) > _UNSET_CLOCK_JUMP_S)
    if len(jumps):
        first = int(jumps[-1]) + 1
        if first > max(5, _MAX_OUT_OF_ORDER * len(seconds)):
            raise InputError(
                f"{place.path}: line {_line(place, rows, first)}: the clock jumps ahead by "
                f"{(seconds[first] - seconds[first - 1]) / _SECONDS_PER_DAY:.0f} days: split the "
                "file there"
            )
        notes.append(f"{counted(first, 'row')} from before the logger's clock was set dropped")
        dropped = np.arange(first, len(seconds))
        seconds = seconds[first:]
        rows = dropped if rows is None else rows[dropped]
    seconds = _spring_hour(seconds, times, notes)
    if not (np.diff(seconds) < 0).any():
        return dropped, seconds
    seconds = _autumn_hour(seconds, times, notes)
    ahead = np.maximum.accumulate(seconds)
    late = seconds < ahead
    if late.any():
        _refuse_backwards(seconds, ahead, late, rows, place)
        notes.append(f"{counted(int(late.sum()), 'row')} out of order put in order of time")
    order = np.argsort(seconds, kind="stable")
    return (order if dropped is None else dropped[order]), seconds[order]


def _autumn_hour(seconds: Floats, times: Times, notes: list[str]) -> Floats:
    """Undo one step back of an hour on a naive wall clock: the end of summer time."""
    steps = np.diff(seconds)
    back = np.flatnonzero(steps < -1800)
    naive = times.kind == "wall" and times.origin is not None and times.origin.tz is None
    if not naive or len(back) != 1 or not -3601 < steps[back[0]] < -3600 + 600:
        return seconds
    notes.append("the clock steps back one hour (end of summer time): later rows moved on an hour")
    out = seconds.copy()
    out[back[0] + 1 :] += 3600.0
    return out


def _spring_hour(seconds: Floats, times: Times, notes: list[str]) -> Floats:
    """Take out the hour that a naive wall clock skips at the beginning of summer time.

    The step must leave from the last ten seconds before a full hour of the night, and be an hour
    and at most ten seconds more, in a log that otherwise has no gap near it.
    """
    naive = times.kind == "wall" and times.origin is not None and times.origin.tz is None
    steps = np.diff(seconds)
    ahead = np.flatnonzero((steps > 3600) & (steps <= 3610))
    if not naive or times.origin is None or len(ahead) != 1 or len(steps) < 3:
        return seconds
    at = int(ahead[0])
    before = times.origin + pd.Timedelta(float(seconds[at]), unit="s")
    into_hour = before.minute * 60 + before.second + before.microsecond / 1e6
    night = before.hour <= 3 and before.day_of_week == 6
    if not night or into_hour < 3590 or np.median(steps) > 10:
        return seconds
    notes.append("the clock skips an hour (start of summer time): later rows moved back by it")
    out = seconds.copy()
    out[at + 1 :] -= 3600.0
    return out


def _refuse_backwards(
    seconds: Floats,
    ahead: Floats,
    late: NDArray[np.bool_],
    rows: NDArray[np.int64] | None,
    place: Place,
) -> None:
    edges = np.diff(np.concatenate([[0], late.astype(np.int8), [0]]))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    lag = np.maximum.reduceat(ahead - seconds, begins)
    long = (ends - begins > _MAX_LATE_ROWS) & (lag > _MAX_LATE_S)
    at_end = (ends == len(seconds)) & (lag > 60)
    many = late.sum() > max(1, _MAX_OUT_OF_ORDER * len(seconds))
    if not (many or (long | at_end).any()):
        return
    row = int(begins[np.argmax(long | at_end)] if (long | at_end).any() else begins[0])
    back = float(ahead[row] - seconds[row])
    line = _line(place, rows, row)
    if len(begins) == 1 and (np.diff(seconds) < 0).sum() <= max(1, 0.05 * len(seconds)):
        raise InputError(
            f"{place.path}: line {line}: the clock jumps back by {back:.0f} s: split the file "
            "there, or name another time column in [columns]"
        )
    raise InputError(
        f"{place.path}: line {line}: the clock runs backwards ({int(late.sum())} of "
        f"{len(seconds)} rows): sort the file or name another time column in [columns]"
    )


def _line(place: Place, rows: NDArray[np.int64] | None, row: int) -> int:
    return place.line(int(row if rows is None else rows[row]))
