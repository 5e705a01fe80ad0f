"""Signs of latitude and longitude that one log lost, and places that lie far apart for real."""

import numpy as np
import pandas as pd
import pytest

from roadlog.road import elsewhere


def track(lat: float, lon: float) -> pd.DataFrame:
    way = np.linspace(0, 0.1, 50)
    return pd.DataFrame({"t_s": np.arange(50.0), "lat_deg": lat + way, "lon_deg": lon + way})


@pytest.mark.parametrize(
    ("lat", "lon", "why"),
    [
        (43.3, 5.9, "the sign of the longitude is lost"),
        (-43.4, -6.0, "the sign of the latitude is lost"),
        (-43.4, 5.9, "both signs are lost"),
        (-6.0, 43.3, "latitude and longitude are exchanged"),
    ],
)
def test_a_turned_log_is_named(lat: float, lon: float, why: str) -> None:
    tracks = {0: track(43.3, -6.0), 1: track(43.35, -5.9), 2: track(lat, lon)}
    found = elsewhere(tracks)
    assert found is not None
    assert (found.run, found.other, found.why) == (2, 0, why)
    assert found.apart_km > 900


def test_a_drive_in_another_country_is_no_lost_sign() -> None:
    assert elsewhere({0: track(43.3, -6.0), 1: track(48.1, 11.5), 2: track(52.0, -1.0)}) is None
    assert elsewhere({0: pd.DataFrame({"t_s": [0.0, 1.0]}), 1: track(0.1, 9.0)}) is None


def test_roads_on_both_sides_of_the_meridian_are_one_area() -> None:
    assert elsewhere({0: track(51.5, 0.1), 1: track(51.5, -0.2), 2: track(51.5, 180.0)}) is None
