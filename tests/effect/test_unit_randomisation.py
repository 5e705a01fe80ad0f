"""The randomisation over switch units: p, one-sided p and interval of one contrast.

Outside checks: scipy.stats.permutation_test, and least squares fitted anew for each order.
"""

import numpy as np
import pytest
from scipy import stats

from roadlog.errors import DesignError
from roadlog.stats.randomise import Assignments, assignments
from roadlog.stats.unit_contrast import block_columns
from roadlog.stats.unit_randomisation import orders_of, randomise_units

PAIRS = [str(i // 2) for i in range(12)]
TURNS = np.array([0, 1] * 6)


def rng(seed: int = 0) -> np.random.Generator:
    return np.random.default_rng(seed)


def squared_t(z: np.ndarray, arm: np.ndarray, fixed: np.ndarray, w: np.ndarray) -> float:
    """The arm's squared t by weighted least squares, the long way."""
    x = np.column_stack([fixed, arm]) * np.sqrt(w)[:, None]
    y = z * np.sqrt(w)
    b, *_ = np.linalg.lstsq(x, y, rcond=None)
    left = y - x @ b
    variance = left @ left / (len(y) - np.linalg.matrix_rank(x))
    return float(b[-1] ** 2 / (variance * np.linalg.pinv(x.T @ x)[-1, -1]))


def test_p_is_that_of_scipys_permutation_test_on_both_sides():
    z = rng(3).normal(0, 0.02, 9)
    arm = np.array([0, 1, 0, 1, 1, 0, 0, 1, 0])
    found = randomise_units(z, arm, None, assignments(arm, None, rng()))
    assert found.orders == 126

    def difference(fitted, baseline):
        return np.mean(fitted) - np.mean(baseline)

    for side, p in (("greater", found.p_at_most(0.0)), ("less", found.p_at_least(0.0))):
        outside = stats.permutation_test(
            (z[arm == 1], z[arm == 0]), difference, n_resamples=np.inf, alternative=side
        )
        assert p == pytest.approx(outside.pvalue, abs=1e-12)


def test_weighted_p_is_the_rank_of_the_squared_t_fitted_anew_for_each_order():
    g = rng(5)
    z, w = g.normal(0, 0.02, 12) + 0.03 * TURNS, g.uniform(0.2, 1.0, 12)
    fixed, drawn = block_columns(12, PAIRS), assignments(TURNS, PAIRS, rng())
    found = randomise_units(z, TURNS, fixed, drawn, weights=w)
    for effect in (0.0, 0.02, -0.01, 0.05):
        null = z - effect * TURNS
        t2 = np.array([squared_t(null, a.astype(float), fixed, w) for a in drawn.arms])
        assert found.p_of(effect) == pytest.approx(np.mean(t2 >= t2[0] * (1 - 1e-9)))
    x = np.column_stack([fixed, TURNS]) * np.sqrt(w)[:, None]
    by_hand = np.linalg.lstsq(x, z * np.sqrt(w), rcond=None)[0][-1]
    assert found.estimate == pytest.approx(by_hand, rel=1e-9)


@pytest.mark.parametrize("weighted", [False, True])
def test_bounds_are_where_p_falls_to_five_percent(weighted):
    for seed in range(20):
        g = rng(seed)
        w = g.uniform(0.1, 1, 12) if weighted else None
        z = g.standard_t(3, 12) * 0.01
        drawn = assignments(TURNS, PAIRS, g)
        found = randomise_units(z, TURNS, block_columns(12, PAIRS), drawn, weights=w)
        width = found.high - found.low
        for edge, out in ((found.low, -1), (found.high, 1)):
            assert found.p_of(edge - out * 1e-6 * width) > 0.05
            assert found.p_of(edge + out * 1e-6 * width) <= 0.05


def test_one_sided_p_follows_the_device():
    z = rng(1).normal(0, 0.003, 12) - 0.10 * TURNS
    drawn = assignments(TURNS, PAIRS, rng())
    found = randomise_units(z, TURNS, block_columns(12, PAIRS), drawn)
    assert found.p_at_least(-0.06) == found.p_at_most(-0.14) == 1 / 64
    assert found.p_at_most(-0.06) > 0.9
    assert found.p_at_least(-0.14) > 0.9


def test_p_is_uniform_and_the_interval_covers_with_unequal_weights():
    g, drawn = rng(2), assignments(TURNS, PAIRS, rng())
    w = g.uniform(0.3, 1, 12)
    small = above = hits = 0
    for _ in range(400):
        z = 0.02 * g.standard_normal(12) / np.sqrt(w)
        found = randomise_units(z + 0.05 * TURNS, TURNS, block_columns(12, PAIRS), drawn, weights=w)
        small += found.p_of(0.05) <= 0.05
        above += found.p_at_most(0.05) <= 0.05
        hits += found.low <= 0.05 <= found.high
    # exact sizes with 64 orders: 2/64 two-sided (each order with its mirror image), 3/64 one-sided
    assert small / 400 == pytest.approx(2 / 64, abs=0.03)
    assert above / 400 == pytest.approx(3 / 64, abs=0.035)
    assert hits == 400 - small


def test_too_few_orders_have_a_p_and_no_bounds():
    z, arm = [0.0, 0.1, 0.12, 0.01, 0.02, 0.1], [0, 1, 1, 0, 0, 1]
    found = randomise_units(z, arm, None, assignments(arm, None, rng()))
    assert (found.orders, found.low, found.high) == (20, None, None)
    assert found.p_at_most(0.0) == 1 / 20
    assert "40 or more" in found.note


def test_pairs_that_lost_a_day_give_no_boundless_interval():
    """Four pairs of six are whole: 2**4 orders differ, each eight times over and mirrored."""
    whole = [str(i // 2) for i in range(12)]
    drawn = assignments(TURNS, whole, rng())
    keep = np.array([0, 1, 2, 4, 5, 7, 8, 9, 10, 11])
    less = Assignments(drawn.arms[:, keep], drawn.total, drawn.exact)
    blocks = [whole[i] for i in keep]
    z = rng(4).normal(0, 0.02, 10)
    found = randomise_units(z, TURNS[keep], block_columns(10, blocks), less)
    assert found.low is None
    assert found.high is None
    assert "leave too few that differ" in found.note


def test_a_unit_without_a_value_is_left_out_of_every_order():
    z = rng(6).normal(0, 0.02, 12)
    drawn = assignments(TURNS, None, rng())
    keep = np.arange(12) != 3
    less = Assignments(drawn.arms[:, keep], drawn.total, drawn.exact)
    expected = randomise_units(z[keep], TURNS[keep], None, less)
    z[3] = np.nan
    assert randomise_units(z, TURNS, None, drawn) == expected


def test_an_order_that_was_not_driven_is_refused_and_redrawn():
    drawn = assignments(TURNS, PAIRS, rng())
    with pytest.raises(DesignError, match="as driven"):
        randomise_units(np.zeros(12), 1 - TURNS, None, drawn)
    names = [f"day {i}" for i in range(12)]
    swapped = orders_of(names, 1 - TURNS, PAIRS, rng(), lambda units, g: drawn)
    assert (swapped.arms[0] == 1 - TURNS).all()
    assert orders_of(names, TURNS, PAIRS, rng(), lambda units, g: drawn) is drawn


def test_blocks_of_one_arm_have_nothing_to_randomise():
    arm = [0, 0, 1, 1]
    drawn = Assignments(np.array([[0, 0, 1, 1], [1, 1, 0, 0]], np.int8), 2, True)
    assert randomise_units(np.zeros(4), arm, block_columns(4, list("aabb")), drawn) is None
