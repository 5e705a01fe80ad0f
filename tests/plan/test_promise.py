"""What a plan promises: the analysis's own rule over simulated studies, held against that rule."""

import datetime as dt
import math

import numpy as np
import pytest
from statsmodels.stats.power import TTestIndPower, TTestPower

from roadlog.effect.finding import decide
from roadlog.effect.result import HeldEqual
from roadlog.errors import DesignError
from roadlog.plan.promise import (
    Order,
    Scatter,
    needed_units,
    order_of_schedule,
    refutable_by_units,
    simulate,
    simulated_bounds,
    typical_order,
)
from roadlog.plan.schedule import draw_schedule
from roadlog.stats.interval import Interval
from roadlog.stats.unit_contrast import contrast_units
from roadlog.stats.unit_randomisation import randomise_units
from roadlog.study.car import Claim
from roadlog.study.settings import Schedule

# Day 2 %, run 1 %, two runs a day, metering 0.8 %: the scatter of docs/method.md's cells.
DAY_2 = Scatter(math.sqrt(0.02**2 + 0.01**2 / 2 + 0.008**2), "made up")
STILL = {"driving_sd": 0.0, "pass_sd": 0.0, "air_sd_k": 0.0}


def log(pct: float) -> float:
    return math.log1p(pct / 100)


def by_the_shipped_rule(order: Order, z, driving, pass_sd: float, air_c, claim: Claim) -> str:
    """One study through the functions that the analysis calls."""
    n = len(order.arm)
    found = contrast_units(z, order.arm, order.fixed, None, np.full(n, pass_sd**2))
    half = found.half_width()
    explained = found.of(driving)
    far = abs(explained) > 0.06
    warmer = found.of(air_c)
    margin = 0.25 * abs(explained) + (0.0004 * abs(warmer) if math.isfinite(warmer) else 0.005)
    held = HeldEqual(explained, 0.0, warmer, margin, ("driving-moved",) if far else ())
    low, high = (100 * math.expm1(found.tau + sign * half) for sign in (-1, 1))
    primary = Interval(100 * math.expm1(found.tau), low, high, found.df, "")
    orders = None if order.orders is None else randomise_units(
        z, order.arm, order.fixed, order.orders
    )  # fmt: skip
    return decide(primary, claim, held=held, orders=orders).word


@pytest.mark.parametrize(("units", "block_size"), [(6, 4), (8, 4), (9, 4), (12, 4), (12, 2)])
def test_every_simulated_word_is_the_one_that_the_analysis_gives(units, block_size):
    order = typical_order(units, block_size)
    rng = np.random.default_rng(units)
    effect = rng.choice([-0.10, -0.06, -0.03, 0.0], 150)
    z = 0.02 * rng.standard_normal((150, units)) + effect[:, None] * order.arm
    driving = 0.05 * rng.standard_normal((150, units))
    air = 5 * rng.standard_normal((150, units))
    air[:20] = np.nan
    bounds = simulated_bounds(order, z, driving, 0.01, air)
    claim = Claim(fuel_pct=6)
    c = math.log1p(claim.fuel_use_change_pct / 100)
    words = [
        by_the_shipped_rule(order, z_, d, 0.01, a, claim)
        for z_, d, a in zip(z, driving, air, strict=True)
    ]
    simulated = np.where(
        c < bounds.refutes, "refuted", np.where(c >= bounds.supports, "supported", "undecided")
    )
    assert list(simulated) == words
    assert {"refuted", "undecided"} <= set(words)


@pytest.mark.parametrize(("units", "sd", "claim"), [(8, 0.02, -5), (12, 0.03, -6), (20, 0.03, -4)])
def test_chance_of_pairs_without_margin_or_gate_is_that_of_the_t_test(units, sd, claim):
    """statsmodels' TTestPower, one-sided at 2.5 %: 20,000 studies, within 4 simulation errors."""
    order = typical_order(units, 2)
    order = Order(order.arm, order.fixed, None)
    found = simulate(order, Scatter(sd, "made up", **STILL), studies=20_000)
    size = -log(claim) / (math.sqrt(2) * sd)
    expected = TTestPower().power(size, units // 2, 0.025, alternative="larger")
    error = math.sqrt(expected * (1 - expected) / 20_000)
    assert found.refuted(log(claim)) == pytest.approx(expected, abs=4 * error)
    # As likely supported by as much beyond the claim as refuted at nothing.
    assert found.supported(log(claim), 2 * log(claim)) == pytest.approx(expected, abs=4 * error)


def test_chance_of_one_block_is_that_of_two_groups():
    """Six days in one block: statsmodels' TTestIndPower, three days an arm."""
    order = typical_order(6, 4)
    order = Order(order.arm, order.fixed, None)
    found = simulate(order, Scatter(0.02, "made up", **STILL), studies=20_000)
    expected = TTestIndPower().power(-log(-5) / 0.02, 3, 0.025, alternative="larger")
    error = math.sqrt(expected * (1 - expected) / 20_000)
    assert found.refuted(log(-5)) == pytest.approx(expected, abs=4 * error)


@pytest.mark.parametrize(
    ("days", "claim", "chance"), [(12, -6, 0.96), (10, -5, 0.80), (12, -5, 0.88), (20, -5, 0.99)]
)
def test_null_device_is_refuted_as_often_as_on_simulated_routes(days, claim, chance):
    """The table of docs/method.md's prototype, made with passes on routes: within 3 points."""
    found = simulate(typical_order(days, 4), DAY_2)
    assert found.refuted(log(claim)) == pytest.approx(chance, abs=0.03)


def test_half_the_claim_and_twice_the_claim_at_twelve_days():
    found = simulate(typical_order(12, 4), DAY_2)
    assert found.refuted(log(-6), log(-3)) == pytest.approx(0.46, abs=0.03)
    assert found.supported(log(-6), log(-10)) == pytest.approx(0.76, abs=0.03)


def test_word_at_the_claim_itself_is_wrong_at_most_5_times_in_200():
    """At claim = truth either word is wrong; 20,000 studies tell 2.5 % to 0.1 point."""
    for days in (6, 8, 9, 10, 12, 20):
        found = simulate(typical_order(days, 4), DAY_2, studies=20_000)
        assert found.refuted(log(-6), log(-6)) < 0.025, days
        assert found.supported(log(-6), log(-6)) < 0.025, days


def test_more_days_refute_smaller_claims():
    curve = refutable_by_units(DAY_2, 4, range(6, 31, 2))
    assert list(curve.values()) == sorted(curve.values())
    assert curve[12] == pytest.approx(log(-4.5), abs=0.004)


def test_days_that_driving_set_apart_get_no_word():
    order = typical_order(12, 4)
    apart = np.where(order.arm == 1, 0.07, 0.0)[None, :]
    still = np.zeros((1, 12))
    bounds = simulated_bounds(order, still, apart, 0.0, still)
    assert bounds.refuted(log(-50)) == bounds.supported(log(50)) == 0


def test_days_of_changing_weather_promise_less_and_unknown_air_least():
    order, chances = typical_order(8, 4), []
    for air_sd_k in (0.0, 6.0, math.nan):
        scatter = Scatter(0.012, "made up", air_sd_k=air_sd_k)
        chances.append(simulate(order, scatter).refuted(log(-4), log(-1)))
    assert chances[0] > chances[1] + 0.02 > chances[2] + 0.04


def test_a_short_pilot_promises_less_than_one_that_knows():
    order = typical_order(12, 4)
    sure = simulate(order, Scatter(0.02, "made up")).refuted(log(-5))
    short = simulate(order, Scatter(0.02, "pilot", df=2)).refuted(log(-5))
    long = simulate(order, Scatter(0.02, "pilot", df=200)).refuted(log(-5))
    assert short < sure - 0.1
    assert long == pytest.approx(sure, abs=0.03)


def test_needed_days_are_those_of_the_paired_t_test():
    """R's power.t.test (paired): 10 and 15 pairs for d = 1.0 and 0.8; 34 for 0.5 (r/sizes.R)."""
    for d, pairs in ((1.0, 10), (0.8, 15), (0.5, 34)):
        sd = -log(-5) / d / math.sqrt(2)
        units = needed_units(log(-5), Scatter(sd, "made up", **STILL), 2)
        assert units == pytest.approx(2 * pairs, rel=0.08, abs=2)


def test_a_claim_that_no_test_can_settle_has_no_size():
    assert needed_units(log(-0.2), DAY_2, 4) is None


def test_the_promise_is_for_the_order_that_was_drawn():
    """The schedule's own blocks and weekday limit, not a pattern of the same length."""
    days = [(dt.date(2027, 3, 1) + dt.timedelta(days=i),) for i in range(10)]
    schedule = draw_schedule(days, block_size=4, seed=3)
    order = order_of_schedule(schedule)
    assert list(order.arm) == [int(u.arm == "fitted") for u in schedule.unit]
    assert order.df == 10 - 2 - 1
    assert order.orders.total == 120
    pairs = order_of_schedule(draw_schedule(days, block_size=2, seed=3))
    assert pairs.df == 10 - 5 - 1


def test_an_order_with_one_change_that_chance_did_not_draw_promises_nothing():
    units = [{"unit": dt.date(2027, 3, d), "arm": "baseline" if d < 5 else "fitted"}
             for d in range(1, 9)]  # fmt: skip
    with pytest.raises(DesignError, match="changes the arm once"):
        order_of_schedule(Schedule.model_validate({"unit": units}))


def test_four_days_in_pairs_are_too_few_for_an_interval():
    with pytest.raises(DesignError, match="too few for an interval"):
        simulate(typical_order(4, 2), DAY_2)
