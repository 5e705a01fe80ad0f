"""The randomisation test: schedules counted, p exact, interval by inversion.

Outside check: scipy.stats.permutation_test on switch-unit means.
"""

import time
from itertools import product

import numpy as np
import pytest
from scipy import stats

from roadlog.effect.randomise import (
    ENOUGH_ASSIGNMENTS,
    Assignments,
    assignments,
    randomisation_p,
    randomisation_test,
)
from roadlog.effect.reduction import Reduced, reduce_design

SEGMENTS = 5


def study(
    rng: np.random.Generator, arms: np.ndarray, blocks: np.ndarray | None, effect: float = 0.0
) -> tuple[Reduced, np.ndarray, np.ndarray]:
    """Balanced study with one run a day: its design, responses and day codes."""
    day = np.repeat(np.arange(len(arms)), SEGMENTS)
    segment = np.tile(np.arange(SEGMENTS), len(arms))
    fixed = [np.eye(SEGMENTS)[segment]]
    if blocks is not None:
        fixed.append(np.eye(blocks.max() + 1)[blocks[day]])
    y = rng.normal(0, 0.02, len(arms))[day] + rng.normal(0, 0.03, len(day)) + effect * arms[day]
    return reduce_design(np.column_stack(fixed), arms[day], day, None), y, day


def test_twelve_days_in_pairs_have_64_schedules() -> None:
    drawn = assignments([0, 1] * 6, [f"b{i // 2}" for i in range(12)], np.random.default_rng(0))
    assert (drawn.total, drawn.exact, len(drawn.arms)) == (64, True, 64)
    assert len(np.unique(drawn.arms, axis=0)) == 64
    assert (drawn.arms[0] == [0, 1] * 6).all()
    assert (drawn.arms.reshape(64, 6, 2).sum(axis=2) == 1).all()


@pytest.mark.parametrize(
    ("arms", "blocks", "total"),
    [
        ([0, 0, 0, 1, 1, 1], None, 20),
        ([0, 1, 0, 1, 1, 0, 0], None, 35),
        ([0, 0, 1, 1, 0, 1, 1, 0], list("aaaabbbb"), 36),
        ([0, 1, 0, 1, 1], list("aabbc"), 4),
        ([0, 1, 1], list("aab"), 2),
    ],
)
def test_schedules_keep_each_blocks_number_of_fitted_days(
    arms: list[int], blocks: list[str] | None, total: int
) -> None:
    drawn = assignments(arms, blocks, np.random.default_rng(0))
    assert drawn.total == total == len(np.unique(drawn.arms, axis=0))


def test_many_schedules_are_drawn_within_blocks() -> None:
    arms = np.tile([0, 1], 10)
    drawn = assignments(arms, [f"b{i // 4}" for i in range(20)], np.random.default_rng(0),
                        exact_limit=100, draws=3000)  # fmt: skip
    assert (drawn.total, drawn.exact, len(drawn.arms)) == (6**5, False, 3001)
    assert (drawn.arms.reshape(3001, 5, 4).sum(axis=2) == 2).all()
    assert drawn.arms[1:].mean(axis=0) == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize("effect", [0.0, 0.03])
def test_p_is_exact_for_day_means(effect: float) -> None:
    """scipy.stats.permutation_test: absolute difference of means, all 252 splits of ten days."""
    arms = np.array([0, 1, 1, 0, 1, 0, 0, 1, 1, 0])
    for seed in range(4):
        reduced, y, day = study(np.random.default_rng(seed), arms, None, effect)
        means = np.bincount(day, y) / SEGMENTS
        expected = stats.permutation_test(
            (means[arms == 1], means[arms == 0]),
            lambda a, b: abs(a.mean() - b.mean()),
            permutation_type="independent",
            alternative="greater",
            n_resamples=np.inf,
        ).pvalue
        drawn = assignments(arms, None, np.random.default_rng(0))
        assert randomisation_test(reduced, y, drawn).p == pytest.approx(expected, abs=1e-12)


def test_p_is_exact_for_pairs_of_days() -> None:
    """scipy.stats.permutation_test with permutation_type 'samples': all 64 swaps of six pairs."""
    blocks = np.arange(12) // 2
    arms = np.array([0, 1, 1, 0, 1, 0, 0, 1, 1, 0, 0, 1])
    reduced, y, day = study(np.random.default_rng(7), arms, blocks, 0.02)
    means = np.bincount(day, y) / SEGMENTS
    expected = stats.permutation_test(
        (means[arms == 1], means[arms == 0]),
        lambda a, b: abs(np.mean(a - b)),
        permutation_type="samples",
        alternative="greater",
        n_resamples=np.inf,
    ).pvalue
    drawn = assignments(arms, [str(b) for b in blocks], np.random.default_rng(0))
    assert randomisation_test(reduced, y, drawn).p == pytest.approx(expected, abs=1e-12)


def test_no_p_is_below_one_over_the_schedules_drawn() -> None:
    """Phipson and Smyth (2010): p = (1 + k)/(1 + N)."""
    arms = np.tile([0, 1], 10)
    reduced, y, _ = study(np.random.default_rng(1), arms, None, effect=0.5)
    drawn = assignments(arms, None, np.random.default_rng(2), draws=999)
    p = randomisation_p(reduced, y, drawn)
    assert p * 1000 == pytest.approx(round(p * 1000))
    assert 1 / 1000 <= p < 0.005


def test_interval_holds_what_is_not_rejected() -> None:
    blocks = np.arange(12) // 2
    arms = np.array([0, 1, 1, 0, 1, 0, 0, 1, 1, 0, 0, 1])
    reduced, y, _ = study(np.random.default_rng(3), arms, blocks, 0.02)
    drawn = assignments(arms, [str(b) for b in blocks], np.random.default_rng(0))
    result = randomisation_test(reduced, y, drawn)
    assert result.low is not None
    assert result.high is not None
    width = result.high - result.low
    for tau in np.linspace(result.low + 0.01 * width, result.high - 0.01 * width, 15):
        assert randomisation_p(reduced, y, drawn, tau) > 0.05
    assert randomisation_p(reduced, y, drawn, result.low - 1e-3 * width) <= 0.05
    assert randomisation_p(reduced, y, drawn, result.high + 1e-3 * width) <= 0.05


def test_true_effect_is_rejected_in_at_most_5_of_100_schedules() -> None:
    """Every one of the 64 schedules tried on fixed days: exact by construction."""
    blocks = np.arange(12) // 2
    labels = [str(b) for b in blocks]
    rng = np.random.default_rng(4)
    day = np.repeat(np.arange(12), SEGMENTS)
    noise = rng.standard_t(3, 12)[day] * 0.02 + rng.normal(0, 0.03, len(day))
    fixed = np.column_stack(
        [np.eye(SEGMENTS)[np.tile(np.arange(SEGMENTS), 12)], np.eye(6)[day // 2]]
    )
    p = []
    for swaps in product([0, 1], repeat=6):
        arms = np.column_stack([swaps, 1 - np.array(swaps)]).ravel()
        reduced = reduce_design(fixed, arms[day], day, None)
        drawn = assignments(arms, labels, rng)
        p.append(randomisation_p(reduced, noise + 0.04 * arms[day], drawn, 0.04))
    assert np.mean(np.array(p) <= 0.05) <= 0.05


def test_too_few_schedules_give_p_but_no_interval() -> None:
    arms = np.array([0, 1, 1, 0, 1, 0])
    reduced, y, _ = study(np.random.default_rng(5), arms, np.arange(6) // 2)
    drawn = assignments(arms, list("aabbcc"), np.random.default_rng(0))
    result = randomisation_test(reduced, y, drawn)
    assert result.assignments == 8 < ENOUGH_ASSIGNMENTS
    assert result.low is None
    assert result.high is None
    assert "only 8 schedules" in result.note
    assert result.p >= 1 / 8


def test_missed_day_leaves_too_few_schedules_that_differ() -> None:
    """Six pairs give 64 schedules, but without one day 32 twice over: p can't fall below 1/16."""
    rng = np.random.default_rng(11)
    first = np.array([*product((0, 1), repeat=6)])
    arms = np.stack([first, 1 - first], axis=2).reshape(64, 12)[:, :11]
    drawn = Assignments(arms.astype(np.int8), 64, True)
    reduced, y, _ = study(rng, arms[0], np.arange(11) // 2, effect=-0.05)
    found = randomisation_test(reduced, y, drawn)
    assert found.p >= 1 / 16
    assert (found.low, found.high) == (None, None)
    assert "can't fall below 0.062" in found.note


def test_ten_thousand_draws_of_twenty_runs_by_thirty_segments_take_two_seconds() -> None:
    rng = np.random.default_rng(6)
    arms = rng.permuted(np.arange(20) % 2)
    run = np.repeat(np.arange(20), 30)
    y = rng.normal(0, 0.02, 20)[run] + rng.normal(0, 0.05, 600)
    fixed = np.column_stack([np.eye(30)[np.tile(np.arange(30), 20)], rng.normal(size=600)])
    reduced = reduce_design(fixed, arms[run], run, None)
    drawn = assignments(arms, None, rng)
    assert len(drawn.arms) == 10_001
    began = time.process_time()
    result = randomisation_test(reduced, y, drawn)
    assert time.process_time() - began < 2
    assert result.low is not None
    assert result.low < 0 < result.high
