"""Sizes of a test against R's power.t.test, statsmodels and a published table.

Sources: R 4's `stats::power.t.test` (script `r/sizes.R`, its output below);
`statsmodels.stats.power.TTestPower`; the table of sample sizes for Cohen's d of the MRC Cognition
and Brain Sciences Unit's statistics wiki (FAQ "dunp", two-tailed, 80 % power), which repeats
Cohen J. (1988), Statistical Power Analysis for the Behavioral Sciences.
"""

import math

import pytest

from roadlog.plan.size import Layout, Scatter, needed_units, size
from roadlog.study import Claim

# d: switch units an arm without blocks, blocks of two (sizes.R)
R_SIZES = {0.5: (64, 34), 0.8: (26, 15), 1.0: (17, 10), 1.2: (12, 8)}
R_PAIRED_POWER = {4: 0.2887524164, 6: 0.50684198, 8: 0.6808339582, 12: 0.8828916377}
# Without the table's rows 0.2 and 0.3, which round n = 393.4 and 175.4 down, and its
# rows from 1.2 on, which differ from R's exact power by one.
MRC_TABLE = {0.4: 100, 0.5: 64, 0.6: 45, 0.7: 34, 0.8: 26, 0.9: 21, 1.0: 17, 1.1: 15}
SAVING = 5.0
LOG_SAVING = -math.log1p(-SAVING / 100)


def needed(unit_sd: float, block_size: int | None) -> int:
    from roadlog.effect.power import needed_units as plain

    return plain(
        SAVING, unit_sd=unit_sd, run_sd=0, pass_sd=0, runs_per_unit=1, passes_per_run=1,
        block_size=block_size, most=1000,
    )  # fmt: skip


@pytest.mark.parametrize(("d", "an_arm"), MRC_TABLE.items())
def test_unblocked_days_equal_the_published_table(d, an_arm):
    assert needed(LOG_SAVING / d, None) == 2 * an_arm


@pytest.mark.parametrize("d", R_SIZES)
def test_blocked_and_unblocked_days_equal_r(d):
    an_arm, pairs = R_SIZES[d]
    assert needed(LOG_SAVING / d, None) == 2 * an_arm
    # A pair's difference has sqrt(2) times a unit's standard deviation.
    assert needed(LOG_SAVING / d / math.sqrt(2), 2) == 2 * pairs


@pytest.mark.parametrize(("pairs", "power"), R_PAIRED_POWER.items())
def test_chance_of_a_plan_in_pairs_equals_r_and_statsmodels(pairs, power):
    """Up to eleven units no covariate between units is allowed for, so the t test is the same."""
    from statsmodels.stats.power import TTestPower

    from roadlog.effect.power import containment_df, covariate_budget

    units = 2 * pairs
    base = containment_df(units, 2)
    scatter = Scatter(LOG_SAVING / math.sqrt(2), 0.0, 0.0, "made up")
    planned = size(units, scatter, Layout(1, 1, 2), Claim(fuel_pct=SAVING))
    if covariate_budget(units, base) == 0:
        assert planned.chance == pytest.approx(power, abs=1e-6)
        theirs = TTestPower().power(effect_size=1.0, nobs=pairs, alpha=0.05)
        assert planned.chance == pytest.approx(theirs, abs=1e-6)
    else:
        assert planned.df == pairs - 1 - covariate_budget(units, base)
        assert planned.chance < power


def test_needed_units_of_a_plan_are_never_fewer_than_rs():
    """The plan takes covariates off the degrees of freedom, R's t test has none."""
    for d, (_, pairs) in R_SIZES.items():
        scatter = Scatter(LOG_SAVING / d / math.sqrt(2), 0.0, 0.0, "made up")
        units = needed_units(scatter, Layout(1, 1, 2), Claim(fuel_pct=SAVING))
        assert 2 * pairs <= units <= 2 * pairs + 6
