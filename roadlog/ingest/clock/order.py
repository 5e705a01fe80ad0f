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
from roadlog.ingest import shelf
from roadlog.ingest.clock.datetext import Times
from roadlog.ingest.facts import Repair
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Fact

_SECONDS_PER_DAY = 86400.0
_MAX_OUT_OF_ORDER = 0.05
_MAX_LATE_ROWS = 5
_MAX_LATE_S = 2.0
_UNSET_CLOCK_JUMP_S = 30 * _SECONDS_PER_DAY
_MAX_UNSET_ROWS = 5
_FIRST_YEAR = 1996  # no car answers OBD-II before; clocks that were never set begin in 1970 or 1980
_DEFAULT_DAY = (2000, 1, 1)  # where many clocks begin; common practice, no source
_MOST_STRAYS = 5
_STRAY_S = 60.0
_LAST_HOUR_OF_CHANGE = 3
_DAYS_OF_CHANGE = (4, 5, 6)  # countries change in a night from Friday to Sunday, from memory
_SHORT_PAUSE_S = 10.0
_WRAPPED_HALF_DAY_S = 43200.0


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
    notes: list[Fact],
) -> tuple[NDArray[np.int64] | None, Floats]:
    """The order that sorts the rows (None if they are), and the sorted seconds."""
    least, most = shelf.span(shelf.steps_of(seconds))
    if len(seconds) < 2 or (least >= 0 and most <= _STRAY_S):
        return None, seconds
    dropped: NDArray[np.int64] | None = None
    strays = _strays(seconds)
    if strays.any():
        line = row_line(place, rows, int(np.flatnonzero(strays)[0]))
        notes.append(Repair.STRAY_TIME(n=int(strays.sum()), line=line))
        dropped = np.flatnonzero(~strays)
        seconds = seconds[dropped]
        rows = dropped if rows is None else rows[dropped]
    jumps = shelf.wider(seconds, _UNSET_CLOCK_JUMP_S)
    if len(jumps):
        first = int(jumps[-1]) + 1
        if first > max(_MAX_UNSET_ROWS, _MAX_OUT_OF_ORDER * len(seconds)):
            raise InputError(
                f"{place.path}: line {row_line(place, rows, first)}: the clock jumps ahead by "
                f"{(seconds[first] - seconds[first - 1]) / _SECONDS_PER_DAY:.0f} days: split the "
                f"file there (rows from before a clock was set are dropped only up to "
                f"{100 * _MAX_OUT_OF_ORDER:.0f} % of the log)"
            )
        notes.append(Repair.BEFORE_SET(n=first))
        kept = np.arange(first, len(seconds))
        dropped = kept if dropped is None else dropped[kept]
        seconds = seconds[first:]
        rows = kept if rows is None else rows[kept]
    seconds = _spring_hour(seconds, times, notes)
    if not (seconds[1:] < seconds[:-1]).any():
        return dropped, seconds
    seconds = _autumn_hour(seconds, times, notes)
    seconds = _over_noon(seconds, times, notes)
    ahead = np.maximum.accumulate(seconds)
    late = seconds < ahead
    if late.any():
        _refuse_backwards(seconds, ahead, late, rows, place)
        notes.append(Repair.OUT_OF_ORDER(n=int(late.sum())))
    order = np.argsort(seconds, kind="stable")
    return (order if dropped is None else dropped[order]), seconds[order]


def never_set(start: pd.Timestamp) -> bool:
    """Whether a log's first instant is where clocks begin that nobody set.

    >>> never_set(pd.Timestamp("1970-01-01 00:00:12")), never_set(pd.Timestamp("2000-01-02"))
    (True, False)
    """
    return start.year < _FIRST_YEAR or (start.year, start.month, start.day) == _DEFAULT_DAY


def _strays(seconds: Floats) -> NDArray[np.bool_]:
    """Up to five rows together whose time leaps by over a minute, from which it leaps back."""
    out = np.zeros(len(seconds), bool)
    steps = shelf.steps_of(seconds)
    for at in np.flatnonzero((steps > _STRAY_S) | (steps < -_STRAY_S))[:100]:
        before = seconds[at]
        for end in range(at + 2, min(at + 2 + _MOST_STRAYS, len(seconds))):
            back = seconds[end] - before
            if 0 <= back < _STRAY_S and abs(steps[end - 1]) > _STRAY_S and not out[at]:
                out[at + 1 : end] = True
                break
    begin = len(seconds) - 1 - np.flatnonzero(steps[::-1] > _UNSET_CLOCK_JUMP_S)[:1]
    if len(begin) and len(seconds) - begin[0] <= min(_MOST_STRAYS, 0.1 * len(seconds)):
        out[begin[0] :] = True
    return out if out.sum() <= max(1, _MAX_OUT_OF_ORDER * len(seconds)) else np.zeros_like(out)


def _over_noon(seconds: Floats, times: Times, notes: list[Fact]) -> Floats:
    """Add the half day that a clock of twelve hours without am or pm goes back at one o'clock."""
    steps = np.diff(seconds)
    back = np.flatnonzero(steps < -_WRAPPED_HALF_DAY_S + 3600)
    if times.kind not in ("wall", "day time") or len(back) != 1:
        return seconds
    at = int(back[0])
    clock = float(seconds[at]) % _SECONDS_PER_DAY
    if times.origin is not None:
        begin = times.origin.tz_localize(None)
        clock = (clock + (begin - begin.normalize()).total_seconds()) % _SECONDS_PER_DAY
    if not (clock >= 46740 and clock < 46800 and -43200 <= steps[at] < -43200 + 60):
        return seconds
    notes.append(Repair.OVER_NOON())
    out = seconds.copy()
    out[at + 1 :] += _WRAPPED_HALF_DAY_S
    return out


def _autumn_hour(seconds: Floats, times: Times, notes: list[Fact]) -> Floats:
    """Undo one step back of an hour on a naive wall clock: the end of summer time."""
    steps = np.diff(seconds)
    back = np.flatnonzero(steps < -1800)
    naive = times.kind == "wall" and times.origin is not None and times.origin.tz is None
    if not naive or times.origin is None or len(back) != 1:
        return seconds
    step = float(steps[back[0]])
    turned = times.origin + pd.Timedelta(float(seconds[back[0]]), unit="s")
    night = turned.hour <= _LAST_HOUR_OF_CHANGE and turned.day_of_week in _DAYS_OF_CHANGE
    slack = 600.0 if night else max(_SHORT_PAUSE_S, 3 * float(np.median(steps)))
    if not -3601 < step < -3600 + slack:
        return seconds
    notes.append((Repair.AUTUMN_HOUR if night else Repair.AUTUMN_OR_ZONE)())
    out = seconds.copy()
    out[back[0] + 1 :] += 3600.0
    return out


def _spring_hour(seconds: Floats, times: Times, notes: list[Fact]) -> Floats:
    """Take out the hour that a naive wall clock skips at the beginning of summer time.

    The step must leave from the last ten seconds before a full hour of the night, and be an hour
    and at most ten seconds more, in a log that otherwise has no gap near it.
    """
    naive = times.kind == "wall" and times.origin is not None and times.origin.tz is None
    if not naive or times.origin is None or len(seconds) < 4:
        return seconds
    steps = shelf.steps_of(seconds)
    ahead = np.flatnonzero((steps > 3600) & (steps <= 3610))
    if len(ahead) != 1:
        return seconds
    at = int(ahead[0])
    before = times.origin + pd.Timedelta(float(seconds[at]), unit="s")
    into_hour = before.minute * 60 + before.second + before.microsecond / 1e6
    night = before.hour <= 3 and before.day_of_week == 6
    if not night or into_hour < 3590 or np.median(steps) > 10:
        return seconds
    notes.append(Repair.SPRING_HOUR())
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
    line = row_line(place, rows, row)
    if len(begins) == 1 and (np.diff(seconds) < 0).sum() <= max(1, 0.05 * len(seconds)):
        raise InputError(
            f"{place.path}: line {line}: the clock jumps back by {back:.0f} s: split the file "
            "there, or name another time column in [columns]"
        )
    raise InputError(
        f"{place.path}: line {line}: the clock runs backwards ({int(late.sum())} of "
        f"{len(seconds)} rows): sort the file or name another time column in [columns]"
    )


def row_line(place: Place, rows: NDArray[np.int64] | None, row: int) -> int:
    """Line in the file of a row of the table, or of those rows that were kept."""
    return place.line(int(row if rows is None else rows[row]))
