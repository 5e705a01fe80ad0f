"""Bang's index against published counts, and how often its interval holds at few guesses."""

import math

import numpy as np
import pytest

from roadlog.runs.guesses import guess_said
from roadlog.stats.blinding import blinding_index, right_by_chance
from roadlog.stats.randomise import assignments


@pytest.mark.parametrize(
    ("counts", "index", "low", "high"),
    [
        ((48, 4, 330), 0.115, 0.080, 0.150),
        ((30, 22, 319), 0.022, -0.016, 0.060),
    ],
)
def test_index_of_the_investigators_of_a_published_trial(counts, index, low, high):
    """Houweling et al. 2014, Clinical Trials 11, table 2 (investigators), as BlindingIndex.jl's
    README prints index and interval for these counts, three decimals."""
    b = blinding_index(*counts)
    assert b.index == pytest.approx(index, abs=6e-4)
    assert b.wald_low == pytest.approx(low, abs=6e-4)
    assert b.wald_high == pytest.approx(high, abs=6e-4)


def test_index_of_the_paper_s_own_example():
    """Bang, Ni, Davis 2004, table 7 (CRISP): counts as R's package BI 1.2.0 cites them in its
    manual; indices 0.21 and 0.01 by the paper, from memory."""
    assert blinding_index(82, 25, 170).index == pytest.approx(0.21, abs=0.005)
    assert blinding_index(29, 27, 83).index == pytest.approx(0.01, abs=0.005)


def test_six_right_guesses_of_six_leave_a_width():
    b = blinding_index(6, 0, 0)
    assert (b.index, b.wald_low, b.wald_high) == (1.0, 1.0, 1.0)
    assert b.low < 0.5
    assert b.high == 1.0
    assert blinding_index(0, 0, 4).index == 0.0
    assert blinding_index(0, 0, 0).low is None


@pytest.mark.parametrize("n", [4, 6, 10])
def test_the_interval_that_is_shown_holds_where_the_paper_s_doesn_t(n):
    """Exactly, by summing over all outcomes of n guesses on a grid of shares."""
    cells = [(r, w, n - r - w) for r in range(n + 1) for w in range(n + 1 - r)]
    ways = [math.factorial(n) / math.prod(map(math.factorial, c)) for c in cells]
    shown, paper = [], []
    for r in np.linspace(0, 1, 11):
        for w in np.linspace(0, 1 - r, 6):
            chance = [
                k * r**a * w**b * (1 - r - w) ** c for k, (a, b, c) in zip(ways, cells, strict=True)
            ]
            found = [blinding_index(*c) for c in cells]
            shown.append(
                sum(
                    p
                    for p, b in zip(chance, found, strict=True)
                    if b.low - 1e-9 <= r - w <= b.high + 1e-9
                )
            )
            paper.append(
                sum(
                    p
                    for p, b in zip(chance, found, strict=True)
                    if b.wald_low - 1e-9 <= r - w <= b.wald_high + 1e-9
                )
            )
    assert np.mean(shown) > 0.95
    assert min(shown) > 0.87
    assert np.mean(paper) < 0.90


def test_right_by_chance_is_uniform_at_most_where_the_driver_knows_nothing():
    """At or under 5 % in at most 5 of 100 orders, whatever the driver's habit."""
    rng = np.random.default_rng(4)
    arm = [0, 1] * 6
    blocks = ["a"] * 4 + ["b"] * 4 + ["c"] * 4
    orders = assignments(arm, blocks, rng)
    for said in (
        rng.choice([-1, 0, 1], 12),
        np.ones(12),
        np.array([1, 1, -1, -1] * 3),
        np.zeros(12),
    ):
        score = (2.0 * orders.arms - 1) @ said
        p = [float(np.mean(score >= s - 1e-9)) for s in score]
        assert np.mean(np.array(p) <= 0.05) <= 0.05
        assert right_by_chance(said, orders) == pytest.approx(p[0])


def test_a_guess_is_read_as_the_study_calls_its_arms():
    labels = {"baseline": "In park", "fitted": "out on the road"}
    assert guess_said("in park", labels) == -1
    assert guess_said(" Out on  the road ", labels) == 1
    assert guess_said("don\u2019t know") == 0
    assert guess_said("the lamp was on") is None
