"""Elevation and grade of a line, fused from the altitudes of all drives along it.

One receiver's altitude is off by metres and drifts, so its slope is useless; many drives over the
same road average out. Altitudes by distance go in, one profile with its grade comes out (method
section 3).
"""

import numpy as np
from scipy.linalg import lstsq
from scipy.ndimage import convolve1d

from roadlog.quantities.arrays import Floats, Ints

BIN_M = 20.0
WINDOW_M = 560.0  # full width of the local cubic that gives elevation and grade
HUBER_M = 4.0  # altitudes farther than this from the profile are limited to it,
PLAIN_STEPS, LIMITED_STEPS = 9, 11  # after so many steps without a limit
STEEPEST = 0.25  # grades are limited to this


def fuse(place: Ints, drive: Ints, altitude_m: Floats, places: int) -> tuple[Floats, Ints]:
    """Robust mean profile of many drives, each drive's own offset taken out.

    Parameters
    ----------
    place : (n,) int
        Bin along the line, 0 … places - 1.
    drive : (n,) int
        Which drive the altitude is from.
    altitude_m : (n,) float [m]
        NaN rows are passed over.
    places : int
        Number of bins.

    Returns
    -------
    elevation_m : (places,) float [m]
        On the drives' median level; bins without data are interpolated; NaN if there are none.
    drives : (places,) int
        Drives that speak for each bin.

    Notes
    -----
    Alternates between the offset of each drive against the profile and a Huber-limited mean of
    the corrected altitudes.

    References
    ----------
    P. J. Huber, Robust Estimation of a Location Parameter, Ann. Math. Stat. 35 (1964) 73-101.
    """
    ok = np.isfinite(altitude_m)
    place, altitude = place[ok], altitude_m[ok]
    if not len(place):
        return np.full(places, np.nan), np.zeros(places, dtype=np.int64)
    _, drive = np.unique(drive[ok], return_inverse=True)
    size, weight = np.bincount(drive), np.bincount(place, minlength=places)
    count = np.maximum(weight, 1)
    here = np.bincount(place * len(size) + drive, minlength=places * len(size)).astype(float)
    here = here.reshape(places, len(size))
    own, total = np.bincount(drive, altitude), np.bincount(place, altitude, places)
    offset, profile = np.zeros(len(size)), total / count
    for _ in range(PLAIN_STEPS):
        offset = (own - here.T @ profile) / size
        profile = (total - here @ offset) / count
    for _ in range(LIMITED_STEPS):
        above = altitude - profile.take(place)
        at, beyond = _beyond(above - offset.take(drive))
        offset = (own - here.T @ profile - np.bincount(drive[at], beyond, len(size))) / size
        at, beyond = _beyond(above - offset.take(drive))
        profile = (total - here @ offset - np.bincount(place[at], beyond, places)) / count
    there = np.flatnonzero(weight)
    profile = np.interp(np.arange(places), there, profile[there])
    return profile + float(np.median(offset)), (here > 0).sum(axis=1)


def _beyond(residual: Floats) -> tuple[Ints, Floats]:
    """Which altitudes lie farther than the limit from what is expected, and by how much."""
    far = np.flatnonzero(np.abs(residual) > HUBER_M)
    return far, residual[far] - np.clip(residual[far], -HUBER_M, HUBER_M)


def smooth(elevation_m: Floats, step_m: float = BIN_M) -> tuple[Floats, Floats]:
    """Elevation [m] and grade (rise over run) of a profile sampled every `step_m`.

    A local cubic over `WINDOW_M` (Savitzky-Golay); a line shorter than the window gets one over
    its whole length. With no elevation the grade is 0.

    Notes
    -----
    Measured on invented hills (grades to 6 and 8 %, wavelengths from 0.7 km), receivers with
    offsets to ± 6 m, drift of 3 m and white noise of 2 m: grade is wrong by 0.9 % rms with one
    drive, 0.5 with 4, 0.3 to 0.4 with 8, 0.2 to 0.3 with 16. Features shorter than about 300 m
    (a ramp, a short bridge) are smoothed away however many drives there are.

    References
    ----------
    A. Savitzky, M. J. E. Golay, Anal. Chem. 36 (1964) 1627-1639.

    >>> z, g = smooth(np.linspace(0.0, 30.0, 51), 20.0)
    >>> bool(np.allclose(g, 0.03))
    True
    """
    n = len(elevation_m)
    if n < 4 or not np.isfinite(elevation_m).all():
        return elevation_m.copy(), np.zeros(n)
    width = min(2 * round(WINDOW_M / step_m / 2) + 1, n - 1 + n % 2)
    order = min(3, width - 2)
    z = _savitzky_golay(elevation_m, width, order, 0)
    grade = _savitzky_golay(elevation_m, width, order, 1, step_m)
    return z, np.clip(grade, -STEEPEST, STEEPEST)


def _savitzky_golay(
    values: Floats, width: int, order: int, derivative: int, step: float = 1.0
) -> Floats:
    """Each value, or its slope (derivative 1), by the polynomial through `width` (odd) around it.

    Within half a window of an end, by the polynomial of the first or last window. The same as
    `scipy.signal.savgol_filter`, whose package takes half a second to import.
    """
    half = width // 2
    steps = np.arange(half, -half - 1, -1)
    powers = steps[None, :] ** np.arange(order + 1)[:, None]
    wanted = np.zeros(order + 1)
    wanted[derivative] = 1 / step**derivative
    smoothed = convolve1d(values, lstsq(powers, wanted)[0], mode="constant")
    at = np.arange(width)
    for window, inside in ((slice(0, width), at[:half]), (slice(-width, None), at[-half:])):
        line = np.polyder(np.polyfit(at, values[window], order), derivative)
        smoothed[window][inside] = np.polyval(line, inside) / step**derivative
    return np.asarray(smoothed, dtype=float)
