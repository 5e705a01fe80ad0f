"""Latitude and longitude to local metres and back: the plane in which the road stage works.

Positions on the WGS 84 ellipsoid go in, eastings and northings about the study's own centre come
out. Azimuthal equidistant: over a commuting area (30 km) distances are right to 1 part in 10⁵.
"""

from collections.abc import Iterable
from functools import lru_cache

import numpy as np
from numpy.polynomial.chebyshev import chebpts1, chebvander
from numpy.typing import NDArray
from pyproj import Proj

from roadlog.quantities.arrays import Floats
from roadlog.quantities.columns import Table
from roadlog.quantities.signals import signal

Origin = tuple[float, float]

_SERIES_REACH_DEG = 0.5  # in latitude and longitude, from the origin
_SERIES_UP_TO_DEG = 75.0  # of latitude: nearer to a pole the projection bends too much for a series
_SERIES_DEGREE = 8


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
    north = lat_deg - origin[0]
    east = (lon_deg - origin[1] + 180) % 360 - 180
    ok = np.isfinite(north) & np.isfinite(east)
    x, y = np.full((2, len(ok)), np.nan)
    if not ok.any():
        return x, y
    if not ok.all():
        north, east = north[ok], east[ok]
    reach = max(north.max(), -north.min(), east.max(), -east.min())
    if reach > _SERIES_REACH_DEG or abs(origin[0]) + reach > _SERIES_UP_TO_DEG:
        x[ok], y[ok] = _plane(origin)(lon_deg[ok], lat_deg[ok])
    else:
        x[ok], y[ok] = _by_series(north, east, origin)
    return x, y


def _by_series(north: Floats, east: Floats, origin: Origin) -> tuple[Floats, Floats]:
    """The same near the origin, at a tenth of the cost: by Chebyshev's polynomials in both angles.

    They are fitted to the projection itself and differ from it by less than 10⁻⁷ m.
    """
    u, v = north / _SERIES_REACH_DEG, east / _SERIES_REACH_DEG
    of_north, of_east = chebvander(u, _SERIES_DEGREE), chebvander(v, _SERIES_DEGREE)
    x, y = ((of_north @ c * of_east).sum(axis=1) for c in _series(origin))
    return x, y


@lru_cache(maxsize=4)
def _series(origin: Origin) -> tuple[Floats, Floats]:
    """Coefficients of easting and northing, degrees of latitude by those of longitude."""
    nodes = chebpts1(_SERIES_DEGREE + 1)
    lat, lon = np.meshgrid(nodes * _SERIES_REACH_DEG, nodes * _SERIES_REACH_DEG, indexing="ij")
    plane = _plane(origin)(origin[1] + lon.ravel(), origin[0] + lat.ravel())
    back = np.linalg.inv(chebvander(nodes, _SERIES_DEGREE))
    x, y = (back @ np.asarray(c, float).reshape(lat.shape) @ back.T for c in plane)
    return x, y


def to_geographic(x_m: Floats, y_m: Floats, origin: Origin) -> tuple[Floats, Floats]:
    """Latitude and longitude [°] of local eastings and northings [m]."""
    lon, lat = _plane(origin)(np.asarray(x_m, float), np.asarray(y_m, float), inverse=True)
    return np.asarray(lat, float), np.asarray(lon, float)


@lru_cache(maxsize=4)
def _plane(origin: Origin) -> Proj:
    return Proj(proj="aeqd", lat_0=origin[0], lon_0=origin[1], ellps="WGS84")
