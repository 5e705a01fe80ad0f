"""Clocks that are too coarse, or that stand still.

In come times as the file has them; out come the rows that a clock which stood still leaves, and
times with the rows of one step of a rounded clock spread evenly within it. A clock that tells too
little is refused with its line. Part of the ingest stage.
"""

import numpy as np
from numpy.typing import NDArray

from roadlog.errors import InputError
from roadlog.ingest.clock.order import Place, row_line
from roadlog.ingest.facts import Repair
from roadlog.quantities.arrays import Bools, Floats
from roadlog.quantities.facts import Fact

_SHARED_ROWS = 0.2  # share of rows on an already used time that makes a clock "rounded"
_WHOLE_CLOCK_STEPS_S = (60.0, 1.0)
_COARSEST_STEP_S = 60.0
_STEP_ROUNDING_S = 2e-3  # what milliseconds leave of a step that isn't whole, twice
_LEAST_ROWS_A_STEP = 4  # of steps longer than a second: fewer are readings taken together
_LONGEST_ROW_S = 2.5  # a logger whose rows lie further apart than that is sparse, not rounded
_STANDING_ROWS = 20  # a phone that is busy stamps a few late rows alike; common practice, no source
_STANDING_TIMES_TYPICAL = 8
_MOST_STANDING = 0.2


def spread_rounded(t_s: Floats) -> Floats:
    """Spread the rows of a clock that is rounded to whole seconds, minutes or another step.

    Parameters
    ----------
    t_s : array, shape (n,) [s]
        Non-decreasing times.

    Returns
    -------
    array, shape (n,) [s]
        The times unchanged unless all are whole multiples of one step (`rounding_step_s`). Then
        the k-th of n rows of one step is put k/n of a step later; a first step that began before
        the log did is filled from its end, and an unfinished last one from its start.

    >>> spread_rounded(np.array([0.0, 1, 1, 1, 1, 2, 2, 2, 2, 3]))
    array([0.75, 1.  , 1.25, 1.5 , 1.75, 2.  , 2.25, 2.5 , 2.75, 3.  ])
    """
    step = rounding_step_s(t_s)
    if step is None:
        return t_s
    _, first, counts = _steps(t_s)
    typical = int(np.median(counts[1:-1])) if len(counts) > 2 else 1
    slots = counts.copy()
    slots[[0, -1]] = np.maximum(slots[[0, -1]], typical)
    rank = np.arange(len(t_s)) - np.repeat(first, counts)
    rank[: counts[0]] += slots[0] - counts[0]
    spread: Floats = t_s + step * rank / np.repeat(slots, counts)
    return spread


def rounding_step_s(t_s: Floats) -> float | None:
    """The step [s] that a clock is rounded to, None if rows don't share times or steps vary.

    A minute and a second are taken as they are; another step only where several rows share each
    of its times, close enough together for a logger that is read all the time.
    """
    if len(t_s) < 3:
        return None
    if 1 - (1 + np.count_nonzero(t_s[1:] != t_s[:-1])) / len(t_s) < _SHARED_ROWS:
        return None
    steps, _, counts = _steps(t_s)
    if len(steps) < 2:
        return None
    since = steps - steps[0]
    for step in _WHOLE_CLOCK_STEPS_S:
        if np.array_equal(since / step, np.round(since / step)):
            return step
    step = float(np.min(np.diff(steps)))
    typical = float(np.median(counts[1:-1])) if len(counts) > 2 else float(counts.max())
    if step < 1 or typical < _LEAST_ROWS_A_STEP or step / typical > _LONGEST_ROW_S:
        return None
    step = float(since[-1] / round(since[-1] / step))
    even = np.abs(since - step * np.round(since / step)).max() <= _STEP_ROUNDING_S
    return step if even else None


def without_standing(
    seconds: Floats, rows: NDArray[np.int64] | None, place: Place, notes: list[Fact]
) -> tuple[NDArray[np.int64] | None, Floats]:
    """The rows kept (None for all), and their seconds, where a clock stood still for a while.

    Parameters
    ----------
    seconds : array, shape (n,) [s]
        Non-decreasing times.
    rows : array or None
        Which rows of the file they belong to, None for all in their order.

    Raises
    ------
    InputError
        If all rows have one time, if a fifth of them do so while the clock stood, or if the clock
        only moves in steps of more than a minute.
    """
    if (seconds[1:] > seconds[:-1]).all():
        return rows, seconds
    steps, first, counts = _steps(seconds)
    if len(seconds) > 1 and len(steps) == 1:
        raise InputError(
            f"{place.path}: line {row_line(place, rows, 0)}: all {len(seconds)} rows have one and "
            "the same time: log or export the time with its seconds, or name another time column "
            "in study.toml under [columns]"
        )
    _refuse_coarse(steps, counts, place, rows)
    typical = float(np.median(counts))
    standing = counts > max(_STANDING_ROWS, _STANDING_TIMES_TYPICAL * typical)
    if not standing.any():
        step = rounding_step_s(seconds)
        if step is not None:
            notes.append(Repair.COARSE_CLOCK(step=step, rows=_rows_a_step(counts)))
        return rows, seconds
    drop = np.zeros(len(seconds), bool)
    for at, n in zip(first[standing], counts[standing], strict=True):
        drop[at + 1 : at + n] = True
    at = int(first[standing][0])
    line = row_line(place, rows, at)
    if drop.sum() > _MOST_STANDING * len(seconds):
        raise InputError(
            f"{place.path}: line {line}: the clock stands still from here for "
            f"{int(counts[standing][0])} rows ({int(drop.sum())} of {len(seconds)} rows in all "
            "tell no time): log with a clock that runs, or name another time column in study.toml "
            "under [columns]"
        )
    notes.append(Repair.STANDING_CLOCK(line=line, n=int(drop.sum())))
    return _kept(rows, ~drop), seconds[~drop]


def _steps(t_s: Floats) -> tuple[Floats, NDArray[np.int64], NDArray[np.int64]]:
    """Each time of non-decreasing ones once, its first row, and how many rows have it."""
    first = np.flatnonzero(np.append(True, t_s[1:] != t_s[:-1]))
    return t_s[first], first, np.diff(np.append(first, len(t_s)))


def _refuse_coarse(
    steps: Floats, counts: NDArray[np.int64], place: Place, rows: NDArray[np.int64] | None
) -> None:
    """Refuse a clock whose rows share times that lie more than a minute apart."""
    if len(steps) < 2 or counts.sum() < 2 * len(steps):
        return
    step = float(np.median(np.diff(steps)))
    typical = float(np.median(counts[1:-1])) if len(counts) > 2 else float(counts.max())
    if step <= _COARSEST_STEP_S or typical <= _STANDING_ROWS:
        return
    raise InputError(
        f"{place.path}: line {row_line(place, rows, 0)}: the clock only moves in steps of "
        f"{step:.0f} s, with {typical:.0f} rows at each: export the time again with all its digits"
    )


def _rows_a_step(counts: NDArray[np.int64]) -> str:
    inside = counts[1:-1] if len(counts) > 2 else counts
    low, high = int(inside.min()), int(inside.max())
    return f"{low}" if low == high else f"{low} to {high}"


def _kept(rows: NDArray[np.int64] | None, keep: Bools) -> NDArray[np.int64]:
    return np.flatnonzero(keep) if rows is None else rows[keep]
