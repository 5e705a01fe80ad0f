"""Places on the earth: whether two numbers can be one, and how far it is from there to a road.

Latitudes and longitudes go in; a fault in words or distances come out. The study file, its
weather and the comparison of the two need both (method section 4).
"""

import numpy as np

from roadlog.quantities.arrays import Floats


def place_fault(lat_deg: float, lon_deg: float) -> str | None:
    """What is wrong with a latitude and longitude [°]; None if they can be a place.

    >>> place_fault(52.5, 13.4) is None
    True
    >>> place_fault(151.2, -33.9)
    'latitude 151.2 is beyond 90: latitude and longitude are exchanged'
    """
    if abs(lat_deg) <= 90 and abs(lon_deg) <= 180:
        return None
    if abs(lat_deg) > 90:
        exchanged = abs(lat_deg) <= 180 and abs(lon_deg) <= 90
        end = ": latitude and longitude are exchanged" if exchanged else ""
        return f"latitude {lat_deg:g} is beyond 90{end}"
    return f"longitude {lon_deg:g} is beyond 180"


def distances_km(place: tuple[float, float], lat_deg: Floats, lon_deg: Floats) -> Floats:
    """Distances [km] along the ellipsoid WGS 84 from a place to positions (n,) [°].

    References
    ----------
    C. F. F. Karney, Algorithms for geodesics, J. Geodesy 87 (2013) 43-55, as in `pyproj.Geod`.

    >>> distances_km((50.0, 8.0), np.array([51.0]), np.array([8.0])).round(1)
    array([111.2])
    """
    from pyproj import Geod

    lat, lon = np.full(len(lat_deg), place[0]), np.full(len(lat_deg), place[1])
    _, _, metres = Geod(ellps="WGS84").inv(lon, lat, lon_deg, lat_deg)
    return np.asarray(metres, float) / 1000
