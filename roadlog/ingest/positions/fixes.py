"""Positions that are none: the point 0° N 0° E, and fixes that stand still while the wheels turn.

A log goes in; the log without these fixes comes out, with a note that says how much was taken as a
gap. Done on the rows as they were logged, so that no time base can draw a line from a false fix to
a true one. Part of the ingest stage.
"""

from dataclasses import replace

import numpy as np

from roadlog.ingest import shelf
from roadlog.ingest.clock.coarse import spread_rounded
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import Log
from roadlog.quantities.arrays import Bools, Floats
from roadlog.quantities.columns import Columns
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
    frame, read = log.frame, log.read
    if not {"lat_deg", "lon_deg"} <= set(read.columns):
        return log
    lat, lon = (read.floats(c) for c in ("lat_deg", "lon_deg"))
    nowhere = np.empty(len(lat), bool)
    for part in shelf.parts(len(lat)):
        nowhere[part] = (np.abs(lat[part]) < NOWHERE_DEG) & (np.abs(lon[part]) < NOWHERE_DEG)
    some = bool(nowhere.any())
    frozen, seconds, metres = _frozen(read, np.where(nowhere, np.nan, lat) if some else lat, lon)
    if not nowhere.any() and not frozen.any():
        return log
    facts = list(log.facts)
    if nowhere.any():
        facts.append(Repair.NO_FIX(n=int(nowhere.sum())))
    if frozen.any():
        facts.append(Repair.FROZEN_FIX(seconds=seconds, km=metres / 1000))
    blank = nowhere | frozen
    kept = {
        c: shelf.kept(frame[c].mask(blank).to_numpy(np.float64))
        for c in POSITION
        if c in frame.columns
    }
    return replace(
        log, frame=frame.assign(**kept), facts=tuple(facts), frozen_s=log.frozen_s + seconds
    )


def wheel_distance_m(t_s: Floats, speed_kmh: Floats, at_s: Floats) -> tuple[Floats, Floats]:
    """Distance by speed [m] at the times `at_s`, and time without speed [s] up to each of them."""
    have = shelf.finite(speed_kmh)
    t, v = shelf.where(have, t_s), shelf.where(have, speed_kmh)
    if len(t) < 2:
        return np.zeros(len(at_s)), at_s - at_s[:1]
    way, gaps_in, lost_in = shelf.space(len(t) - 1), [], []
    for part in shelf.parts(len(t) - 1):
        behind = slice(part.start + 1, part.stop + 1)
        dt = t[behind] - t[part]
        way[part] = (v[behind] + v[part]) * dt / (2 * 3.6)
        wide = np.flatnonzero(dt > MAX_SPEED_GAP_S)
        way[part][wide] = 0.0
        gaps_in.append(wide + part.start)
        lost_in.append(dt[wide])
    gaps, lost = np.concatenate(gaps_in), np.cumsum(np.concatenate(lost_in))
    del v
    along = shelf.summed(way)
    del way
    metres, blind = shelf.space(len(at_s)), shelf.space(len(at_s))
    if len(gaps):
        knots = np.column_stack([t[gaps], t[gaps + 1]]).ravel()
        without = np.column_stack([np.append(0.0, lost[:-1]), lost]).ravel()
    for part in shelf.parts(len(at_s)):
        at, into = at_s[part], blind[part]
        metres[part] = np.interp(at, t, along)
        into[:] = np.interp(at, knots, without) if len(gaps) else 0.0
        early, late = at < t[0], at > t[-1]
        into[early] -= t[0] - at[early]
        into[late] += at[late] - t[-1]
    return metres, blind


def _frozen(read: Columns, lat: Floats, lon: Floats) -> tuple[Bools, float, float]:
    """Rows whose fix is an old one, how long they last [s] and how far the wheels turned [m]."""
    old = np.zeros(len(read), bool)
    if "speed_kmh" not in read:
        return old, 0.0, 0.0
    t, speed = spread_rounded(read.floats("t_s")), read.floats("speed_kmh")
    fix = shelf.finite(lat) & shelf.finite(lon)
    if fix.sum() < 2:
        return old, 0.0, 0.0
    stays = _repeats(shelf.where(fix, lat))
    stays &= _repeats(shelf.where(fix, lon))
    stays = np.concatenate([[False], stays, [False]])
    shelf.rest()
    first, last = np.flatnonzero(stays[1:] != stays[:-1]).reshape(-1, 2).T
    if not len(first):
        return old, 0.0, 0.0
    at = shelf.where(fix, t)
    longest_s, fastest_kmh = (at[last] - at[first]).max(), np.fmax.reduce(speed, initial=0.0)
    if longest_s * fastest_kmh / 3.6 < FROZEN_M - 1:
        return old, 0.0, 0.0
    d, _ = wheel_distance_m(t, speed, at)
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
