import numpy as np
import pytest

from roadlog.road.trace import altitudes
from roadlog.road.tunnels import course
from tests.road import towns
from tests.road.synthetic import drives, elevation

EAST = np.array([1.0, 0.0])


def test_straight_tunnel_is_straight() -> None:
    x, y = course(np.zeros(2), EAST, np.array([600.0, 0.0]), EAST, 601.0)
    assert np.abs(y).max() < 1
    assert x[-1] == pytest.approx(600)


@pytest.mark.parametrize("turn_deg", [30, 60, 90])
@pytest.mark.parametrize("radius_m", [30, 150])
def test_bend_in_a_tunnel_is_found_from_the_distance_driven(turn_deg, radius_m) -> None:
    turn = np.radians(turn_deg)
    out = np.array([np.cos(turn), np.sin(turn)])
    tangent = radius_m * np.tan(turn / 2)
    end = 300 * EAST + 300 * out
    length = 600 - 2 * tangent + radius_m * turn
    x, y = course(np.zeros(2), EAST, end, out, length)
    inward = np.array([-np.sin(turn / 2), np.cos(turn / 2)])
    middle = 300 * EAST + radius_m * (1 / np.cos(turn / 2) - 1) * inward
    assert np.hypot(x - middle[0], y - middle[1]).min() < 12
    assert np.hypot(np.diff(x), np.diff(y)).sum() == pytest.approx(length, rel=0.012)


def test_reverse_bend_takes_the_length_that_was_driven() -> None:
    x, y = course(np.zeros(2), EAST, np.array([400.0, 200.0]), EAST, 480.0)
    assert np.hypot(np.diff(x), np.diff(y)).sum() == pytest.approx(480, rel=0.01)


def test_drives_through_a_bent_tunnel_stay_on_their_segments() -> None:
    bend = next(s for s in towns.SETTINGS if s.tunnel == "bend")
    got = towns.placed(towns.driven(bend, 71))
    assert got.right >= 0.98
    assert got.wrong <= 0.005


@pytest.mark.parametrize("seed", [72, 73])
def test_towns_never_seen_before_are_told_apart(seed: int) -> None:
    got = towns.placed(towns.driven(towns.SETTINGS[0], seed))
    assert got.right >= 0.98
    assert got.wrong <= 0.005


def test_fine_barometer_is_taken_for_heights_and_a_coarse_one_is_not() -> None:
    made = drives([("out", "baseline")], seed=74, altitude_white_m=8.0)
    true = elevation(*made.truth[0][:, :2].T)
    kpa = 101.325 * (1 - 0.0065 * true / 288.15) ** 5.25588
    fine = altitudes(made.tracks[0].assign(baro_kpa=np.round(kpa + 0.4, 3)))
    fixes = made.tracks[0]["altitude_m"].to_numpy()
    assert np.std(fine - true) < 0.3
    coarse = altitudes(made.tracks[0].assign(baro_kpa=np.round(kpa)))
    np.testing.assert_array_equal(coarse, fixes)
