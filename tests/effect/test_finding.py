"""How effect and claim compare: the rule, and what forbids a firm word."""

import math

import numpy as np
import pytest

from roadlog.effect.finding import decide
from roadlog.effect.result import HeldEqual
from roadlog.stats.interval import Interval, Obstacle, rule
from roadlog.stats.randomise import assignments
from roadlog.stats.unit_contrast import block_columns
from roadlog.stats.unit_randomisation import UnitRandomisation, randomise_units
from roadlog.study.car import Claim

TWELVE_PERCENT_MPG = Claim(economy_pct=12)  # 10.7 % less fuel
PAIRS = [f"b{i // 2}" for i in range(12)]
TURNS = np.tile([0, 1], 6)


def interval(low: float | None, high: float | None, level: float = 0.95) -> Interval:
    middle = 0.0 if low is None or high is None else (low + high) / 2
    return Interval(middle, low, high, 10, "t", level)


def held(margin: float = 0.0, *obstacles: Obstacle, driving: float = 0.0) -> HeldEqual:
    return HeldEqual(driving, 0.0, 0.0, margin, obstacles)


def orders(effect: float, sd: float = 0.005, blocks: list[str] = PAIRS) -> UnitRandomisation:
    z = np.random.default_rng(1).normal(0, sd, 12) + effect * TURNS
    drawn = assignments(TURNS, blocks, np.random.default_rng(0))
    found = randomise_units(z, TURNS, block_columns(12, blocks), drawn)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("low", "high", "word"),
    [
        (-2.0, 3.0, "refuted"),
        (-10.0, -4.0, "refuted"),  # saves fuel, but less than claimed
        (-15.0, -12.0, "supported"),
        (-15.0, -10.0, "undecided"),
        (-12.0, 2.0, "undecided"),
        (-10.7, 0.0, "undecided"),  # the claim itself is still in the interval
        (-14.0, -10.7, "supported"),
        (3.0, 6.0, "refuted"),
        (None, None, "undecided"),
    ],
)
def test_rule(low: float | None, high: float | None, word: str) -> None:
    assert rule(low, high, -10.7) == word


def test_economy_claim_is_held_on_the_fuel_scale() -> None:
    assert TWELVE_PERCENT_MPG.fuel_use_change_pct == pytest.approx(-10.714, abs=1e-3)
    assert "which is -10.7 % fuel use" in TWELVE_PERCENT_MPG.as_change
    nearly = interval(-11.5, -10.72)
    assert decide(nearly, TWELVE_PERCENT_MPG).word == "supported"
    assert decide(nearly, Claim(fuel_pct=12)).word == "refuted"


def test_refuted_says_that_it_does_not_mean_no_effect() -> None:
    found = decide(interval(-2, 3), TWELVE_PERCENT_MPG)
    assert found.word == "refuted"
    assert any("doesn't mean that it does nothing" in r for r in found.reasons)
    assert any("falls short of the claim" in r for r in found.reasons)


@pytest.mark.parametrize("obstacle", ["no-work", "weak-work", "driving-moved"])
def test_driving_that_can_not_be_held_equal_forbids_a_firm_word(obstacle: Obstacle) -> None:
    found = decide(interval(-2, 3), TWELVE_PERCENT_MPG, held=held(0.01, obstacle, driving=0.08))
    assert found.word == "undecided"
    assert any(r.startswith("undecided: driving") for r in found.reasons)


def test_interval_has_to_clear_the_claim_by_the_margin() -> None:
    """On the log scale: low -10 % is 0.0080 above the claim of -10.7 %."""
    i = interval(-10, -4)
    room = math.log1p(-0.10) - math.log1p(TWELVE_PERCENT_MPG.fuel_use_change_pct / 100)
    assert decide(i, TWELVE_PERCENT_MPG, held=held(0.99 * room)).word == "refuted"
    close = decide(i, TWELVE_PERCENT_MPG, held=held(1.01 * room, driving=0.03))
    assert close.word == "undecided"
    assert any("driving explains +3.0 % of fuel use" in r for r in close.reasons)
    assert close.margin_pct == pytest.approx(101 * room)
    reaches = interval(-14, -11)
    assert decide(reaches, TWELVE_PERCENT_MPG, held=held(0.002)).word == "supported"
    assert decide(reaches, TWELVE_PERCENT_MPG, held=held(0.004)).word == "undecided"


def test_orders_that_chance_could_have_drawn_must_agree_one_sided() -> None:
    clear = decide(interval(-2, 3), TWELVE_PERCENT_MPG, held=held(0.001), orders=orders(0.0))
    assert clear.word == "refuted"
    assert clear.claim_p_of == "refuted"
    assert clear.claim_p is not None
    assert clear.claim_p <= 0.05
    doubtful = decide(interval(-9, -1), TWELVE_PERCENT_MPG, orders=orders(-0.11, sd=0.02))
    assert doubtful.word == "undecided"
    assert any("of the 64 orders" in r for r in doubtful.reasons)
    saving = decide(interval(-14, -12), TWELVE_PERCENT_MPG, orders=orders(-0.14))
    assert saving.word == "supported"


def test_orders_too_few_to_say_anything_one_sided_do_not_forbid() -> None:
    """Two blocks of six days leave 400 orders; six pairs with one arm lost leave under 20."""
    few = orders(-0.11, sd=0.02, blocks=["a"] * 2 + [f"x{i}" for i in range(10)])
    assert few.orders < 20
    assert decide(interval(-9, -1), TWELVE_PERCENT_MPG, orders=few).word == "refuted"


def test_gate_is_as_strict_as_the_look() -> None:
    """At a look that may spend 1 %, one in 64 orders is the least there is: it has to be that."""
    claim = Claim(fuel_pct=4)
    i, found = interval(-2, 3, level=0.99), orders(-0.02, sd=0.02)
    p = found.p_at_most(math.log1p(-0.04))
    assert 1 / 64 < p <= 0.05
    assert decide(i, claim, orders=found).word == "undecided"
    assert decide(interval(-2, 3), claim, orders=found).word == "refuted"
    assert decide(i, TWELVE_PERCENT_MPG, orders=orders(0.0)).word == "refuted"


def test_mixed_model_of_the_other_word_forbids_a_firm_one() -> None:
    found = decide(interval(-9, -1), TWELVE_PERCENT_MPG, one_stage=interval(-14, -12))
    assert found.word == "undecided"
    assert any("mixed model beneath it supported" in r for r in found.reasons)
    wide = decide(interval(-9, -1), TWELVE_PERCENT_MPG, one_stage=interval(-12, 1))
    assert wide.word == "refuted"


def test_closure_gap_forbids_a_firm_word_and_is_told() -> None:
    gap = "undecided: metered and filled fuel differ between the arms"
    found = decide(interval(-14, -12), TWELVE_PERCENT_MPG, blocking=[gap])
    assert found.word == "undecided"
    assert gap in found.reasons


def test_no_interval_concludes_nothing() -> None:
    found = decide(interval(None, None), TWELVE_PERCENT_MPG)
    assert found.word == "undecided"
    assert any("nothing can be concluded" in r for r in found.reasons)


def test_no_claim_no_word() -> None:
    found = decide(interval(-2, 3), None, held=held(0.0, "driving-moved", driving=0.08))
    assert found.word is None
    assert any("driving changed" in r for r in found.reasons)
