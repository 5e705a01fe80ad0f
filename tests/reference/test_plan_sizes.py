"""Power and sizes of a test against R's power.t.test, statsmodels and a published table.

Sources: R 4's `stats::power.t.test` (script `r/sizes.R`, its output below);
`statsmodels.stats.power.TTestPower`; the table of sample sizes for Cohen's d of the MRC Cognition
and Brain Sciences Unit's statistics wiki (FAQ "dunp", two-tailed, 80 % power), which repeats
Cohen J. (1988), Statistical Power Analysis for the Behavioral Sciences.
"""

import math

import pytest

from roadlog.plan.promise import Order, Scatter, simulate, typical_order
from roadlog.stats.power import t_power

# d: switch units an arm without blocks, blocks of two (sizes.R)
R_SIZES = {0.5: (64, 34), 0.8: (26, 15), 1.0: (17, 10), 1.2: (12, 8)}
R_PAIRED_POWER = {4: 0.2887524164, 6: 0.50684198, 8: 0.6808339582, 12: 0.8828916377}
# Without the table's rows 0.2 and 0.3, which round n = 393.4 and 175.4 down, and its
# rows from 1.2 on, which differ from R's exact power by one.
MRC_TABLE = {0.4: 100, 0.5: 64, 0.6: 45, 0.7: 34, 0.8: 26, 0.9: 21, 1.0: 17, 1.1: 15}
STUDIES = 20_000
LOG_SAVING = -math.log1p(-5.0 / 100)


def least(enough) -> int:
    return next(n for n in range(2, 500) if enough(n))


@pytest.mark.parametrize(("d", "an_arm"), MRC_TABLE.items())
def test_unblocked_days_equal_the_published_table(d, an_arm):
    assert least(lambda n: t_power(d, math.sqrt(2 / n), 2 * n - 2) >= 0.8) == an_arm


@pytest.mark.parametrize("d", R_SIZES)
def test_blocked_and_unblocked_days_equal_r(d):
    an_arm, pairs = R_SIZES[d]
    assert least(lambda n: t_power(d, math.sqrt(2 / n), 2 * n - 2) >= 0.8) == an_arm
    assert least(lambda n: t_power(d, math.sqrt(1 / n), n - 1) >= 0.8) == pairs


@pytest.mark.parametrize(("pairs", "power"), R_PAIRED_POWER.items())
def test_chance_of_a_plan_in_pairs_equals_r(pairs, power):
    """Without margin, floor or gate; R's two-sided power holds under 0.1 point of wrong side."""
    order = typical_order(2 * pairs, 2)
    order = Order(order.arm, order.fixed, None)
    # A pair's difference has sqrt(2) times a unit's standard deviation: d = 1.
    scatter = Scatter(
        LOG_SAVING / math.sqrt(2), "made up", driving_sd=0.0, pass_sd=0.0, air_sd_k=0.0
    )
    refuted = simulate(order, scatter, studies=STUDIES).refuted(-LOG_SAVING)
    error = math.sqrt(power * (1 - power) / STUDIES)
    assert refuted == pytest.approx(power, abs=4 * error + 0.001)
