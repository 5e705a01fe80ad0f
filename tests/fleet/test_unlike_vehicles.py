"""The mean of unlike vehicles: Bell and McCaffrey's error written out with whole matrices."""

import numpy as np
import pytest

from roadlog.stats.between import Between, fiducial, fit_between, without_each


def unlike(seed: int = 1, n: int = 9) -> Between:
    rng = np.random.default_rng(seed)
    noise = rng.uniform(0.1, 2.0, n)
    values = 0.4 * rng.normal(size=n) + np.sqrt(noise) * rng.normal(size=n)
    return fit_between(values, noise, 30.0, 30.0)


def test_error_and_degrees_of_freedom_are_the_whole_matrices() -> None:
    fit = unlike()
    n, variance = len(fit.values), fit.gamma + fit.noise
    leave = np.eye(n) - fit.weights
    residual, covariance = leave @ fit.values, leave @ np.diag(variance) @ leave.T
    by_unit = np.diag(fit.weights**2 / (1 - fit.weights))
    se, df = fit.robust
    assert se**2 == pytest.approx(residual @ by_unit @ residual)
    both = by_unit @ covariance
    assert np.trace(both) == pytest.approx(fit.weights**2 @ variance)  # unbiased under the model
    assert df == pytest.approx(np.trace(both) ** 2 / np.trace(both @ both))
    assert df < n - 1


def test_alike_vehicles_give_the_t_interval() -> None:
    fit = fit_between(np.array([1.0, 3.0, 2.0, 7.0]), np.full(4, 0.5), 8.0, 8.0)
    assert fit.robust == pytest.approx((fit.se, 3.0))


def test_each_left_out_is_the_fit_without_it_at_the_same_spread() -> None:
    fit = unlike(2)
    means, errors = without_each(fit)
    for i in range(len(fit.values)):
        keep = np.arange(len(fit.values)) != i
        weights = 1 / (fit.gamma + fit.noise[keep])
        weights = weights / weights.sum()
        mean = weights @ fit.values[keep]
        square = weights**2 / (1 - weights) @ (fit.values[keep] - mean) ** 2
        assert (means[i], errors[i] ** 2) == pytest.approx((mean, square))


def test_room_for_tails_widens_the_next_ones_range_and_leaves_four_vehicles_alone() -> None:
    fit, few = unlike(3), unlike(4, n=4)
    narrow, wide = fiducial(fit, kurtosis=0.0).next_one(), fit.draws.next_one()
    assert wide[0] < narrow[0] < narrow[1] < wide[1]
    assert few.draws.next_one() == fiducial(few, kurtosis=0.0).next_one()


def test_many_vehicles_that_show_heavy_tails_leave_the_spread_more_open() -> None:
    """The same variance with two vehicles far out; below twenty vehicles their kurtosis says
    nothing. Kurtosis by hand from the definition of Joanes and Gill."""
    n = 40
    even = np.where(np.arange(n) % 2 == 0, 1.0, -1.0)
    far = np.concatenate([[6.0, -6.0], 0.3 * even[2:]])
    far *= even.std() / far.std()
    calm, tailed = (fit_between(v, np.full(n, 0.01), 10.0, 100.0) for v in (even, far))
    m2, m4 = np.mean(far**2), np.mean(far**4)
    k4 = n**2 * ((n + 1) * m4 - 3 * (n - 1) * m2**2) / ((n - 1) * (n - 2) * (n - 3))
    assert tailed.kurtosis == pytest.approx(k4 / (n / (n - 1) * m2) ** 2)
    assert calm.kurtosis == 1.2
    narrow, wide = calm.draws.spread(), tailed.draws.spread()
    assert wide[0] < narrow[0] < narrow[1] < wide[1]
    assert fit_between(far[:19], np.full(19, 0.01), 10.0, 100.0).kurtosis == 1.2
