"""How effect and claim compare: the rule, and what forbids a firm word."""

import pandas as pd
import pytest

from roadlog.effect.finding import claim_text, decide, driving_shifts, rule
from roadlog.results import Interval, Randomisation
from roadlog.study import Claim

TWELVE_PERCENT_MPG = Claim(economy_pct=12)  # 10.7 % less fuel
STEADY = pd.DataFrame({"outcome": ["demand", "mean speed", "idle time"], "p": [0.4, 0.6, 0.9]})
FASTER = STEADY.assign(p=[0.4, 0.001, 0.9])


def interval(low: float | None, high: float | None) -> Interval:
    middle = 0.0 if low is None or high is None else (low + high) / 2
    return Interval(middle, low, high, 10, "t")


def by_chance(low: float | None, high: float | None) -> Randomisation:
    return Randomisation(0.5, low, high, 64, True)


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
    assert "which is -10.7 % fuel use" in claim_text(TWELVE_PERCENT_MPG)
    nearly = interval(-11.5, -10.72)
    assert decide(nearly, nearly, None, STEADY, TWELVE_PERCENT_MPG).word == "supported"
    assert decide(nearly, nearly, None, STEADY, Claim(fuel_pct=12)).word == "refuted"


def test_refuted_says_that_it_does_not_mean_no_effect() -> None:
    found = decide(interval(-2, 3), interval(-2, 3), None, STEADY, TWELVE_PERCENT_MPG)
    assert found.word == "refuted"
    assert any("doesn't mean that it does nothing" in r for r in found.reasons)
    assert any("falls short of the claim" in r for r in found.reasons)


def test_changed_driving_forbids_a_firm_word() -> None:
    found = decide(interval(-2, 3), interval(-2, 3), None, FASTER, TWELVE_PERCENT_MPG)
    assert found.word == "undecided"
    assert any("driving changed: mean speed" in r for r in found.reasons)


def test_one_in_twenty_outcomes_by_chance_is_no_change_of_driving() -> None:
    assert driving_shifts(STEADY.assign(p=[0.03, 0.5, 0.5])) == []
    assert driving_shifts(STEADY.assign(p=[0.016, 0.5, 0.5])) == ["demand"]
    assert driving_shifts(STEADY.iloc[:0]) == []


def test_total_effect_must_give_the_same_word() -> None:
    found = decide(interval(-9, -1), interval(-13, -5), None, STEADY, TWELVE_PERCENT_MPG)
    assert found.word == "undecided"
    assert any("at equal driving the claim is refuted" in r for r in found.reasons)


def test_randomisation_must_agree() -> None:
    i = interval(-9, -1)
    agreeing = decide(i, i, by_chance(-10, 0), STEADY, TWELVE_PERCENT_MPG)
    assert agreeing.word == "refuted"
    other = decide(i, i, by_chance(-12, 0), STEADY, TWELVE_PERCENT_MPG)
    assert other.word == "undecided"
    assert any("the randomisation interval" in r for r in other.reasons)
    too_few = decide(i, i, by_chance(None, None), STEADY, TWELVE_PERCENT_MPG)
    assert too_few.word == "refuted"


def test_closure_gap_forbids_a_firm_word_and_is_told() -> None:
    gap = "undecided: metered and filled fuel differ between the arms"
    i = interval(-14, -12)
    found = decide(i, i, None, STEADY, TWELVE_PERCENT_MPG, [gap])
    assert found.word == "undecided"
    assert gap in found.reasons


def test_no_interval_concludes_nothing() -> None:
    none = interval(None, None)
    found = decide(none, none, None, STEADY, TWELVE_PERCENT_MPG)
    assert found.word == "undecided"
    assert any("nothing can be concluded" in r for r in found.reasons)


def test_no_claim_no_word() -> None:
    found = decide(interval(-2, 3), interval(-2, 3), None, FASTER, None)
    assert found.word is None
    assert any("driving changed" in r for r in found.reasons)
