"""Latitude and longitude to local metres and back: the plane in which the road stage works.

Positions on the WGS 84 ellipsoid go in, eastings and northings about the study's own centre come
out. Azimuthal equidistant: over a commuting area (30 km) distances are right to 1 part in 10⁵.
"""

from collections.abc import Iterable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from pyproj import Proj

from roadlog.quantities.arrays import Floats
from roadlog.quantities.columns import Table, once
from roadlog.quantities.signals import signal

Origin = tuple[float, float]


def centre(tracks: Iterable[Table]) -> Origin | None:
    """The median position (latitude, longitude) [°] of all fixes; None if there is no fix.

    Longitudes are unwrapped about the first fix, so that an area across 180° has a centre.
    """
    fixes = [positions(t) for t in tracks]
    lat = np.concatenate([f[0][f[2]] for f in fixes]) if fixes else np.empty(0)
    lon = np.concatenate([f[1][f[2]] for f in fixes]) if fixes else np.empty(0)
    if not len(lat):
        return None
    east = (lon - lon[0] + 180) % 360 - 180
    return float(np.median(lat)), float((lon[0] + np.median(east) + 180) % 360 - 180)


def positions(track: Table) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Latitude [°], longitude [°] and a mask of the samples that have a fix.

    The exact point 0° N 0° E is what a receiver writes before its first fix, so it is none.
    """
    return once(track, positions, lambda: _positions(track))


def _positions(track: Table) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    n = len(track)
    if not {"lat_deg", "lon_deg"} <= set(track.columns):
        return np.full(n, np.nan), np.full(n, np.nan), np.zeros(n, bool)
    lat, lon = signal(track, "lat_deg"), signal(track, "lon_deg")
    return lat, lon, np.isfinite(lat) & np.isfinite(lon) & ~((lat == 0) & (lon == 0))


def to_local(lat_deg: Floats, lon_deg: Floats, origin: Origin) -> tuple[Floats, Floats]:
    """Easting and northing [m] of positions [°] about `origin` (latitude, longitude) [°].

    NaN stays NaN.

    References
    ----------
    J. P. Snyder, Map Projections: A Working Manual, USGS Professional Paper 1395 (1987), ch. 25.

    >>> x, y = to_local(np.array([50.0, 50.01]), np.array([8.0, 8.0]), (50.0, 8.0))
    >>> float(y[1].round(0))
    1112.0
    """
    ok = np.isfinite(lat_deg) & np.isfinite(lon_deg)
    if ok.all():
        x, y = _plane(origin)(lon_deg, lat_deg)
        return np.asarray(x, float), np.asarray(y, float)
    x, y = np.full((2, len(ok)), np.nan)
    if ok.any():
        x[ok], y[ok] = _plane(origin)(lon_deg[ok], lat_deg[ok])
    return x, y


def to_geographic(x_m: Floats, y_m: Floats, origin: Origin) -> tuple[Floats, Floats]:
    """Latitude and longitude [°] of local eastings and northings [m]."""
    lon, lat = _plane(origin)(np.asarray(x_m, float), np.asarray(y_m, float), inverse=True)
    return np.asarray(lat, float), np.asarray(lon, float)


@lru_cache(maxsize=4)
def _plane(origin: Origin) -> Proj:
    return Proj(proj="aeqd", lat_0=origin[0], lon_0=origin[1], ellps="WGS84")
