"""Time base: rows of a log as they were polled go in, samples on an even, monotone grid come out.

Implements section 2 of the method. Signals are interpolated or held by their nature, never across
a gap longer than their limit; `dt_s` is the elapsed time that a sample stands for, so that every
integral runs over true time and leaves the gaps out. The clocks of OBD and GPS are laid over each
other by their two speeds.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest import shelf
from roadlog.ingest.clock.coarse import spread_rounded
from roadlog.ingest.interpolation import (
    CIRCULAR,
    FLOW_LIMIT_S,
    OFTEN,
    carry,
    evaluate,
    limit_s,
)
from roadlog.ingest.together import Readings, interpolate
from roadlog.ingest.twospeeds import MIN_OVERLAP_S, Lag, lag_of, surely_late_s
from roadlog.quantities.arrays import ranges
from roadlog.quantities.columns import Columns, Table, columns_of, frame_of, grouped, index_of
from roadlog.quantities.signals import POSITION, SIGNALS, Nature, signal
from roadlog.quantities.tables import SAMPLES

Array = np.ndarray
T = TypeVar("T", pd.DataFrame, Columns)

_STEP_TOLERANCE_S = 3.0  # engine run time is whole seconds and is polled late
_MOVING_KMH = 20.0
_LEAST_LATE_S = 1.0
TOGETHER_ROWS = 100_000  # of logs worked on together; in a longer one signal after signal is


@dataclass(frozen=True)
class SpeedScale:
    """How the speed by wheel and the speed by GPS of one run compare.

    Attributes
    ----------
    factor : float
        Median of GPS speed over wheel speed above 20 km/h [1]; true distance is wheel distance
        times this. NaN without GPS speed.
    lag_s : float
        How much later the GPS clock shows the same event [s]; 0 where not aligned.
    correlation : float
        Pearson correlation of the two speeds at that lag [1].
    aligned : bool
        Whether the two speeds pin the lag down; False on a flat correlation, a peak at the end of
        the search, or a lag that changes within the run (a clock step).
    n : int
        Samples with both speeds.
    note : str
        One plain sentence on why the clocks are not aligned, else "".
    """

    factor: float
    lag_s: float
    correlation: float
    aligned: bool
    n: int
    note: str = ""


@dataclass(frozen=True)
class ClockStep:
    """A jump of the log's own clock: at `t_s` it moved by `step_s` more than time passed [s]."""

    t_s: float
    step_s: float
    message: str


def resample(frame: pd.DataFrame, *, step_s: float = 1.0) -> pd.DataFrame:
    """Put the signals of one log on an even grid.

    Parameters
    ----------
    frame : DataFrame
        `t_s` [s], non-decreasing, and one float column a signal, NaN where a row has none.
    step_s : float
        Grid step [s]: 1 for 1 Hz, 0.5 for 2 Hz, 0.2 for 5 Hz.

    Returns
    -------
    DataFrame
        `roadlog.quantities.tables.SAMPLES`: `t_s`, `dt_s`, and the signals in the order of `frame`.
        Columns that are no signal are left out.

    Raises
    ------
    InputError
        If the step isn't positive, there is no row with a value, or time runs backwards.

    Notes
    -----
    * A signal's limit is 3 x its own median interval, at least 3 s and at most 10 s, for `flow`
      and `position`; 60 s for `slow` and `status`.
    * `flow` and `position` are interpolated linearly; a `flow` signal that is read more often
      than the grid is averaged over the sample's time instead, so its integral is kept. Beyond
      the outermost reading beside a gap a `flow` signal is held for one median interval, because
      polled signals take turns. `slow` is interpolated, and held at the ends up to its limit.
      `status` is held. `heading_deg` is interpolated round the circle.
    * The clock has a gap where two rows lie further apart than 3 x the median row interval (at
      least 3 s, at most 10 s): `dt_s` is 0 there and all signals NaN. A grid point just inside a
      gap whose sample still holds logged time takes the values at the gap's edge, so that no
      logged time is lost. The sum of `dt_s` is the time logged.
    * Rows with the same time are merged: the mean, for `status` and heading the last. Where a
      clock is rounded (to whole seconds, say) and rows share times, the rows of one step are
      first spread evenly within it, in their order.

    >>> raw = pd.DataFrame({"t_s": [0.0, 0.7, 2.1, 3.0], "speed_kmh": [10.0, 12.0, 15.0, 16.0]})
    >>> resample(raw)["t_s"].tolist()
    [0.0, 1.0, 2.0, 3.0]
    """
    return _framed(*_resampled(_gridded(shelf.told(frame), step_s)))


def _framed(names: Sequence[str], rows: Array) -> pd.DataFrame:
    return SAMPLES.check(pd.DataFrame(rows.T, columns=index_of(*names), copy=False))


@dataclass(frozen=True)
class _Gridded:
    """A log's readings and the grid that they are to be brought to.

    `raw` has a row (`names`) a signal at the `times` of the log, of which `rows` are the distinct
    ones; signals are evaluated `at` so many times for samples on a `grid` of `step_s` that stand
    for `dt` [s].
    """

    names: Sequence[str]
    times: Array
    raw: Iterable[Array]
    rows: Array
    grid: Array
    at: Array
    dt: Array
    step_s: float

    @property
    def distinct(self) -> bool:
        """Whether no two rows have the same time."""
        return len(self.rows) == len(self.times)

    @cached_property
    def _close(self) -> int:
        steps, limit = shelf.steps_of(self.rows), OFTEN * self.step_s
        return sum(int(np.count_nonzero(steps[p] < limit)) for p in shelf.parts(len(steps)))

    @cached_property
    def _edges(self) -> Array:
        between = np.append(self.grid - self.step_s / 2, self.grid[-1] + self.step_s / 2)
        edges: Array = np.clip(between, self.rows[0], self.rows[-1])
        return edges

    def is_often(self, readings: int) -> bool:
        """Whether so many readings may lie closer than the grid; else their median doesn't."""
        return 2 * self._close >= readings - 1

    def carried(self, name: str, t: Array, v: Array) -> Array:
        """One signal by its readings."""
        averaged = SIGNALS[name].nature == "flow" and self.is_often(len(t))
        return carry(name, t, v, self.at, self._edges if averaged else None, self.step_s)


def _gridded(told: Columns, step_s: float) -> _Gridded:
    if not step_s > 0:
        raise InputError(f"sampling step {step_s} s is not positive: give 1, 0.5 or 0.2")
    names, times, raw = _logged(told)
    earlier = times[1:] < times[:-1]
    if earlier.any():
        backwards = np.flatnonzero(earlier)
        raise InputError(
            f"time runs backwards after {times[backwards[0]]:.1f} s: split the log there"
        )
    times = spread_rounded(times)
    new = times[1:] != times[:-1]
    rows = times if new.all() else shelf.where(np.append(True, new), times)
    if len(rows) >= shelf.LARGE_ROWS:
        shelf.rest()
    return _Gridded(names, times, raw, rows, *_grid(rows, step_s), step_s)


def _resampled(log: _Gridded) -> tuple[list[str], Array]:
    """Names of the samples' columns, and the columns."""
    room = shelf.empty if len(log.grid) >= shelf.LARGE_ROWS else np.empty
    out = room((2 + len(log.names)) * len(log.grid)).reshape(-1, len(log.grid))
    out[0], out[1] = log.grid, log.dt
    if isinstance(log.raw, np.ndarray) and len(log.rows) <= TOGETHER_ROWS:
        _together(log, log.raw, out[2:])
    else:
        for k, (name, values) in enumerate(zip(log.names, log.raw, strict=True)):
            t, v = _readings(log.times, values, distinct=log.distinct, last=_keeps_last(name))
            out[2 + k] = log.carried(name, t, v)
            if len(t) >= shelf.LARGE_ROWS:
                shelf.rest()
    if CIRCULAR in log.names:
        out[2 + log.names.index(CIRCULAR)] %= 360.0
    if len(log.rows) > 1 and not log.dt.all():
        out[2:, log.dt == 0] = np.nan
    return ["t_s", "dt_s", *log.names], out


def _together(log: _Gridded, raw: Array, out: Array) -> None:
    """Bring all signals of a log to the grid, into the rows of `out`."""
    if log.distinct:
        read = Readings.of_rows(log.times, raw)
    else:
        of_each = zip(log.names, raw, strict=True)
        read = Readings.of_each(
            [_readings(log.times, v, distinct=False, last=_keeps_last(n)) for n, v in of_each]
        )
    natures: list[Nature | None] = []
    for k, (name, size) in enumerate(zip(log.names, read.size.tolist(), strict=True)):
        nature = SIGNALS[name].nature
        if not size or nature == "status" or (nature == "flow" and log.is_often(size)):
            natures.append(None)
            out[k] = log.carried(name, *read.of(k))
            continue
        natures.append(nature)
        if name == CIRCULAR:
            read.v[read.start[k] : read.end[k]] = np.unwrap(read.of(k)[1], period=360.0)
    interpolate(read, natures, log.at, out)


def _logged(told: Columns) -> tuple[list[str], Array, Iterable[Array]]:
    """Signals of a log, and times and values of the rows in which any has one.

    Raises
    ------
    InputError
        If there is no such row.
    """
    large = len(told) >= shelf.LARGE_ROWS
    names = [c for c in told.columns if c in SIGNALS]
    times = told.floats("t_s")
    if large or not names:
        logged = np.zeros(len(told), bool)
        for name in names:
            logged |= shelf.finite(told.floats(name))
    else:
        raw = told.matrix(names)
        logged = np.asarray(np.isfinite(raw).any(axis=0))
    if not logged.any():
        raise InputError("the log holds no row with a value of a known signal: check its columns")
    if large:
        columns = (shelf.where(logged, told.floats(n)) for n in names)
        return names, shelf.where(logged, times), columns
    if not logged.all():
        times, raw = times[logged], raw[:, logged]
    return names, times, raw


def integrate(samples: Table, column: str, *, also: Sequence[str] = ()) -> float:
    """Integrate one column over the time that its samples stand for.

    Parameters
    ----------
    samples : DataFrame
        At least `dt_s` [s] and `column`.
    column : str
        A column in some unit U.
    also : sequence of str
        Columns that must be there too: a sample that lacks one of them is left out, so that fuel
        and distance of a ratio come from the same time.

    Returns
    -------
    float [U s]
        The sum of value x `dt_s`; on an even grid this is the trapezoid rule, stopped at gaps.

    >>> samples = pd.DataFrame({"dt_s": [0.5, 1, 0.5], "maf_g_s": [2.0, 4.0, 6.0]})
    >>> integrate(samples, "maf_g_s")
    8.0
    """
    value = np.asarray(samples[column], np.float64)
    there = np.isfinite(value)
    for name in also:
        there &= np.isfinite(np.asarray(samples[name], np.float64))
    return float(value[there] @ np.asarray(samples["dt_s"], np.float64)[there])


def distance_km(samples: Table, *, column: str = "speed_kmh", also: Sequence[str] = ()) -> float:
    """Distance driven while speed was logged [km], gaps left out; arguments as `integrate`.

    >>> samples = pd.DataFrame({"dt_s": [1800.0, 1800.0], "speed_kmh": [50.0, 70.0]})
    >>> distance_km(samples)
    60.0
    """
    return integrate(samples, column, also=also) / 3600


def speed_scale(samples: pd.DataFrame) -> SpeedScale:
    """Compare wheel speed with GPS speed: clock lag by cross-correlation, and their ratio.

    Parameters
    ----------
    samples : DataFrame
        Samples with `speed_kmh` and `gps_speed_kmh` [km/h].

    Returns
    -------
    SpeedScale
        Lags up to 30 s either way are tried. The clocks count as aligned if the correlation
        reaches 0.7 at its peak, stands out from the median over all lags by 0.02 or more (a flat
        correlation says nothing), and the run's two halves agree within 2 s.
    """
    if not {"speed_kmh", "gps_speed_kmh"} <= set(samples.columns.tolist()):
        return SpeedScale(np.nan, 0.0, np.nan, False, 0, "the run has not both speeds")
    told = columns_of(samples)
    found = _lag_of(told)
    if np.isnan(found.correlation) and found.n * _step(told) < MIN_OVERLAP_S:
        return SpeedScale(np.nan, 0.0, np.nan, False, found.n, found.note)
    t, wheel, gps = told.floats("t_s"), told.floats("speed_kmh"), told.floats("gps_speed_kmh")
    there = np.isfinite(gps)
    shifted = evaluate((t - found.lag_s)[there], gps[there], t, FLOW_LIMIT_S[0], 0.0)
    fast = np.isfinite(shifted) & (wheel > _MOVING_KMH) & (shifted > _MOVING_KMH)
    enough = fast.sum() * _step(told) >= 30
    factor = float(np.median(shifted[fast] / wheel[fast])) if enough else np.nan
    return SpeedScale(factor, found.lag_s, found.correlation, not found.note, found.n, found.note)


def _lag_of(told: Columns) -> Lag:
    return lag_of(told.floats("speed_kmh"), told.floats("gps_speed_kmh"), _step(told))


def _step(told: Columns) -> float:
    t = told.floats("t_s")
    return float(t[1] - t[0]) if len(t) > 1 else 1.0


def on_one_clock(log: pd.DataFrame) -> tuple[pd.DataFrame, float | None]:
    """`columns_on_one_clock` as a frame."""
    samples, lag_s = columns_on_one_clock(log)
    return SAMPLES.check(frame_of(samples)), lag_s


def columns_on_one_clock(log: pd.DataFrame) -> tuple[Columns, float | None]:
    """Samples of a log, positions brought onto the wheel-speed clock where they correlate.

    Returns
    -------
    Columns
        `roadlog.quantities.tables.SAMPLES`.
    float or None
        By how much positions came late [s], where that was put right.
    """
    return each_on_one_clock([log])[0]


def each_on_one_clock(logs: Sequence[pd.DataFrame]) -> list[tuple[Columns, float | None]]:
    """`columns_on_one_clock` of each log; step by step for some together, which is quicker."""
    return [one for group in grouped(logs, TOGETHER_ROWS) for one in _on_one_clock(group)]


def _on_one_clock(logs: Sequence[pd.DataFrame]) -> list[tuple[Columns, float | None]]:
    gridded = [_gridded(shelf.told(log), 1.0) for log in logs]
    resampled = [_resampled(log) for log in gridded]
    samples = [Columns(dict(zip(n, b, strict=True)), b.shape[1], block=b) for n, b in resampled]
    late = [_positions_late_s(s) for s in samples]
    return [
        (s if lag_s is None else shift_positions(s, lag_s), lag_s)
        for s, lag_s in zip(samples, late, strict=True)
    ]


def _positions_late_s(samples: Columns) -> float | None:
    """By how much positions come late, where that is `_LEAST_LATE_S` or more and sure [s]."""
    if not all(name in samples for name in ("lat_deg", "gps_speed_kmh", "speed_kmh")):
        return None
    speeds = samples.floats("speed_kmh"), samples.floats("gps_speed_kmh")
    return surely_late_s(*speeds, _step(samples), _LEAST_LATE_S)


def shift_positions(samples: T, lag_s: float) -> T:
    """Move the GPS columns `lag_s` earlier, onto the clock of the other signals.

    Parameters
    ----------
    samples : DataFrame
        Samples, or a log's frame.
    lag_s : float
        How much later the GPS clock shows the same event [s] (`SpeedScale.lag_s`).

    Returns
    -------
    DataFrame
        New ones; positions that would come from outside the log or a gap are NaN.
    """
    names = [c for c in POSITION if c in samples.columns]
    if lag_s == 0 or not names:
        return samples
    t = signal(samples, "t_s")
    moved = {}
    for name in names:
        values = signal(samples, name)
        at, v = _readings(t - lag_s, values, distinct=False, last=_keeps_last(name))
        moved[name] = carry(name, at, v, t, None, np.inf)
    return samples.assign(**moved)


def clock_steps(frame: pd.DataFrame) -> tuple[ClockStep, ...]:
    """Find jumps of the log's clock, from the rows as they were logged.

    Parameters
    ----------
    frame : DataFrame
        `t_s` [s] in file order; `engine_runtime_s` [s] if logged.

    Returns
    -------
    tuple of ClockStep
        Every place where time runs backwards, and every place where the clock moved 3 s more or
        less than the engine's own run time did (both between two readings of that signal). A
        stretch in which the engine was off resets its run time and is not a step.
    """
    t = frame["t_s"].to_numpy(np.float64)
    found = []
    for i in np.flatnonzero(np.diff(t) < 0):
        step = float(t[i + 1] - t[i])
        found.append(
            ClockStep(float(t[i]), step, f"the clock goes back by {-step:.0f} s at {t[i]:.0f} s")
        )
    if "engine_runtime_s" in frame.columns:
        run = frame["engine_runtime_s"].to_numpy(np.float64)
        there = np.isfinite(run)
        at, run = t[there], run[there]
        excess = np.diff(at) - np.diff(run)
        odd = (np.abs(excess) >= _STEP_TOLERANCE_S) & (np.diff(run) >= 0) & (np.diff(at) >= 0)
        for i in np.flatnonzero(odd):
            found.append(
                ClockStep(
                    float(at[i]),
                    float(excess[i]),
                    f"the clock moves {excess[i]:+.0f} s against the engine's run time after "
                    f"{at[i]:.0f} s",
                )
            )
    return tuple(sorted(found, key=lambda s: s.t_s))


def _keeps_last(name: str) -> bool:
    return SIGNALS[name].nature == "status"


def _grid(rows: Array, step_s: float) -> tuple[Array, Array, Array]:
    """Grid times, the times at which signals are evaluated for them, and the time they stand for.

    `rows` are the distinct times at which something was logged.
    """
    n = int(np.ceil((rows[-1] - rows[0]) / step_s - 0.5 - 1e-9)) + 1
    grid = rows[0] + step_s * np.arange(n)
    if len(rows) == 1:
        return grid, grid, np.zeros(n)
    interval, gap = shelf.steps_of(rows), None
    if shelf.span(interval)[1] > FLOW_LIMIT_S[0]:
        gap, limit = np.empty(len(interval), bool), limit_s("flow", shelf.median_step(rows))
        for part in shelf.parts(len(gap)):
            gap[part] = interval[part] > limit
            interval[part][gap[part]] = 0.0
    edges = np.empty(n + 1)
    np.subtract(grid, step_s / 2, out=edges[:-1])
    edges[-1] = grid[-1] + step_s / 2
    reached = shelf.interp(edges, rows, shelf.summed(interval))
    dt = reached[1:] - reached[:-1]
    dt[dt < 1e-9] = 0.0
    at = np.minimum(grid, rows[-1])
    if gap is not None and gap.any():
        before = gap.nonzero()[0]
        left, right = rows[before], rows[before + 1]
        first = at.searchsorted(left)
        size = at.searchsorted(right) - first
        inside, left, right = ranges(first, size), np.repeat(left, size), np.repeat(right, size)
        at[inside] = np.where(at[inside] - left <= right - at[inside], left, right)
    return grid, at, dt


def _readings(times: Array, values: Array, *, distinct: bool, last: bool) -> tuple[Array, Array]:
    """The finite readings of one signal at distinct times; doubles averaged, or the last kept."""
    there = shelf.finite(values)
    if there.all():
        t, v = times, values
    else:
        t, v = shelf.where(there, times), shelf.where(there, values)
    if distinct or len(t) < 2 or (t[1:] > t[:-1]).all():
        return t, v
    each, start, counts = np.unique(t, return_index=True, return_counts=True)
    if last:
        return each, v[start + counts - 1]
    return each, np.add.reduceat(v, start) / counts
