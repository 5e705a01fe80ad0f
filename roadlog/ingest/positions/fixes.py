"""Positions that are none: the point 0° N 0° E, and fixes that stand still while the wheels turn.

A log goes in; the log without these fixes comes out, with a note that says how much was taken as a
gap. Done on the rows as they were logged, so that no time base can draw a line from a false fix to
a true one. Part of the ingest stage.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from roadlog.ingest.clock.coarse import spread_rounded
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import Log
from roadlog.quantities.arrays import Bools, Floats
from roadlog.quantities.signals import POSITION

NOWHERE_DEG = 1e-6
FROZEN_M = 150.0  # what a coarse (0.001°) or slow (5 s) receiver may stand still for at speed
MAX_SPEED_GAP_S = 15.0  # over longer gaps in speed the distance isn't known


def without_false_fixes(log: Log) -> Log:
    """The log with false fixes blanked, all that the receiver said with them.

    Parameters
    ----------
    log : Log

    Returns
    -------
    Log
        `frozen_s` says how long positions stood still while the wheels turned. The first fix of
        such a stretch is kept, unless it is the log's first: then it is where the receiver last
        was, perhaps another day.
    """
    frame = log.frame
    if not {"lat_deg", "lon_deg"} <= set(frame.columns):
        return log
    lat, lon = (frame[c].to_numpy(np.float64) for c in ("lat_deg", "lon_deg"))
    nowhere = (np.abs(lat) < NOWHERE_DEG) & (np.abs(lon) < NOWHERE_DEG)
    some = bool(nowhere.any())
    frozen, seconds, metres = _frozen(frame, np.where(nowhere, np.nan, lat) if some else lat, lon)
    if not nowhere.any() and not frozen.any():
        return log
    facts = list(log.facts)
    if nowhere.any():
        facts.append(Repair.NO_FIX(n=int(nowhere.sum())))
    if frozen.any():
        facts.append(Repair.FROZEN_FIX(seconds=seconds, km=metres / 1000))
    blank = nowhere | frozen
    kept = {c: frame[c].mask(blank) for c in POSITION if c in frame.columns}
    return replace(
        log, frame=frame.assign(**kept), facts=tuple(facts), frozen_s=log.frozen_s + seconds
    )


def wheel_distance_m(t_s: Floats, speed_kmh: Floats, at_s: Floats) -> tuple[Floats, Floats]:
    """Distance by speed [m] at the times `at_s`, and time without speed [s] up to each of them."""
    have = np.isfinite(speed_kmh)
    t, v = t_s[have], speed_kmh[have]
    if len(t) < 2:
        return np.zeros(len(at_s)), at_s - at_s[:1]
    way = v[1:] + v[:-1]  # in place from here: logs may hold tens of millions of rows
    del v
    dt = np.diff(t)
    way *= dt
    way /= 2 * 3.6
    gaps = np.flatnonzero(dt > MAX_SPEED_GAP_S)
    way[gaps] = 0.0
    lost = np.cumsum(dt[gaps])
    del dt
    along = np.zeros(len(t))
    np.cumsum(way, out=along[1:])
    del way
    metres = np.interp(at_s, t, along)
    del along
    if len(gaps):
        knots = np.column_stack([t[gaps], t[gaps + 1]]).ravel()
        before = np.append(0.0, lost[:-1])
        blind = np.interp(at_s, knots, np.column_stack([before, lost]).ravel())
    else:
        blind = np.zeros(len(at_s))
    early, late = at_s < t[0], at_s > t[-1]
    blind[early] -= t[0] - at_s[early]
    blind[late] += at_s[late] - t[-1]
    return metres, blind


def _frozen(frame: pd.DataFrame, lat: Floats, lon: Floats) -> tuple[Bools, float, float]:
    """Rows whose fix is an old one, how long they last [s] and how far the wheels turned [m]."""
    old = np.zeros(len(frame), bool)
    if "speed_kmh" not in frame.columns:
        return old, 0.0, 0.0
    t = spread_rounded(frame["t_s"].to_numpy(np.float64))
    speed = frame["speed_kmh"].to_numpy(np.float64)
    fix = np.isfinite(lat) & np.isfinite(lon)
    if fix.sum() < 2:
        return old, 0.0, 0.0
    stays = np.concatenate([[False], _repeats(lat[fix]) & _repeats(lon[fix]), [False]])
    first, last = np.flatnonzero(stays[1:] != stays[:-1]).reshape(-1, 2).T
    if not len(first):
        return old, 0.0, 0.0
    d, _ = wheel_distance_m(t, speed, t[fix])
    stands = d[last] - d[first] >= FROZEN_M
    rows = np.flatnonzero(fix)
    seconds = metres = 0.0
    for a, b in zip(first[stands], last[stands], strict=True):
        old[rows[(a if a == 0 else a + 1) : b + 1]] = True
        seconds += float(t[rows[b]] - t[rows[a]])
        metres += float(d[b] - d[a])
    return old, seconds, metres


def _repeats(values: Floats) -> Bools:
    """Whether each value but the first is its neighbour's again."""
    return np.asarray(values[1:] == values[:-1], bool)
