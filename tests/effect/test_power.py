"""Power of the t test against statsmodels.

Outside check: statsmodels.stats.power (TTestIndPower for days in two arms, TTestPower for pairs).
"""

import numpy as np
import pytest
from statsmodels.stats.power import TTestIndPower, TTestPower

from roadlog.stats.power import (
    smallest_detectable,
    smallest_detectable_pct,
    t_power,
)


@pytest.mark.parametrize("n", [3, 6, 20])
@pytest.mark.parametrize("d", [0.2, 1.0, 2.5])
def test_power_of_days_in_two_arms_equals_statsmodels(n: int, d: float) -> None:
    """TTestIndPower: n days an arm, effect d in standard deviations of a day mean."""
    expected = TTestIndPower().power(effect_size=d, nobs1=n, alpha=0.05, ratio=1)
    assert t_power(d, np.sqrt(2 / n), 2 * n - 2) == pytest.approx(expected, abs=1e-6)
    assert t_power(-d, np.sqrt(2 / n), 2 * n - 2) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("pairs", [4, 10])
def test_power_of_pairs_equals_statsmodels(pairs: int) -> None:
    """TTestPower: one-sample t test of the pairs' differences."""
    expected = TTestPower().power(effect_size=1.1, nobs=pairs, alpha=0.05)
    assert t_power(1.1, np.sqrt(1 / pairs), pairs - 1) == pytest.approx(expected, abs=1e-6)


def test_smallest_detectable_effect_equals_statsmodels() -> None:
    expected = TTestIndPower().solve_power(nobs1=6, alpha=0.05, power=0.8)
    assert smallest_detectable(np.sqrt(2 / 6), 10) == pytest.approx(expected, rel=1e-5)


def test_power_without_effect_is_the_level_and_far_out_is_one() -> None:
    assert t_power(0.0, 1.0, 8) == pytest.approx(0.05)
    assert t_power(500.0, 1.0, 8) == pytest.approx(1.0)


def test_smallest_saving_is_in_percent_of_fuel() -> None:
    log_change = smallest_detectable(0.02, 10)
    assert smallest_detectable_pct(0.02, 10) == pytest.approx(100 * (1 - np.exp(-log_change)))
    assert np.isnan(smallest_detectable(0.02, 0))
