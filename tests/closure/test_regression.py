import numpy as np
import pytest

from roadlog.closure.regression import fit_arms, ratio_interval, tank_covariance

MIX = np.array([[20.0, 5.0], [6.0, 22.0], [14.0, 12.0], [25.0, 3.0], [4.0, 20.0], [12.0, 15.0]])


def fit(measured, mix=MIX, sd=0.4):
    n = len(measured)
    adjoining = np.ones(n - 1, bool)
    return fit_arms(measured, mix, tank_covariance(measured, adjoining, sd, np.full(n, 0.003)))


def test_exact_fuel_gives_the_exact_ratio():
    found = fit(MIX @ np.array([1.02, 1.0608]))
    assert ratio_interval(found, "").estimate == pytest.approx(4.0)


def test_level_errors_of_adjoining_tanks_cancel_in_their_sum():
    covariance = tank_covariance(np.full(5, 40.0), np.ones(4, bool), 0.5, np.zeros(5))
    assert covariance.sum() == pytest.approx(2 * 0.5**2)


def test_a_tank_left_out_between_breaks_the_tie():
    covariance = tank_covariance(np.full(3, 40.0), np.array([True, False]), 0.5, np.zeros(3))
    assert covariance[0, 1] == pytest.approx(-0.25)
    assert covariance[1, 2] == 0


def test_same_mix_in_every_tank_tells_nothing_of_the_arms():
    assert fit(np.full(4, 30.0), np.full((4, 2), 15.0)) is None


def test_nearly_the_same_mix_has_no_bounds():
    mix = np.array([[15.0, 15.1], [15.1, 15.0], [15.0, 15.0], [15.2, 15.0]])
    found = ratio_interval(fit(mix.sum(axis=1), mix, sd=0.5), "")
    assert found.low is None or found.high - found.low > 50


@pytest.mark.parametrize("stated_sd", [0.2, 0.4])
def test_interval_of_the_ratio_covers_the_truth(stated_sd):
    """True level errors of 0.4 L, stated rightly or at half: coverage of 2,000 replicates."""
    rng = np.random.default_rng(11)
    truth = MIX @ np.array([1.0, 1.03])
    hits = 0
    for _ in range(2000):
        level = 0.4 * rng.standard_normal(len(MIX) + 1)
        i = ratio_interval(fit(truth + np.diff(level), sd=stated_sd), "")
        hits += i.low is None or i.low <= 3.0 <= i.high
    assert hits / 2000 >= 0.94
