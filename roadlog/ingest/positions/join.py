"""Positions from a track joined to a log that has none.

In come a log and position tracks of about the same time; out comes the log with latitude,
longitude and what else the tracks hold, interpolated by wall clock between fixes that lie close
together. Where one clock has no zone, the offset is found from the two speeds, or said to be
unknown. Part of section 2 of the method (time base).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.errors import InputError
from roadlog.ingest.datum import ALTITUDE
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import ColumnMatch, Datum, Log
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Fact
from roadlog.quantities.signals import POSITION

MAX_FIX_GAP_S = 10.0
_EARTH_RADIUS_M = 6371008.8  # mean radius R1, IUGG (GRS 80); here only for a rough speed
_LEAST_CORRELATION = 0.8
_LEAST_LEAD = 0.2
_LEAST_OVERLAP_S = 120.0


def joined(log: Log, tracks: Sequence[Log], *, zone: str | None = None) -> Log:
    """The log with position columns from the tracks that overlap it in time.

    Parameters
    ----------
    log : Log
        Returned unchanged if it has positions of its own.
    tracks : sequence of Log
        Position logs, in order of preference.
    zone : str, optional
        Zone of clocks that carry none, such as 'Europe/Paris'. Without it, whole and half hours
        are tried on the two speeds where one clock has a zone and the other has none.

    Returns
    -------
    Log
        With a note that says what was joined, or why nothing was.

    Raises
    ------
    InputError
        If `zone` is not known.
    """
    if "lat_deg" in log.frame and log.frame["lat_deg"].notna().any():
        return log
    fixes = [t for t in tracks if {"lat_deg", "lon_deg"} <= set(t.frame.columns)]
    if not fixes:
        return _noted(log, Repair.NO_TRACK()) if tracks else log
    if log.start is None:
        return _noted(log, Repair.NO_CLOCK_TO_JOIN())
    t_s = log.frame["t_s"].to_numpy(np.float64)
    found: dict[str, Floats] = {}
    notes: list[Fact] = []
    datums: list[Datum | None] = []
    for track in fixes:
        offset = _offset(log, track, zone, notes)
        if offset is None or not _overlap(t_s, track, offset):
            continue
        for name, values in _at(track.frame, t_s - offset).items():
            have = found.get(name)
            found[name] = values if have is None else np.where(np.isnan(have), values, have)
        datums.append(track.altitude_datum)
        notes.append(Repair.JOINED(track=track.path.name))
    if "lat_deg" not in found or np.isnan(found["lat_deg"]).all():
        return _noted(log, *(notes or [Repair.NO_OVERLAP()]))
    new = {n: v for n, v in found.items() if n not in log.frame or log.frame[n].isna().all()}
    columns = [ColumnMatch(n, n, None, "from a position track") for n in new]
    if ALTITUDE in new:
        known = {d for d in datums if d is not None}
        log = replace(log, altitude_datum=known.pop() if len(known) == 1 else "unknown")
    return replace(
        log,
        frame=log.frame.assign(**new),
        columns=(*log.columns, *columns),
        facts=(*log.facts, *notes),
    )


def ground_speed_kmh(frame: pd.DataFrame) -> Floats:
    """Speed [km/h] from one fix to the next by the haversine distance, NaN over long gaps.

    Parameters
    ----------
    frame : DataFrame
        With `t_s` [s], `lat_deg` [°], `lon_deg` [°].

    Returns
    -------
    array, shape (rows,) [km/h]
        The first row's is NaN.

    References
    ----------
    R. W. Sinnott, "Virtues of the Haversine", Sky and Telescope 68 (1984), 159.
    """
    t = frame["t_s"].to_numpy(np.float64)
    lat = np.radians(frame["lat_deg"].to_numpy(np.float64))
    lon = np.radians(frame["lon_deg"].to_numpy(np.float64))
    half = np.sin(np.diff(lat) / 2) ** 2
    half = half + np.cos(lat[1:]) * np.cos(lat[:-1]) * np.sin(np.diff(lon) / 2) ** 2
    metres = 2 * _EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(half, 0, 1)))
    dt = np.diff(t)
    speed = np.full(len(t), np.nan)
    ok = (dt > 0) & (dt <= MAX_FIX_GAP_S)
    speed[1:][ok] = 3.6 * metres[ok] / dt[ok]
    return speed


def _noted(log: Log, *facts: Fact) -> Log:
    return replace(log, facts=(*log.facts, *facts))


def _offset(log: Log, track: Log, zone: str | None, notes: list[Fact]) -> float | None:
    """Log time [s] at the track's zero; None if the clocks can't be brought together."""
    if log.start is None or track.start is None:
        notes.append(Repair.TRACK_NO_CLOCK(track=track.path.name))
        return None
    starts = [_zoned(log.start, zone), _zoned(track.start, zone)]
    if (starts[0].tz is None) == (starts[1].tz is None):
        return float((starts[1] - starts[0]).total_seconds())
    naive = [s.tz_convert("UTC").tz_localize(None) if s.tz is not None else s for s in starts]
    plain = float((naive[1] - naive[0]).total_seconds())
    best = _by_speed(log, track, plain)
    if best is None:
        notes.append(Repair.TRACK_NO_ZONE(track=track.path.name))
        return None
    notes.append(Repair.TRACK_SHIFTED(track=track.path.name, hours=best.hours, r=best.r))
    return plain + best.hours * 3600


def _zoned(start: pd.Timestamp, zone: str | None) -> pd.Timestamp:
    if zone is None or start.tz is not None:
        return start
    try:
        named = ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as e:
        raise InputError(f"zone '{zone}' is not known: write one such as 'Europe/Paris'") from e
    return start.tz_localize(named, ambiguous=True, nonexistent="shift_forward")


@dataclass(frozen=True)
class _Agreement:
    hours: float
    r: float


def _by_speed(log: Log, track: Log, plain: float) -> _Agreement | None:
    """The half-hour offset at which log speed and track speed agree, if one stands out."""
    if "speed_kmh" not in log.frame:
        return None
    own = log.frame[["t_s", "speed_kmh"]].dropna()
    if len(own) < 2:
        return None
    speed = (
        track.frame["gps_speed_kmh"].to_numpy(np.float64)
        if "gps_speed_kmh" in track.frame and track.frame["gps_speed_kmh"].notna().mean() > 0.5
        else ground_speed_kmh(track.frame)
    )
    clock = track.frame["t_s"].to_numpy(np.float64)
    t, v = own["t_s"].to_numpy(np.float64), own["speed_kmh"].to_numpy(np.float64)
    tried = []
    for hours in np.arange(-14, 14.5, 0.5):
        there = _between(clock, speed, t - plain - hours * 3600)
        both = ~np.isnan(there)
        if both.sum() < 30 or np.ptp(t[both]) < _LEAST_OVERLAP_S:
            continue
        if np.std(there[both]) < 3 or np.std(v[both]) < 3:
            continue
        tried.append(_Agreement(float(hours), float(np.corrcoef(v[both], there[both])[0, 1])))
    tried.sort(key=lambda a: -a.r)
    if not tried or tried[0].r < _LEAST_CORRELATION:
        return None
    if len(tried) > 1 and tried[1].r > tried[0].r - _LEAST_LEAD:
        return None
    return tried[0]


def _overlap(t_s: Floats, track: Log, offset: float) -> bool:
    t = track.frame["t_s"].to_numpy(np.float64) + offset
    return bool(t[-1] >= t_s[0] and t[0] <= t_s[-1])


def _at(track: pd.DataFrame, t: Floats) -> dict[str, Floats]:
    clock = track["t_s"].to_numpy(np.float64)
    out: dict[str, Floats] = {}
    for name in POSITION:
        if name not in track:
            continue
        values = track[name].to_numpy(np.float64)
        if name in ("lon_deg", "heading_deg"):
            have = ~np.isnan(values)
            turned = values.copy()
            turned[have] = np.unwrap(values[have], period=360)
            low = -180.0 if name == "lon_deg" else 0.0
            out[name] = (_between(clock, turned, t) - low) % 360 + low
        else:
            out[name] = _between(clock, values, t)
    return out


def _between(clock: Floats, values: Floats, t: Floats) -> Floats:
    """Linear interpolation between readings no further apart than `MAX_FIX_GAP_S`, else NaN."""
    have = ~np.isnan(values)
    clock, values = clock[have], values[have]
    if len(clock) < 2:
        return np.full(len(t), np.nan)
    at: NDArray[np.intp] = np.clip(np.searchsorted(clock, t, side="right"), 1, len(clock) - 1)
    gap = clock[at] - clock[at - 1]
    inside = (t >= clock[0]) & (t <= clock[-1])
    exact = (t == clock[at - 1]) | (t == clock[at])
    return np.where(inside & ((gap <= MAX_FIX_GAP_S) | exact), np.interp(t, clock, values), np.nan)
