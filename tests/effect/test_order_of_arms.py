"""One change of arms, and add-ons that stay behind, give no firm finding."""

import numpy as np
import pandas as pd

from roadlog.effect import (
    changed_once,
    estimate_effect,
    estimates_only,
    forbidden_by_order,
    without_intervals,
)
from roadlog.stats.interval import Interval, NamedInterval
from roadlog.study.car import Device
from tests.effect.drives import PETROL, passes

TURNS = pd.DataFrame(
    {
        "arm": ["baseline", "fitted", "baseline", "fitted"],
        "switch_unit": list("abcd"),
        "start": pd.date_range("2026-03-02", periods=4),
    }
)
ONCE = TURNS.iloc[[0, 2, 1, 3]]


def test_permanent_add_on_switched_by_the_day_gets_no_firm_finding() -> None:
    device = Device(name="Bramble collar", carry_over="permanent")
    (reason,) = forbidden_by_order(device, TURNS, randomised=True)
    assert "1 of 2 baseline switch units came after it was first fitted (b)" in reason
    assert forbidden_by_order(Device(), TURNS, randomised=True) == []


def test_days_before_and_days_after_are_one_change_whatever_they_are_called() -> None:
    assert changed_once(ONCE, randomised=False)
    assert changed_once(ONCE.iloc[::-1], randomised=False)
    assert not changed_once(TURNS, randomised=False)
    (reason,) = forbidden_by_order(Device(carry_over="permanent"), ONCE, randomised=False)
    assert reason.startswith("undecided: before and after with one change")


def test_order_that_chance_drew_may_have_one_change() -> None:
    assert not changed_once(ONCE, randomised=True)


def test_set_aside_runs_make_no_second_change() -> None:
    assert changed_once(TURNS.assign(used=[True, False, True, True]), randomised=False)


def test_logs_without_a_clock_are_in_no_order() -> None:
    """Two piles come one after the other in the table, which says nothing about when."""
    assert not changed_once(ONCE.assign(start=pd.NaT), randomised=False)


def test_one_change_prints_estimates_without_intervals() -> None:
    table = passes(np.random.default_rng(1), days=12, paired=False)
    late = table["day"] >= sorted(table["day"].unique())[6]
    table = table.assign(arm=np.where(late, "fitted", "baseline"))
    effect = without_intervals(estimate_effect(table, randomised=False, physics=PETROL))
    assert np.isfinite(effect.primary.estimate)
    rows = [effect.primary, effect.total, effect.unadjusted, *(r.interval for r in effect.forest)]
    assert all(i.low is None and i.high is None for i in rows)
    assert effect.warnings[0].code == "before-after"


def test_measured_fuel_before_and_after_has_no_interval_either() -> None:
    filled = NamedInterval("fuel filled per distance", Interval(-3.0, -5.0, -1.0), "crosscheck")
    (row,) = estimates_only((filled,))
    assert (row.interval.estimate, row.interval.low, row.interval.high) == (-3.0, None, None)
    assert row.role == "crosscheck"
