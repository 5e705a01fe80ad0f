"""Cross-checks: each finds the planted effect by its own road, and disagreement is named."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from roadlog.effect import crosschecks
from roadlog.effect.design import build_design
from roadlog.stats.interval import Interval, NamedInterval
from roadlog.stats.unit_contrast import block_columns, unit_t
from tests.effect.drives import passes


def test_unit_t_is_the_t_test_and_in_blocks_the_paired_one() -> None:
    """scipy.stats.ttest_ind and ttest_rel."""
    values = np.random.default_rng(1).normal(size=8)
    arm = np.array([0, 1, 1, 0, 0, 1, 0, 1])
    estimate, half, df = unit_t(values, arm, None)
    ci = stats.ttest_ind(values[arm == 1], values[arm == 0]).confidence_interval()
    assert (estimate - half, estimate + half) == pytest.approx((ci.low, ci.high))
    assert df == 6
    estimate, half, df = unit_t(values, arm, block_columns(8, list("aabbccdd")))
    ci = stats.ttest_rel(values[arm == 1], values[arm == 0]).confidence_interval()
    assert (estimate - half, estimate + half) == pytest.approx((ci.low, ci.high))
    assert df == 3


def test_drift_stays_out_of_cross_checks_where_days_took_turns() -> None:
    """Fitted always the second of its pair gains a day's drift from blocks, none from a trend."""
    table = passes(np.random.default_rng(4), drift=0.3, day_sd=0.001, effect=-0.05)
    second = table["day"].isin(table["day"].unique()[1::2])
    was = table["arm"] == "fitted"
    ml = table["ml_per_km"] * np.exp(-0.05 * (second.astype(float) - was))
    table = table.assign(
        arm=np.where(second, "fitted", "baseline"), ml_per_km=ml, fuel_ml=ml * table["distance_km"]
    )
    true = 100 * np.expm1(-0.05)
    turns, drawn = (build_design(table, [], randomised=r) for r in (False, True))
    assert crosschecks.segment_paired(turns).estimate == pytest.approx(true, abs=0.6)
    assert crosschecks.segment_paired(drawn).estimate > true + 2


def test_day_without_a_value_is_left_out() -> None:
    values = np.array([1.0, 2.0, 1.1, np.nan, 0.9, 2.2])
    arm = np.array([0, 1, 0, 1, 0, 1])
    estimate, _, df = unit_t(values, arm, None)
    assert estimate == pytest.approx(2.1 - 1.0)
    assert df == 3
    assert np.isnan(unit_t(values[:3], arm[:3], None)[1])
    assert np.isnan(unit_t(values[[0, 2]], arm[[0, 2]], None)[0])


def test_percent_interval_transforms_its_ends() -> None:
    interval = crosschecks.percent_interval(-0.1, 0.05, 10, "t")
    assert interval.low == pytest.approx(100 * (np.exp(-0.15) - 1))
    assert interval.high == pytest.approx(100 * (np.exp(-0.05) - 1))
    none = crosschecks.percent_interval(-0.1, float("nan"), 1, "t")
    assert none.low is None
    assert none.high is None


@pytest.mark.parametrize("effect", [-0.08, 0.006])
def test_every_cross_check_finds_the_planted_effect(effect: float) -> None:
    design = build_design(passes(np.random.default_rng(2), effect=effect, days=20))
    true = 100 * np.expm1(effect)
    rows = [
        crosschecks.unadjusted(design),
        crosschecks.segment_paired(design),
        crosschecks.demand_ratio(design),
    ]
    for row in rows:
        assert row is not None
        assert row.df == 9
        assert row.low is not None
        assert row.low < true < row.high
        assert row.high - row.low < 5


def test_unequal_mix_of_segments_fools_the_plain_total_but_not_the_paired_means() -> None:
    table = passes(np.random.default_rng(3), effect=0.0, days=16, day_sd=0.002, pass_sd=0.01)
    hilly = table["segment"] == "s0"
    table.loc[hilly, ["ml_per_km", "fuel_ml"]] *= 4
    table = table[~(hilly & (table["arm"] == "fitted") & (table["run"] % 2 == 1))]
    design = build_design(table)
    assert crosschecks.unadjusted(design).estimate < -5
    paired = crosschecks.segment_paired(design)
    assert abs(paired.estimate) < 1.5


def test_fuel_per_demand_needs_demand() -> None:
    design = build_design(passes(np.random.default_rng(4)).assign(demand_kj_per_km=np.nan))
    assert crosschecks.demand_ratio(design) is None


def test_mode_binned_rate_holds_the_mix_of_modes_equal() -> None:
    design = build_design(passes(np.random.default_rng(5), effect=0.0))
    rng = np.random.default_rng(6)
    rows = []
    for unit, fitted in zip(design.units, design.unit_arm, strict=True):
        idle = 900 if fitted else 300  # more idling in one arm: less fuel per second overall
        for mode, seconds, rate in (("idle", idle, 0.2), ("cruise", 1200, 1.0)):
            fuel = seconds * rate * np.exp(-0.05 * fitted + rng.normal(0, 0.005))
            rows.append((unit, mode, seconds, fuel))
    modes = pd.DataFrame(rows, columns=["switch_unit", "mode", "seconds", "fuel_g"])
    interval = crosschecks.mode_binned(design, modes)
    assert interval is not None
    assert interval.low is not None
    assert interval.low < 100 * np.expm1(-0.05) < interval.high
    assert abs(interval.estimate - 100 * np.expm1(-0.05)) < 1
    assert crosschecks.mode_binned(design, modes[modes["mode"] == "idle"]) is None
    assert crosschecks.mode_binned(design, modes.iloc[:0]) is None


def named(estimate: float, low: float | None, high: float | None, role: str) -> NamedInterval:
    return NamedInterval(role, Interval(estimate, low, high), role)  # type: ignore[arg-type]


def test_disagreement_needs_each_outside_the_other() -> None:
    primary = Interval(-5.0, -7.0, -3.0)
    far, wide = named(1.0, -1.0, 3.0, "crosscheck"), named(1.0, -9.0, 11.0, "crosscheck")
    assert crosschecks.disagreements(primary, [far]) == ["crosscheck"]
    assert crosschecks.disagreements(primary, [wide]) == []
    assert crosschecks.disagreements(primary, [named(1.0, -1.0, 3.0, "sensitivity")]) == []
    assert crosschecks.disagreements(Interval(-5.0, None, None), [far]) == []
