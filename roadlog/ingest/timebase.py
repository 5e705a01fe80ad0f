"""Time base: rows of a log as they were polled go in, samples on an even, monotone grid come out.

Implements section 2 of the method. Signals are interpolated or held by their nature, never across
a gap longer than their limit; `dt_s` is the elapsed time that a sample stands for, so that every
integral runs over true time and leaves the gaps out. The clocks of OBD and GPS are laid over each
other by their two speeds.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest import shelf
from roadlog.ingest.clock.coarse import spread_rounded
from roadlog.ingest.twospeeds import MIN_OVERLAP_S, Lag, lag_of
from roadlog.quantities.arrays import median_step, middle
from roadlog.quantities.columns import Columns, Table, columns_of, index_of
from roadlog.quantities.signals import POSITION, SIGNALS, Nature
from roadlog.quantities.tables import SAMPLES

Array = np.ndarray

GAP_INTERVALS = 3.0
FLOW_LIMIT_S = (3.0, 10.0)
SLOW_LIMIT_S = 60.0

_CIRCULAR = "heading_deg"
_STEP_TOLERANCE_S = 3.0  # engine run time is whole seconds and is polled late
_MOVING_KMH = 20.0
_OFTEN = 0.9  # read at less than this share of the grid's step, a flow is averaged over it
TOGETHER_ROWS = 100_000  # of a longer log one signal at a time is worked on


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
    return _framed(*_resampled(_told(frame), step_s))


def _told(frame: pd.DataFrame) -> Columns:
    """The columns of a log; of a long one each when it is asked for, to spare memory."""
    if len(frame) < shelf.LARGE_ROWS:
        return columns_of(frame)
    return Columns(dict.fromkeys(map(str, frame.columns)), len(frame), frame)


def _framed(names: Sequence[str], rows: Array) -> pd.DataFrame:
    return SAMPLES.check(pd.DataFrame(rows.T, columns=index_of(*names), copy=False))


def _resampled(told: Columns, step_s: float) -> tuple[list[str], Array]:
    """Names of the samples' columns, and the columns."""
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
    new = np.append(True, times[1:] != times[:-1])
    rows, distinct = shelf.where(new, times), bool(new.all())
    grid, at, dt = _grid(rows, step_s)
    edges = np.clip(np.append(grid - step_s / 2, grid[-1] + step_s / 2), rows[0], rows[-1])
    out = np.empty((2 + len(names), len(grid)))
    out[0], out[1] = grid, dt
    close = np.count_nonzero(rows[1:] - rows[:-1] < _OFTEN * step_s)
    joined: list[_Channel] = []
    for name, values, into in zip(names, raw, out[2:], strict=True):
        t, v = _readings(times, values, distinct=distinct, last=_keeps_last(name))
        often = 2 * close >= len(t) - 1  # else the median interval is no less than that
        nature = SIGNALS[name].nature
        averaged = nature == "flow" and often
        if len(t) and len(rows) <= TOGETHER_ROWS and nature != "status" and not averaged:
            v = np.unwrap(v, period=360.0) if name == _CIRCULAR else v
            joined.append(_Channel(into, nature, t, v))
            continue
        into[:] = _carry(name, t, v, at, edges if often else None, step_s)
        if len(t) >= shelf.LARGE_ROWS:
            shelf.rest()
    _interpolate(joined, at)
    if _CIRCULAR in names:
        out[2 + names.index(_CIRCULAR)] %= 360.0
    if len(rows) > 1 and not dt.all():
        out[2:, dt == 0] = np.nan
    return ["t_s", "dt_s", *names], out


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
    if large:
        logged = np.zeros(len(told), bool)
        for name in names:
            logged |= shelf.finite(told.floats(name))
    else:
        raw = np.array([told.floats(n) for n in names]).reshape(len(names), len(told))
        logged = np.isfinite(raw).any(axis=0)
    if not logged.any():
        raise InputError("the log holds no row with a value of a known signal: check its columns")
    if large:
        columns = (shelf.where(logged, told.floats(n)) for n in names)
        return names, shelf.where(logged, times), columns
    if not logged.all():
        times, raw = times[logged], raw[:, logged]
    return names, times, raw


@dataclass(frozen=True)
class _Channel:
    """A signal that is interpolated into one row of the samples: its readings, one at least."""

    into: Array
    nature: Nature
    t: Array
    v: Array


def _interpolate(channels: Sequence[_Channel], at: Array) -> None:
    """Interpolate each into its place; across gaps and beyond the ends as its nature has it.

    What lies in a gap or beyond the ends of any signal is looked at together.
    """
    if not channels:
        return
    for c in channels:
        c.into[:] = np.interp(at, c.t, c.v)
    t, v = (np.concatenate([getattr(c, name) for c in channels]) for name in ("t", "v"))
    size = np.array([len(c.t) for c in channels])
    end = np.cumsum(size)
    start, slow = end - size, np.array([c.nature == "slow" for c in channels])
    gap = np.diff(t, append=0.0)
    gap[end - 1] = 0.0
    least = np.where(slow, SLOW_LIMIT_S, FLOW_LIMIT_S[0]) * (1 - 1e-9)
    wide = np.flatnonzero(gap > np.repeat(least, size))
    each, none = np.arange(len(channels)), np.full(len(channels), -1)
    # stretches of `at`: whose, from, to, and the readings on either side
    of = np.concatenate([each, each, np.searchsorted(end, wide, side="right")])
    low = np.concatenate(
        [0 * each, at.searchsorted(t[end - 1], side="right"), at.searchsorted(t[wide], "right")]
    )
    high = np.concatenate(
        [at.searchsorted(t[start]), 0 * each + len(at), at.searchsorted(t[wide + 1])]
    )
    left, right = (
        np.concatenate([none, end - 1, wide]), np.concatenate([start, none, wide + 1])
    )  # fmt: skip
    n = np.maximum(high - low, 0)
    if not n.any():
        return
    index = np.arange(n.sum()) - np.repeat(np.cumsum(n) - n - low, n)
    of, left, right = (np.repeat(a, n) for a in (of, left, right))
    since = np.where(left >= 0, at[index] - t[left], np.inf)
    until = np.where(right >= 0, t[right] - at[index], np.inf)
    held = np.where(since <= until, v[left], v[right])
    limit = np.where(slow, SLOW_LIMIT_S, 0.0)
    for k in np.unique(of[(since + until < np.inf) & ~slow[of]]):
        limit[k] = _limit_s(channels[k].nature, median_step(channels[k].t))
    near = _held(channels, of, np.minimum(since, until))
    for k in np.unique(of[since + until > limit[of]]):
        mine = np.flatnonzero((of == k) & (since + until > limit[of]))
        channels[k].into[index[mine]] = np.where(near, held, np.nan)[mine]


def _held(channels: Sequence[_Channel], of: Array, away_s: Array) -> Array:
    """Whether a reading so far away is held: up to the limit if slow, one interval if flow."""
    near = np.zeros(len(of), bool)
    for k in np.unique(of):
        channel, mine = channels[k], np.flatnonzero(of == k)
        if channel.nature == "slow":
            near[mine] = away_s[mine] <= SLOW_LIMIT_S
        elif channel.nature == "flow":
            gaps = channel.t[1:] - channel.t[:-1]
            for i in mine[away_s[mine] <= FLOW_LIMIT_S[1]]:
                near[i] = _median_reaches(gaps, float(away_s[i]))
    return near


def _median_reaches(values: Array, least: float) -> bool:
    """Whether the median is `least` or more, by counting; worked out where that doesn't tell."""
    n, many = len(values), 2 * int(np.count_nonzero(values >= least))
    if many == n and n:
        return middle(values) >= least
    return many > n


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
    shifted = _evaluate((t - found.lag_s)[there], gps[there], t, FLOW_LIMIT_S[0], 0.0)
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
    """Samples of a log, positions brought onto the wheel-speed clock where they correlate.

    Returns
    -------
    DataFrame
        `roadlog.quantities.tables.SAMPLES`.
    float or None
        By how much positions came late [s], where that was put right.
    """
    names, rows = _resampled(_told(log), 1.0)
    lag_s = _positions_late_s(Columns(dict(zip(names, rows, strict=True)), rows.shape[1]))
    samples = _framed(names, rows)
    return (samples if lag_s is None else shift_positions(samples, lag_s)), lag_s


def _positions_late_s(samples: Columns) -> float | None:
    """By how much positions come late, where that is a second or more and sure [s]."""
    if not all(name in samples for name in ("lat_deg", "gps_speed_kmh", "speed_kmh")):
        return None
    found = _lag_of(samples)
    return None if found.note or abs(found.lag_s) < 1 else found.lag_s


def shift_positions(samples: pd.DataFrame, lag_s: float) -> pd.DataFrame:
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
        A new frame; positions that would come from outside the log or a gap are NaN.
    """
    names = [c for c in POSITION if c in samples.columns]
    if lag_s == 0 or not names:
        return samples
    t = samples["t_s"].to_numpy(np.float64)
    moved = {}
    for name in names:
        values = samples[name].to_numpy(np.float64)
        at, v = _readings(t - lag_s, values, distinct=False, last=_keeps_last(name))
        moved[name] = _carry(name, at, v, t, None, np.inf)
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


def _limit_s(nature: Nature, median_s: float) -> float:
    if nature in ("slow", "status"):
        return SLOW_LIMIT_S
    return min(max(GAP_INTERVALS * median_s, FLOW_LIMIT_S[0]), FLOW_LIMIT_S[1])


def _grid(rows: Array, step_s: float) -> tuple[Array, Array, Array]:
    """Grid times, the times at which signals are evaluated for them, and the time they stand for.

    `rows` are the distinct times at which something was logged.
    """
    n = int(np.ceil((rows[-1] - rows[0]) / step_s - 0.5 - 1e-9)) + 1
    grid = rows[0] + step_s * np.arange(n)
    if len(rows) == 1:
        return grid, grid, np.zeros(n)
    limit = _limit_s("flow", shelf.median_step(rows))
    interval = np.diff(rows)
    gap = interval > limit
    interval[gap] = 0.0
    covered = shelf.summed(interval)
    dt = np.diff(shelf.interp(np.append(grid - step_s / 2, grid[-1] + step_s / 2), rows, covered))
    dt[dt < 1e-9] = 0.0
    at = np.clip(grid, rows[0], rows[-1])
    if not gap.any():
        return grid, at, dt
    i = np.clip(np.searchsorted(rows, at, side="right") - 1, 0, len(gap) - 1)
    left, right = rows[i], rows[i + 1]
    nearest = np.where(at - left <= right - at, left, right)
    return grid, np.where(gap[i], nearest, at), dt


def _readings(times: Array, values: Array, *, distinct: bool, last: bool) -> tuple[Array, Array]:
    """The finite readings of one signal at distinct times; doubles averaged, or the last kept."""
    there = np.isfinite(values)
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


def _carry(name: str, t: Array, v: Array, at: Array, edges: Array | None, step_s: float) -> Array:
    """One signal, from its readings to the non-decreasing times `at`, by its nature."""
    if len(t) == 0:
        return np.full(len(at), np.nan)
    nature = SIGNALS[name].nature
    if name == _CIRCULAR:
        limit = _limit_s("position", shelf.median_step(t))
        return _evaluate(t, np.unwrap(v, period=360.0), at, limit, 0.0) % 360.0
    if nature == "status":
        return _hold(t, v, at, SLOW_LIMIT_S)
    if nature == "slow":
        return _evaluate(t, v, at, SLOW_LIMIT_S, SLOW_LIMIT_S)
    often = nature == "flow" and edges is not None
    doubtful = _beyond(t, at, FLOW_LIMIT_S[0])
    if not often and not doubtful.size:
        value: Array = shelf.interp(at, t, v)
        return value
    median = shelf.median_step(t)
    limit = _limit_s(nature, median)
    beyond = min(median, limit) if nature == "flow" else 0.0
    value = _evaluate(t, v, at, limit, beyond, doubtful)
    if often and edges is not None and 0 < median < _OFTEN * step_s:
        mean, share = _cell_means(t, v, edges, limit)
        value = np.where(share > 0.25 * step_s, mean, value)
    return value


def _hold(t: Array, v: Array, at: Array, limit_s: float) -> Array:
    """The last reading, up to `limit_s` old; before the first reading, that one, as long."""
    i = np.searchsorted(t, at, side="right") - 1
    held = v[np.maximum(i, 0)]
    if len(v) >= shelf.LARGE_ROWS:
        shelf.rest()
    age = np.where(i >= 0, at - t[np.maximum(i, 0)], t[0] - at)
    return np.where(age <= limit_s, held, np.nan)


def _beyond(t: Array, at: Array, limit_s: float) -> Array:
    """Which of the non-decreasing times `at` may lie between readings further apart than that.

    Those before the first reading and after the last are among them.
    """
    first, last = at.searchsorted(t[0]), at.searchsorted(t[-1], side="right")
    wide: Array = shelf.wider(t, limit_s * (1 - 1e-9))
    if not wide.size:
        if first == 0 and last == len(at):
            return wide
        return np.append(np.arange(first), np.arange(last, len(at)))
    opened = np.searchsorted(at, t[wide], side="right")
    closed = np.searchsorted(at, t[wide + 1])
    inside = [np.arange(a, b) for a, b in zip(opened, closed, strict=True) if b > a]
    return np.concatenate([np.arange(first), *inside, np.arange(last, len(at))])


def _evaluate(
    t: Array, v: Array, at: Array, limit_s: float, beyond_s: float, doubtful: Array | None = None
) -> Array:
    """Interpolate linearly where the readings around lie within `limit_s`, else hold `beyond_s`.

    The times `at` don't decrease; `doubtful` are those of `_beyond` for a limit that is no longer.
    """
    if len(t) == 0:
        return np.full(len(at), np.nan)
    value: Array = shelf.interp(at, t, v)
    if doubtful is None:
        doubtful = _beyond(t, at, limit_s)
    if not doubtful.size:
        return value
    when = at[doubtful]
    right = np.searchsorted(t, when, side="left")
    left = np.searchsorted(t, when, side="right") - 1
    since = np.where(left >= 0, when - t[np.maximum(left, 0)], np.inf)
    until = np.where(right < len(t), t[np.minimum(right, len(t) - 1)] - when, np.inf)
    held = np.where(since <= until, v[np.maximum(left, 0)], v[np.minimum(right, len(t) - 1)])
    held = np.where(np.minimum(since, until) <= beyond_s, held, np.nan)
    value[doubtful] = np.where(since + until > limit_s, held, value[doubtful])
    return value


def _cell_means(t: Array, v: Array, edges: Array, limit_s: float) -> tuple[Array, Array]:
    """Mean of the interpolated signal between successive `edges`, and the time that it covers."""
    e = np.clip(edges, t[0], t[-1])
    i = np.clip(np.searchsorted(t, e, side="right") - 1, 0, len(t) - 2)
    area_at, time_at = np.empty(len(e)), np.empty(len(e))
    area_before = time_before = 0.0
    for part in shelf.parts(len(t) - 1):
        rows = slice(part.start, part.stop + 1)
        width = t[rows][1:] - t[rows][:-1]
        bridged = width <= limit_s
        steps = np.where(bridged, width * (v[rows][1:] + v[rows][:-1]) / 2, 0)
        area = np.cumsum(np.concatenate([[area_before], steps]))
        time = np.cumsum(np.concatenate([[time_before], np.where(bridged, width, 0.0)]))
        area_before, time_before = float(area[-1]), float(time[-1])
        inside = slice(*np.searchsorted(i, (part.start, part.stop)).tolist())
        k, at = i[inside] - part.start, e[inside]
        left, right = t[rows][k], t[rows][k + 1]
        first = v[rows][k]
        s = np.where(bridged[k], at - left, np.where(at >= right, width[k], 0.0))
        slope = (v[rows][k + 1] - first) / width[k]
        area_at[inside] = area[k] + np.where(bridged[k], s * (first + slope * s / 2), 0.0)
        time_at[inside] = time[k] + np.where(bridged[k], s, 0.0)
    share = np.diff(time_at)
    mean = np.diff(area_at) / np.where(share > 0, share, 1.0)
    return np.where(share > 0, mean, np.nan), share
