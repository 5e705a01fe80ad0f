"""Power and sample size against statsmodels' t-test power and against simulation.

Outside check: statsmodels.stats.power (TTestIndPower for days in two arms, TTestPower for pairs).
"""

import numpy as np
import pytest
from statsmodels.stats.power import TTestIndPower, TTestPower

from roadlog.effect.power import (
    coefficient_se,
    containment_df,
    needed_units,
    smallest_detectable,
    smallest_detectable_pct,
    t_power,
)
from roadlog.errors import DesignError

SCATTER = {"unit_sd": 0.02, "run_sd": 0.01, "pass_sd": 0.06}
LAYOUT = {"runs_per_unit": 2, "passes_per_run": 10}


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


@pytest.mark.parametrize(("units", "block", "df"), [(12, None, 10), (12, 2, 5), (13, 2, 5)])
def test_planned_degrees_of_freedom(units: int, block: int | None, df: int) -> None:
    assert containment_df(units, block) == df


def test_smaller_claims_and_wilder_days_need_more_days() -> None:
    by_target = [needed_units(t, **SCATTER, **LAYOUT) for t in (12, 6, 3, 2)]
    assert by_target == sorted(by_target)
    assert by_target[0] < by_target[-1]
    by_scatter = [
        needed_units(4, **SCATTER | {"unit_sd": sd}, **LAYOUT) for sd in (0, 0.01, 0.03, 0.05)
    ]
    assert by_scatter == sorted(by_scatter)
    assert by_scatter[0] < by_scatter[-1]


def test_days_found_needed_are_enough_and_two_fewer_are_not() -> None:
    n = needed_units(4, **SCATTER, **LAYOUT)
    target = -np.log1p(-0.04)
    powers = [
        t_power(target, coefficient_se(k, **SCATTER, **LAYOUT), containment_df(k, 2))
        for k in (n - 2, n)
    ]
    assert powers[0] < 0.8 <= powers[1]


def test_hopeless_target_is_refused() -> None:
    with pytest.raises(DesignError, match="can't be found with 400 switch units"):
        needed_units(0.01, **SCATTER, **LAYOUT)
