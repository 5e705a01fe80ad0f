"""Local plane against geodesics on the WGS 84 ellipsoid.

Sources: pyproj.Geod (PROJ) and geographiclib, the reference implementation of C. F. F. Karney,
Algorithms for geodesics, J. Geodesy 87 (2013) 43-55.
"""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import Geod

from roadlog.road.projection import to_local


@pytest.mark.parametrize("latitude", [-34.0, 0.5, 47.6, 69.0])
def test_local_distances_within_thirty_kilometres_hold_to_a_thousandth(latitude: float) -> None:
    rng = np.random.default_rng(5)
    geod, karney = Geod(ellps="WGS84"), Geodesic.WGS84
    azimuth, reach = rng.uniform(0, 360, 40), rng.uniform(500, 30_000, 40)
    lon, lat, _ = geod.fwd(np.full(40, 20.0), np.full(40, latitude), azimuth, reach)
    x, y = to_local(np.asarray(lat), np.asarray(lon), (latitude, 20.0))
    for i, j in zip(range(0, 40, 2), range(1, 40, 2), strict=True):
        here = float(np.hypot(x[i] - x[j], y[i] - y[j]))
        assert here == pytest.approx(geod.inv(lon[i], lat[i], lon[j], lat[j])[2], rel=1e-3)
        assert here == pytest.approx(
            karney.Inverse(lat[i], lon[i], lat[j], lon[j])["s12"], rel=1e-3
        )


def test_the_published_error_of_the_plane_is_a_hundred_thousandth() -> None:
    """What the module's docstring says: 1 part in 10⁵ over 30 km about the centre."""
    karney = Geodesic.WGS84
    lat, lon = np.array([47.6, 47.7]), np.array([20.8, 21.1])
    x, y = to_local(lat, lon, (47.65, 20.95))
    true = karney.Inverse(lat[0], lon[0], lat[1], lon[1])["s12"]
    assert float(np.hypot(x[1] - x[0], y[1] - y[0])) == pytest.approx(true, rel=1e-5)
