import numpy as np
import pytest
from scipy.signal import savgol_filter

from roadlog.road import find_network
from roadlog.road.elevation import BIN_M, STEEPEST, fuse, smooth
from tests.road.synthetic import _drift, drives, elevation

LENGTH_M = 16_000.0
PLACES = int(LENGTH_M / BIN_M)


def hills(s: np.ndarray) -> np.ndarray:
    return 20 * np.sin(s / 600) + 8 * np.sin(s / 350 + 1)


def grade_error_pct(passes: int, seed: int) -> float:
    rng = np.random.default_rng(seed)
    place, drive, altitude = [], [], []
    for r in range(passes):
        d = 14 * np.arange(0, LENGTH_M / 14)
        z = hills(d) + rng.uniform(-6, 6) + 3 * _drift(len(d), 120.0, rng)
        place.append((d / BIN_M).astype(int))
        drive.append(np.full(len(d), r))
        altitude.append(z + rng.normal(0, 2, len(d)))
    profile, drives_at = fuse(*(np.concatenate(c) for c in (place, drive, altitude)), PLACES)
    assert (drives_at == passes).all()
    _, grade = smooth(profile)
    s = (np.arange(PLACES) + 0.5) * BIN_M
    return float(100 * np.sqrt(np.mean((grade - np.gradient(hills(s), s)) ** 2)))


def test_eight_drifting_receivers_give_grade_to_four_tenths_of_a_percent() -> None:
    assert np.mean([grade_error_pct(8, seed) for seed in range(6)]) <= 0.4


def test_grade_improves_with_the_number_of_passes() -> None:
    one, four, sixteen = (np.mean([grade_error_pct(n, s) for s in range(4)]) for n in (1, 4, 16))
    assert one > four > sixteen
    assert sixteen < 0.3


def test_a_receiver_fifty_metres_too_high_on_half_the_road_makes_no_step() -> None:
    place = np.tile(np.arange(200), 5)
    drive = np.repeat(np.arange(5), 200)
    altitude = 100 + 0.02 * BIN_M * place.astype(float)
    altitude[drive == 4] += 50
    altitude[(drive == 4) & (place < 100)] = np.nan
    profile, seen = fuse(place, drive, altitude, 200)
    np.testing.assert_allclose(np.diff(profile), 0.4, atol=0.01)
    assert seen[50] == 4
    assert seen[150] == 5


def test_one_wild_receiver_is_held_down() -> None:
    rng = np.random.default_rng(1)
    place, drive = np.tile(np.arange(100), 9), np.repeat(np.arange(9), 100)
    altitude = rng.normal(0, 1, 900)
    altitude[(drive == 0) & (place > 40) & (place < 60)] += 200
    profile, _ = fuse(place, drive, altitude, 100)
    assert np.abs(profile - np.median(profile)).max() < 2.5


def test_road_without_altitude_is_flat_and_says_so() -> None:
    profile, seen = fuse(np.arange(5), np.zeros(5, int), np.full(5, np.nan), 5)
    assert np.isnan(profile).all()
    assert not seen.any()
    assert (smooth(profile)[1] == 0).all()


def test_network_climbs_like_the_country_it_was_driven_in() -> None:
    plan = [("out", arm) for _ in range(5) for arm in ("baseline", "fitted")]
    made = drives(plan, seed=2)
    network = find_network(made.tracks, made.arms, segment_length_km=1.0, min_runs_per_arm=2)
    middle = made.truth[0][:, :2].mean(0)
    assert np.isfinite(middle).all()
    for s in network.segments[1:-1]:
        from roadlog.road.projection import to_local

        x, y = to_local(s.lat_deg, s.lon_deg, (50.0, 8.0))
        true = np.gradient(elevation(x, y), s.s_m)
        assert 100 * np.sqrt(np.mean((s.grade - true) ** 2)) < 0.8
        assert s.elevation_m.mean() == pytest.approx(elevation(x, y).mean(), abs=4)


@pytest.mark.parametrize("places", [4, 5, 6, 9, 28, 29, 30, 57, 800])
def test_profile_is_scipys_savitzky_golay(places: int) -> None:
    """Outside check: scipy.signal.savgol_filter, at lengths around the window's.

    Equal to the last bit with scipy 1.17; 1.18 adds its terms up in another order.
    """
    z = np.random.default_rng(places).normal(200, 30, places).cumsum() / 10
    width = min(29, places - 1 + places % 2)
    order = min(3, width - 2)
    smoothed, grade = smooth(z, BIN_M)
    assert smoothed == pytest.approx(savgol_filter(z, width, order), rel=1e-12)
    slope = savgol_filter(z, width, order, deriv=1, delta=BIN_M)
    assert grade == pytest.approx(np.clip(slope, -STEEPEST, STEEPEST), rel=1e-9, abs=1e-13)
