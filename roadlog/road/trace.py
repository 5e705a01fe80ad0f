"""One run's positions as a trace by distance: where the car was after each 20 m of road.

A frame of samples goes in; out comes the distance at every sample (wheel speed, so a car that
stands doesn't wander with its receiver's noise) and the smoothed path at equal steps of distance,
with heading, altitude and arrival time. The first step of method section 3.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from roadlog.physics.atmosphere import pressure_altitude
from roadlog.quantities.arrays import Bools, Floats, middle
from roadlog.quantities.columns import Table
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
MAX_SPEED_GAP_S = 15.0  # wheel speed is interpolated over this much at most


@dataclass(frozen=True)
class Trace:
    """A run by distance.

    `sample_d_m`, `sample_x_m`, `sample_y_m` [m] hold distance and raw position (NaN where no fix)
    at every sample. The other arrays hold one value every `STEP_M`: distance, easting, northing,
    unit heading (`hx`, `hy`), altitude [m] (NaN where none), arrival time [s], and whether fixes
    near enough support the point.
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
    lat, lon, fix = positions(track)
    x, y = to_local(np.where(fix, lat, np.nan), np.where(fix, lon, np.nan), origin)
    d = travelled(track, x, y)
    if fix.sum() < 2 or d[fix][-1] - d[fix][0] < 2 * STEP_M:
        none = np.empty(0)
        return Trace(run, d, x, y, *(none,) * 7, np.empty(0, bool))
    altitude = altitudes(track)
    own = np.flatnonzero(fix)[_own_fixes(lat[fix], lon[fix])]
    at, mx, my, malt = _merge(d[own], x[own], y[own], altitude[own])
    grid = np.arange(np.ceil(at[0]), at[-1], STEP_M / 2)
    rough = np.vstack([_joined(grid, at, mx), _joined(grid, at, my)])
    wide = gaussian_filter1d(rough, NOISY_SMOOTHING_M / (STEP_M / 2), mode="nearest")
    hx, hy = _slopes(wide)
    fx, fy = wide
    if middle(np.abs(rough - wide).ravel()) <= QUIET_M:
        fx, fy = gaussian_filter1d(rough, SMOOTHING_M / (STEP_M / 2), mode="nearest")
    norm = np.maximum(np.hypot(hx, hy), 1e-9)
    after = np.clip(np.searchsorted(at, grid), 1, len(at) - 1)
    half = slice(None, None, 2)
    arrival = np.interp(grid, d + 1e-6 * np.arange(len(d)), signal(track, "t_s"))
    known = np.isfinite(malt)
    alt = np.interp(grid, at[known], malt[known]) if known.any() else np.full(len(grid), np.nan)
    seen = at[after] - at[after - 1] <= MAX_FIX_GAP_M
    return Trace(
        run, d, x, y, grid[half], fx[half], fy[half], (hx / norm)[half], (hy / norm)[half],
        np.where(seen, alt, np.nan)[half], arrival[half], seen[half],
    )  # fmt: skip


def _slopes(rows: Floats) -> Floats:
    """`numpy.gradient` along each row, without its cost on short ones."""
    out = np.empty_like(rows)
    out[:, 1:-1] = (rows[:, 2:] - rows[:, :-2]) / 2
    out[:, 0], out[:, -1] = rows[:, 1] - rows[:, 0], rows[:, -1] - rows[:, -2]
    return out


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


def _own_fixes(lat: Floats, lon: Floats) -> NDArray[np.int64]:
    """Indices of the fixes that the receiver gave, without those that a time base filled in.

    Filled-in fixes lie on the chord between their neighbours, which cuts corners. All are kept
    unless between a half and eleven twelfths of those in motion are such.
    """
    bent, moves = np.zeros(len(lat), bool), np.zeros(len(lat), bool)
    for c in (lat, lon):
        bent[1:-1] |= np.abs(np.diff(c, 2)) > 1e-9
        moves[1:] |= np.diff(c) != 0
    bent[[0, -1]] = True
    slow = moves.sum() / 12 < bent.sum() < moves.sum() / 2
    return np.flatnonzero(bent) if slow else np.arange(len(lat))


def _joined(grid: Floats, at: Floats, c: Floats) -> Floats:
    """Fixes joined by chords, or by Akima's curves where they are far apart (but no gap)."""
    out = np.interp(grid, at, c)
    apart = np.diff(at)
    if len(at) < 5 or middle(apart) <= SPARSE_M:
        return out
    from scipy.interpolate import Akima1DInterpolator

    step = apart[np.clip(np.searchsorted(at, grid) - 1, 0, len(apart) - 1)]
    curve = (step > STEP_M) & (step <= MAX_FIX_GAP_M)
    out[curve] = Akima1DInterpolator(at, c)(grid[curve])
    return out


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


def _merge(d: Floats, x: Floats, y: Floats, altitude: Floats) -> tuple[Floats, ...]:
    place = np.floor(d / MERGE_M)
    first = np.flatnonzero(np.concatenate([[True], np.diff(place) != 0]))
    n = np.diff(np.append(first, len(d)))
    known = np.isfinite(altitude)
    total = np.add.reduceat(np.where(known, altitude, 0.0), first)
    count = np.add.reduceat(known.astype(float), first)
    alt = np.divide(total, count, out=np.full(len(n), np.nan), where=count > 0)
    return (*(np.add.reduceat(c, first) / n for c in (d, x, y)), alt)
