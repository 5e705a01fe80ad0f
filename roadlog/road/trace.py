"""One run's positions as a trace by distance: where the car was after each 20 m of road.

A frame of samples goes in; out comes the distance at every sample (wheel speed, so a car that
stands doesn't wander with its receiver's noise) and the smoothed path at equal steps of distance,
with heading, altitude and arrival time. The first step of method section 3.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from roadlog.physics.atmosphere import pressure_altitude
from roadlog.quantities.arrays import Bools, Floats, Ints, median_at_most
from roadlog.quantities.columns import Table, once
from roadlog.quantities.signals import signal
from roadlog.road.projection import Origin, positions, to_local

STEP_M = 20.0  # spacing of a trace's points
SMOOTHING_M = 12.0  # standard deviation of the Gaussian that takes out receiver noise
NOISY_SMOOTHING_M = 20.0  # the same for headings and for noisy drives; it cuts corners more
QUIET_M = 3.5  # median departure from the wide smoothing (11 m of white noise) that is quiet
SPARSE_M = 30.0  # fixes farther apart than this are joined by curves, not chords
MERGE_M = 4.0  # fixes closer together than this count as one place
MAX_FIX_GAP_M = 200.0  # a point farther than this from fixes on both sides isn't seen
COARSE_SHARE = 0.2  # a barometer with more readings on whole half kPa than this is too coarse
NO_RUN = -1
PAD = 8  # points that the wider smoothing looks to either side
MAX_SPEED_GAP_S = 15.0  # wheel speed is interpolated over this much at most


@dataclass(frozen=True)
class Trace:
    """A run by distance.

    `sample_d_m`, `sample_x_m`, `sample_y_m` [m] hold distance and raw position (NaN where no fix)
    at every sample. The other arrays hold one value every `STEP_M`: distance, easting, northing,
    unit heading (`hx`, `hy`), altitude [m] (NaN where none), arrival time [s] (both empty where
    they weren't asked for), and whether fixes near enough support the point.
    """

    run: int
    sample_d_m: Floats
    sample_x_m: Floats
    sample_y_m: Floats
    d_m: Floats
    x_m: Floats
    y_m: Floats
    hx: Floats
    hy: Floats
    altitude_m: Floats
    t_s: Floats
    seen: Bools


def make_trace(track: Table, run: int, origin: Origin) -> Trace:
    """Reduce a frame of samples (t_s, lat_deg, lon_deg, speed_kmh, altitude_m …) to a trace.

    A run without two distinct fixes gives a trace without points.
    """
    return make_traces([track], [run], origin)[0]


def make_traces(
    tracks: Sequence[Table], runs: Sequence[int], origin: Origin, *, profile: bool = True
) -> list[Trace]:
    """`make_trace` of many runs at once, each as if it were alone.

    Without `profile` the traces have no altitudes and no arrival times, unless that of these
    columns about this origin was made with them before.
    """
    held = [once(track, Trace, dict[Origin, Trace]) for track in tracks]
    new = [k for k, before in enumerate(held) if origin not in before]
    found = {k: before[origin] for k, before in enumerate(held) if origin in before}
    found |= zip(new, _traces([tracks[k] for k in new], origin, profile), strict=True)
    if profile:
        for k in new:
            held[k][origin] = found[k]
    return [replace(found[k], run=run) for k, run in enumerate(runs)]


def _traces(tracks: Sequence[Table], origin: Origin, profile: bool) -> list[Trace]:
    """The traces of runs without a number."""
    if not tracks:
        return []
    where = [positions(track) for track in tracks]
    ends = np.cumsum([0, *(len(fix) for _, _, fix in where)]).tolist()
    lat, lon, fix = (np.concatenate(parts) for parts in zip(*where, strict=True))
    x, y = to_local(np.where(fix, lat, np.nan), np.where(fix, lon, np.nan), origin)
    each = [slice(a, b) for a, b in pairwise(ends)]
    driven = [travelled(t, x[i], y[i]) for t, i in zip(tracks, each, strict=True)]
    fixes = [np.flatnonzero(fix[i]) for i in each]
    located = [k for k, at in enumerate(fixes) if _goes_anywhere(driven[k][at])]
    none: Floats = np.empty(0)
    empty = (*(none,) * 7, np.empty(0, bool))
    out = [Trace(NO_RUN, d, x[i], y[i], *empty) for d, i in zip(driven, each, strict=True)]
    if not located:
        return out
    used = np.concatenate([fixes[k] + ends[k] for k in located])
    size = np.array([len(fixes[k]) for k in located])
    keep = _own_fixes(lat[used], lon[used], size)
    used, of = used[keep], np.repeat(np.arange(len(size)), size)[keep]
    d = np.concatenate(driven)[used]
    first = _places(d, of)
    at, mx, my = (_means(c, first) for c in (d, x[used], y[used]))
    cut = np.searchsorted(of[first], np.arange(len(size) + 1))
    paths = _paths(at, mx, my, np.diff(cut))
    if profile:
        level = np.full(len(x), np.nan)
        for k in located:
            level[each[k]] = altitudes(tracks[k])
        height = _means(level[used], first)
    for n, (k, path) in enumerate(zip(located, paths, strict=True)):
        alt, arrival = none, none
        if profile:
            mine = slice(cut[n], cut[n + 1])
            alt = _height(path, at[mine], height[mine])
            late = driven[k] + 1e-6 * np.arange(len(driven[k]))
            arrival = np.interp(path.d_m, late, signal(tracks[k], "t_s"))
        out[k] = Trace(
            NO_RUN, driven[k], x[each[k]], y[each[k]], path.d_m, path.x_m, path.y_m,
            path.hx, path.hy, alt, arrival, path.seen,
        )  # fmt: skip
    return out


def _goes_anywhere(d: Floats) -> bool:
    """Whether fixes at these distances make a trace."""
    return len(d) > 1 and bool(d[-1] - d[0] >= 2 * STEP_M)


@dataclass(frozen=True)
class _Path:
    """A trace's points, as in `Trace`."""

    d_m: Floats
    x_m: Floats
    y_m: Floats
    hx: Floats
    hy: Floats
    seen: Bools


def _paths(at: Floats, x: Floats, y: Floats, size: Ints) -> list[_Path]:
    """The smoothed paths through the places (at, x, y), `size` of them a run, at equal steps.

    All runs are gone through at once: each array holds one run after the other.
    """
    step = STEP_M / 2
    last = np.cumsum(size) - 1
    start = last + 1 - size
    begin = np.ceil(at[start])
    n = np.ceil((at[last] - begin) / step).astype(np.int64)
    head = np.cumsum(n) - n
    number = np.arange(n.sum()) - np.repeat(head, n)
    grid = np.repeat(begin, n) + step * number
    before = _places_before(at, np.repeat(begin, size), np.repeat(n, size), head, size, n, step)
    with np.errstate(divide="ignore", invalid="ignore"):
        gap, slopes = np.diff(at), [np.diff(c) / np.diff(at) for c in (x, y)]
    beyond = grid - at.take(before)
    rough = np.array(
        [
            slope.take(before) * beyond + c.take(before)
            for slope, c in zip(slopes, (x, y), strict=True)
        ]
    )
    width = gap.take(np.maximum(before - (beyond == 0), np.repeat(start, n)))
    inner = np.ones(len(gap), bool)
    inner[last[:-1]] = False
    close = median_at_most(gap[inner], size - 1, SPARSE_M)
    for k in np.flatnonzero(~close & (size >= 5)):
        mine, places = slice(head[k], head[k] + n[k]), slice(start[k], last[k] + 1)
        for c, out in zip((x, y), rough, strict=True):
            _curved(out[mine], grid[mine], width[mine], at[places], c[places])
    longer, order = n + 2 * PAD, np.arange(len(n))
    inside = np.arange(n.sum()) + np.repeat(PAD * (2 * order + 1), n)
    padded = np.arange(longer.sum()) - np.repeat(PAD * (2 * order + 1), longer)
    padded = np.clip(padded, np.repeat(head, longer), np.repeat(head + n - 1, longer))
    held = rough.take(padded, axis=1)
    wide = gaussian_filter1d(held, NOISY_SMOOTHING_M / step).take(inside, axis=1)
    quiet = median_at_most(np.abs(rough - wide).T.ravel(), 2 * n, QUIET_M)
    half = np.flatnonzero(number % 2 == 0)
    fx, fy = wide.take(half, axis=1)
    if quiet.any():
        narrow = gaussian_filter1d(held, SMOOTHING_M / step).take(inside[half], axis=1)
        fx, fy = np.where(np.repeat(quiet, (n + 1) // 2), narrow, (fx, fy))
    hx, hy = _slopes(wide, half, head, n)
    norm = np.maximum(np.hypot(hx, hy), 1e-9)
    columns = (grid[half], fx, fy, hx / norm, hy / norm, (width <= MAX_FIX_GAP_M)[half])
    cut = np.cumsum([0, *((n + 1) // 2)]).tolist()
    return [_Path(*(c[a:b] for c in columns)) for a, b in pairwise(cut)]


def _places_before(
    at: Floats, begin: Floats, most: Ints, head: Ints, size: Ints, n: Ints, step: float
) -> Ints:
    """For every point of the grids the last place that doesn't lie beyond it."""
    reached = np.ceil((at - begin) / step)
    reached += begin + step * reached < at
    reached -= begin + step * (reached - 1) >= at
    reached = np.maximum(reached, 0).astype(np.int64)
    among = reached < most
    passed = np.cumsum(
        np.bincount((reached + np.repeat(head, size))[among], minlength=int(n.sum()))
    )
    earlier = np.append(0, passed)[head]
    first = np.cumsum(size) - size
    before: Ints = np.minimum(
        passed + np.repeat(first - earlier - 1, n), np.repeat(first + size - 2, n)
    )
    return before


def _curved(out: Floats, grid: Floats, width: Floats, at: Floats, c: Floats) -> None:
    """Put Akima's curves in the chords' place where fixes are far apart, but no gap."""
    from scipy.interpolate import Akima1DInterpolator

    curve = (width > STEP_M) & (width <= MAX_FIX_GAP_M)
    out[curve] = Akima1DInterpolator(at, c)(grid[curve])


def _slopes(rows: Floats, at: Ints, head: Ints, n: Ints) -> Floats:
    """`numpy.gradient` of each run's part of the rows, at the points `at`."""
    first, last = np.zeros(rows.shape[1], np.int64), np.zeros(rows.shape[1], np.int64)
    first[head], last[head + n - 1] = 1, 1
    low, high = at - 1 + first[at], at + 1 - last[at]
    return np.asarray((rows.take(high, axis=1) - rows.take(low, axis=1)) / (high - low), float)


def _height(path: _Path, at: Floats, height: Floats) -> Floats:
    known = np.isfinite(height)
    if not known.any():
        return np.full(len(path.d_m), np.nan)
    return np.where(path.seen, np.interp(path.d_m, at[known], height[known]), np.nan)


def altitudes(track: Table) -> Floats:
    """Altitude [m] at every sample: barometric where a fine barometer is logged, else the fixes'.

    The OBD-II barometer (PID 33) counts whole kPa, that is 84 m, and isn't used. Barometric heights
    follow the road far better than a receiver's; their level, which the weather moves, is set to
    the median of the fixes' altitudes.

    References
    ----------
    ISO 2533:1975: layer thickness grows with the air's absolute temperature.
    """
    fixes, pressure = signal(track, "altitude_m"), signal(track, "baro_kpa")
    known = np.isfinite(pressure)
    if known.sum() < 10:
        return fixes
    halves = 2 * pressure[known]
    if np.mean(np.abs(halves - np.round(halves)) < 1e-6) > COARSE_SHARE or np.ptp(halves) == 0:
        return fixes
    height = pressure_altitude(pressure)
    air = signal(track, "ambient_temp_c")
    middle = float(np.nanmedian(height))
    if np.isfinite(air).any():
        standard = 288.15 - 0.0065 * middle
        height = middle + (height - middle) * (float(np.nanmedian(air)) + 273.15) / standard
    both = np.isfinite(height) & np.isfinite(fixes)
    return height + float(np.median((fixes - height)[both])) if both.any() else height


def _own_fixes(lat: Floats, lon: Floats, size: Ints) -> Bools:
    """Which fixes the receiver gave, without those that a time base filled in; `size` a run.

    Filled-in fixes lie on the chord between their neighbours, which cuts corners. All of a run are
    kept unless between a half and eleven twelfths of those in motion are such.
    """
    bent, moves = np.zeros(len(lat), bool), np.zeros(len(lat), bool)
    for c in (lat, lon):
        step = np.diff(c)
        bent[1:-1] |= np.abs(np.diff(step)) > 1e-9
        moves[1:] |= step != 0
    first = np.cumsum(size) - size
    bent[first], bent[first + size - 1], moves[first] = True, True, False
    own, moving = (np.add.reduceat(c.astype(np.int64), first) for c in (bent, moves))
    slow = (moving / 12 < own) & (own < moving / 2)
    return bent | ~np.repeat(slow, size)


def travelled(track: Table, x_m: Floats, y_m: Floats) -> Floats:
    """Distance [m] since the run's start at every sample, never decreasing.

    Trapezoid of wheel speed, else of the receiver's speed. Where neither is known for longer than
    `MAX_SPEED_GAP_S` the distance between positions is taken instead: smoothed over 5 s, with
    less than 1 m/s counted as standing.
    """
    t = signal(track, "t_s")
    if len(t) < 2:
        return np.zeros(len(t))
    speed, dt = signal(track, "speed_kmh"), t[1:] - t[:-1]
    there = np.isfinite(speed)
    if there.all():
        v = speed / 3.6
        return np.concatenate([[0.0], np.cumsum(0.5 * (v[:-1] + v[1:]) * dt)])
    speed = np.where(there, speed, signal(track, "gps_speed_kmh"))
    known = np.flatnonzero(np.isfinite(speed))
    steps = np.full(len(dt), np.nan)
    if len(known) >= 2:
        v = np.interp(t, t[known], speed[known]) / 3.6
        after = np.searchsorted(known, np.arange(1, len(t)))
        inside = (after > 0) & (after < len(known))
        a = np.clip(after, 1, len(known) - 1)
        near = inside & (t[known[a]] - t[known[a - 1]] <= np.maximum(MAX_SPEED_GAP_S, dt))
        steps[near] = (0.5 * (v[:-1] + v[1:]) * dt)[near]
    missing = ~np.isfinite(steps)
    if missing.any():
        steps[missing] = _position_steps(t, x_m, y_m)[missing]
    return np.concatenate([[0.0], np.cumsum(steps)])


def _position_steps(t: Floats, x: Floats, y: Floats) -> Floats:
    fix = np.isfinite(x)
    if fix.sum() < 2:
        return np.zeros(len(t) - 1)
    width = max(1, round(5.0 / max(float(np.median(np.diff(t))), 1e-3)))
    px, py = (uniform_filter1d(np.interp(t, t[fix], c[fix]), width, mode="nearest") for c in (x, y))
    px, py = (uniform_filter1d(c, width, mode="nearest") for c in (px, py))
    steps = np.hypot(np.diff(px), np.diff(py))
    return np.where(steps > np.diff(t) * 1.0, steps, 0.0)


def _places(d: Floats, run: Ints) -> Ints:
    """The first fix of each place that counts as one."""
    place = np.floor(d / MERGE_M)
    return np.flatnonzero(np.append(True, (place[1:] != place[:-1]) | (run[1:] != run[:-1])))


def _means(values: Floats, first: Ints) -> Floats:
    """Mean of the finite values of each place, NaN where there is none."""
    known = np.isfinite(values)
    if known.all():
        n = np.diff(np.append(first, len(values)))
        return np.asarray(np.add.reduceat(values, first) / n, float)
    total = np.add.reduceat(np.where(known, values, 0.0), first)
    count = np.add.reduceat(known.astype(float), first)
    return np.asarray(
        np.divide(total, count, out=np.full(len(first), np.nan), where=count > 0), float
    )
