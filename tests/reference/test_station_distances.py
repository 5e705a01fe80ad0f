"""Great-circle distances against published ones."""

import numpy as np
import pytest

from roadlog.physics.geodesic import distances_km


def test_new_york_to_london():
    """40.6 N 73.8 W to 51.6 N 0.5 W is 5,551.759 km on WGS 84: example on the manual page of
    GeodSolve (C. F. F. Karney, GeographicLib; from memory)."""
    got = distances_km((40.6, -73.8), np.array([51.6]), np.array([-0.5]))
    assert got[0] == pytest.approx(5551.759, abs=0.001)


def test_a_degree_of_latitude_at_the_equator_and_the_pole():
    """110.574 km at 0 to 1 degree and 111.694 km at 89 to 90 degrees (WGS 84; tables of degree
    lengths as geodesy texts print them, from memory)."""
    assert distances_km((0.0, 8.0), np.array([1.0]), np.array([8.0]))[0] == pytest.approx(
        110.574, abs=0.001
    )
    assert distances_km((89.0, 8.0), np.array([90.0]), np.array([8.0]))[0] == pytest.approx(
        111.694, abs=0.001
    )
