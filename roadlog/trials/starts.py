"""Full-throttle starts, found in a log and timed with their uncertainty.

In goes a `Log` as `roadlog.ingest.read_log` gives it; out come its starts from rest to a target
speed, each with its time, what the readings' grid leaves unsure, its readings, and the starts
that were set aside with why. Implements the measuring part of the standing start, method
section 7.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.errors import DesignError, InputError
from roadlog.ingest import Log
from roadlog.ingest.clock.coarse import spread_rounded
from roadlog.quantities.arrays import Floats
from roadlog.trials.declared import LEAST_SHARE, UNDECLARED, Declared

FROM_KMH = 10.0  # below, the speed signal may still read zero, and wheels may spin
PULL_FROM_KMH = 30.0  # by here the clutch is shut and the tyres hold; common practice, no source
LEAST_PULL_RANGE = 2.0  # of the target over that speed, else the pull begins at FROM_KMH
REST_KMH = 3.0  # a speed PID may show zero up to about here, or creep; common practice, no source
DIP_KMH = 4.0  # a gear change may cost this much without ending the start
STEP_KMH = 1.0  # SAE J1979 PID 0D counts whole km/h
LONGEST_S = 90.0
SPEEDS = ("speed_kmh", "gps_speed_kmh")
FAST_GPS_S = 0.25
PEDALS = ("pedal_pct", "throttle_pct")
WIDE_OPEN_SHARE = 0.9  # of the largest reading in the logs
LEAST_WIDE_OPEN_PCT = 60.0
OPEN_TIME_SHARE = 0.8
NOTHING_DECLARED = Declared()


@dataclass(frozen=True)
class Start:
    """One timed start.

    `at_s` log time at which `FROM_KMH` was crossed [s]; `time_s` from there to the target [s] with
    standard uncertainty `u_time_s`; `rest_time_s`, `u_rest_time_s` from rest [s]; `interval_s`
    effective time between speed readings [s]; `heading_deg` NaN if unknown; `open_throttle` None
    if no pedal or throttle was logged; `t_s`, `speed_kmh` the readings of the rise, times from
    `at_s`; `lifts_s` shape (k, 2), from when to when pedal or throttle was lifted, as in a gear
    change, None if not logged.
    """

    at_s: float
    time_s: float
    u_time_s: float
    rest_time_s: float
    u_rest_time_s: float
    interval_s: float
    heading_deg: float
    open_throttle: bool | None
    t_s: Floats
    speed_kmh: Floats
    lifts_s: Floats | None

    def lifted_s(self, from_s: float) -> float:
        """Time with pedal or throttle lifted from then to the target [s], NaN if not logged."""
        if self.lifts_s is None:
            return float("nan")
        begin, end = np.clip(self.lifts_s, from_s, self.time_s).T
        return float((end - begin).sum())


@dataclass(frozen=True)
class SetAside:
    """A rise to the target that isn't counted, and why."""

    at_s: float
    reason: str


def choose_speed(logs: Sequence[Log]) -> str:
    """The speed signal that all logs share: GPS where it comes at 5 Hz or more, else the car's.

    Raises
    ------
    DesignError
        If there is no speed signal in every log: two kinds of speed would bend the comparison.
    """
    shared = [s for s in SPEEDS if all(_known(log, s) >= 3 for log in logs)]
    if not shared:
        lacking = next((g for g in logs if all(_known(g, s) < 3 for s in SPEEDS)), logs[0])
        raise DesignError(
            f"{lacking.path.name}: no speed signal that all logs share: log the vehicle speed alone"
        )
    if len(shared) == 1:
        return shared[0]
    intervals = {s: float(np.median([_interval(log, s) for log in logs])) for s in shared}
    gps = intervals["gps_speed_kmh"]
    faster = gps <= FAST_GPS_S and gps <= intervals["speed_kmh"]
    return "gps_speed_kmh" if faster else "speed_kmh"


def wide_open(logs: Sequence[Log]) -> dict[str, float]:
    """For each pedal or throttle signal that is logged, the reading that counts as fully open."""
    out = {}
    for name in PEDALS:
        highest = [float(g.frame[name].max()) for g in logs if name in g.frame and _known(g, name)]
        if highest:
            out[name] = max(LEAST_WIDE_OPEN_PCT, WIDE_OPEN_SHARE * max(highest))
    return out


def find_starts(
    log: Log,
    speed: str,
    target_kmh: float,
    openings: dict[str, float],
    declared: Declared = NOTHING_DECLARED,
) -> tuple[list[Start], list[SetAside]]:
    """Find and time the full-throttle starts of a log.

    Parameters
    ----------
    log : Log
    speed : str
        The speed signal, see `choose_speed`.
    target_kmh : float [km/h]
    openings : dict
        See `wide_open`.
    declared : Declared
        What the tester vouches for, where neither pedal nor throttle was logged.

    Returns
    -------
    list of Start, list of SetAside
        A start is an unbroken rise from rest to the target. It is set aside if pedal or throttle
        wasn't fully open for most of it; without such a signal it counts if it is declared, marked
        unconfirmed.

    Raises
    ------
    InputError
        If a log that is said to hold nothing but starts holds mostly other driving.
    """
    known = log.frame[speed].notna().to_numpy()
    t = spread_rounded(log.frame["t_s"].to_numpy(float))
    at, v = t[known], log.frame[speed].to_numpy(float)[known]
    found, aside = [], []
    rises = _rises(at, v, target_kmh)
    pedal = _pedal(log, t, openings) is not None
    if declared.only_starts and not pedal:
        _require_session(log, at, v, rises)
    for first, last in rises:
        start = _timed(log, t, at[first : last + 1], v[first : last + 1], target_kmh, speed)
        share = _open_share(log, t, start, openings)
        if share is not None and share < OPEN_TIME_SHARE:
            aside.append(
                SetAside(start.at_s, f"throttle fully open for only {100 * share:.0f} % of it")
            )
            continue
        if share is None and not declared.holds(log.path.name, start.at_s - float(t[0])):
            aside.append(SetAside(start.at_s, UNDECLARED))
            continue
        found.append(
            replace(
                start,
                open_throttle=None if share is None else True,
                lifts_s=_lifts(log, t, start, openings),
            )
        )
    rising = [float(at[first] - t[0]) for first, _ in rises]
    aside += [
        SetAside(a, f"declared, but no unbroken rise from rest to {target_kmh:g} km/h begins there")
        for a in declared.missed(log.path.name, rising)
    ]
    return found, aside


def crossing(t_s: Floats, speed_kmh: Floats, level_kmh: float) -> tuple[float, float, float]:
    """When a rising speed first reaches a level.

    Returns
    -------
    float, float, float [s], [s], [km/h/s]
        The time by straight line between the readings around it, the time between these two
        readings, and the acceleration there.
    """
    after = int(np.argmax(speed_kmh >= level_kmh))
    before = after - 1
    gap = float(t_s[after] - t_s[before])
    rise = float(speed_kmh[after] - speed_kmh[before])
    when = float(t_s[before]) + gap * (level_kmh - float(speed_kmh[before])) / rise
    near = np.abs(speed_kmh - level_kmh) <= max(3 * STEP_KMH, rise)
    span = np.flatnonzero(near)
    lo, hi = min(span[0], before), max(span[-1], after)
    slope = float((speed_kmh[hi] - speed_kmh[lo]) / (t_s[hi] - t_s[lo]))
    return when, gap, slope


def _require_session(log: Log, at: Floats, v: Floats, rises: list[tuple[int, int]]) -> None:
    """Refuse the word that a log holds nothing but starts where most of its driving is other."""
    step = np.diff(at, append=at[-1])
    moving = float(step[v > REST_KMH].sum())
    rising = sum(float(at[last] - at[first]) for first, last in rises)
    if rises and rising < LEAST_SHARE * moving:
        raise InputError(
            f"{log.path.name}: rises to the target are {100 * rising / moving:.0f} % of its time "
            "in motion, so it holds other driving than starts: list the starts in a table of file "
            "and at_s (--starts) instead of --only-starts"
        )


def _timed(log: Log, log_t: Floats, t: Floats, v: Floats, target_kmh: float, speed: str) -> Start:
    interval = _effective_interval(t, v)
    begin, gap_begin, slope_begin = crossing(t, v, FROM_KMH)
    end, gap_end, slope_end = crossing(t, v, target_kmh)
    step = STEP_KMH if _whole(v) else 0.1
    u = np.array(
        [
            _u_crossing(max(gap_begin, interval), slope_begin, step),
            _u_crossing(max(gap_end, interval), slope_end, step),
        ]
    )
    moving = int(np.argmax(v > REST_KMH))
    gap_rest = float(t[moving] - t[moving - 1])
    rest = float(t[moving - 1]) + gap_rest / 2
    u_rest = float(np.hypot(max(gap_rest, interval), REST_KMH / slope_begin) / np.sqrt(12))
    return Start(
        at_s=begin,
        time_s=end - begin,
        u_time_s=float(np.linalg.norm(u)),
        rest_time_s=end - rest,
        u_rest_time_s=float(np.hypot(u_rest, u[1])),
        interval_s=interval,
        heading_deg=_heading(log, log_t, begin, end),
        open_throttle=None,
        t_s=t - begin,
        speed_kmh=v,
        lifts_s=None,
    )


def _u_crossing(gap_s: float, slope_kmh_s: float, step_kmh: float) -> float:
    """A reading is as old as one interval at most, and stands for one step of speed [s]."""
    return float(np.hypot(gap_s, step_kmh / slope_kmh_s) / np.sqrt(12))


def _rises(t: Floats, v: Floats, target_kmh: float) -> list[tuple[int, int]]:
    """Index of the last reading at rest and of the first at the target, for each unbroken rise."""
    rest = v <= REST_KMH
    rises = []
    for first in np.flatnonzero(rest[:-1] & ~rest[1:]):
        end = int(np.searchsorted(t, t[first] + LONGEST_S, "right"))
        rise = v[first:end]
        reached = rise >= target_kmh
        if not reached.any():
            continue
        last = int(np.argmax(reached))
        rise = rise[: last + 1]
        if (rise[1:] <= REST_KMH).any() or (np.maximum.accumulate(rise) - rise > DIP_KMH).any():
            continue
        if rise[0] < FROM_KMH <= target_kmh:
            rises.append((int(first), int(first) + last))
    return rises


def _effective_interval(t: Floats, v: Floats) -> float:
    """Time between readings [s], or between changes where a reading is held over several rows."""
    rows = float(np.median(np.diff(t)))
    changed = np.flatnonzero(np.diff(v) != 0) + 1
    if len(changed) < 3:
        return rows
    steps = np.abs(np.diff(v[changed]))
    held = float(np.median(np.diff(t[changed])))
    return held if np.median(steps) >= 2 * STEP_KMH else rows


def pull_from_kmh(target_kmh: float) -> float:
    """Speed [km/h] from which the engine alone sets the pull, below it clutch and tyres.

    >>> pull_from_kmh(100), pull_from_kmh(50)
    (30.0, 10.0)
    """
    return PULL_FROM_KMH if target_kmh >= LEAST_PULL_RANGE * PULL_FROM_KMH else FROM_KMH


def _open_share(log: Log, log_t: Floats, start: Start, openings: dict[str, float]) -> float | None:
    """Share of the start's inner readings with pedal or throttle open; None if never logged."""
    pedal = _pedal(log, log_t, openings)
    if pedal is None:
        return None
    at, opened = pedal
    edge = min(start.interval_s, start.time_s / 4)  # a stale speed lags the pedal by as much
    inside = (at >= start.at_s + edge) & (at <= start.at_s + start.time_s - edge)
    if not inside.any():
        return float(opened[np.abs(at - start.at_s - start.time_s / 2).argmin()])
    return float(opened[inside].mean())


def _lifts(log: Log, log_t: Floats, start: Start, openings: dict[str, float]) -> Floats | None:
    """From when to when [s] pedal or throttle was lifted, times from `at_s`: each reading stands
    for the time that it is nearest to.
    """
    pedal = _pedal(log, log_t, openings)
    if pedal is None:
        return None
    at, opened = pedal
    edges = np.concatenate([[-np.inf], (at[1:] + at[:-1]) / 2, [np.inf]]) - start.at_s
    spans = np.clip(np.column_stack([edges[:-1], edges[1:]]), 0, start.time_s)
    return np.asarray(spans[~opened & (spans[:, 1] > spans[:, 0])], float)


def _pedal(
    log: Log, log_t: Floats, openings: dict[str, float]
) -> tuple[Floats, NDArray[np.bool_]] | None:
    """When pedal or throttle was read, and whether it was fully open; None if never logged."""
    for name, opened in openings.items():
        if name in log.frame and _known(log, name):
            values = log.frame[name].to_numpy(float)
            known = np.isfinite(values)
            return log_t[known], values[known] >= opened
    return None


def _heading(log: Log, log_t: Floats, begin: float, end: float) -> float:
    inside = (log_t >= begin) & (log_t <= end)
    if {"lat_deg", "lon_deg"} <= set(log.frame.columns):
        lat = log.frame["lat_deg"].to_numpy(float)[inside]
        lon = log.frame["lon_deg"].to_numpy(float)[inside]
        both = np.flatnonzero(np.isfinite(lat) & np.isfinite(lon))
        if len(both) >= 2:
            first, last = both[0], both[-1]
            north = lat[last] - lat[first]
            east = (lon[last] - lon[first]) * np.cos(np.radians(lat[first]))
            if np.hypot(north, east) > 1e-4:  # about 10 m
                return float(np.degrees(np.arctan2(east, north)) % 360)
    if "heading_deg" in log.frame:
        angle = np.radians(log.frame.loc[inside, "heading_deg"].dropna().to_numpy(float))
        if len(angle):
            mean = np.degrees(np.arctan2(np.sin(angle).mean(), np.cos(angle).mean()))
            return float(mean % 360)
    return float("nan")


def directions(headings_deg: Floats) -> pd.Series:
    """'out' for starts that head as the first does, 'back' for the others, '' if unknown.

    >>> directions(np.array([10.0, 190.0, 350.0, np.nan])).tolist()
    ['out', 'back', 'out', '']
    """
    known = headings_deg[np.isfinite(headings_deg)]
    if not len(known):
        return pd.Series([""] * len(headings_deg))
    turn = np.cos(np.radians(headings_deg - known[0]))
    words = np.where(turn >= 0, "out", "back")
    return pd.Series(np.where(np.isfinite(headings_deg), words, ""))


def _known(log: Log, name: str) -> int:
    return int(log.frame[name].notna().sum()) if name in log.frame else 0


def _interval(log: Log, name: str) -> float:
    known = log.frame[name].notna().to_numpy()
    return float(np.median(np.diff(spread_rounded(log.frame["t_s"].to_numpy(float))[known])))


def _whole(v: Floats) -> bool:
    return bool(np.all(np.abs(v - np.round(v)) < 1e-6))
