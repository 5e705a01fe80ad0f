"""The whole effect stage on invented pass tables with a planted effect."""

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from roadlog.effect import ambiguity_pct, diagnostics, estimate_effect
from roadlog.effect.layout import lay_out
from roadlog.effect.one_stage import ONE_STAGE
from roadlog.effect.result import EffectResult
from roadlog.errors import DesignError
from roadlog.stats.interval import Interval
from tests.effect.drives import PETROL, passes


def estimate(table: pd.DataFrame, **options: Any) -> EffectResult:
    return estimate_effect(table, **{"randomised": True, "physics": PETROL} | options)


def codes(result: EffectResult) -> set[str]:
    return {w.code for w in result.warnings}


def row(result: EffectResult, name: str) -> Interval:
    return next(r.interval for r in result.forest if r.name == name)


@pytest.fixture(scope="module")
def plain() -> EffectResult:
    return estimate(passes(np.random.default_rng(1), effect=np.log(0.95)))


def test_planted_saving_is_recovered(plain: EffectResult) -> None:
    i = plain.primary
    assert i.low is not None
    assert i.high is not None
    assert i.low < -5.0 < i.high
    assert i.high < 0
    assert i.high - i.low < 6
    assert i.df <= 5  # twelve days in pairs
    assert "t with" in i.method


def test_randomisation_agrees_with_the_model(plain: EffectResult) -> None:
    r = plain.randomisation
    assert r is not None
    assert r.assignments == 64
    assert r.p <= 2 / 64 + 1e-9
    assert r.low is not None
    assert r.low < -5.0 < r.high


def test_forest_shows_primary_total_cross_checks_and_variants(plain: EffectResult) -> None:
    roles = [r.role for r in plain.forest]
    assert roles[0] == "primary"
    assert roles.count("crosscheck") >= 2
    names = {r.name for r in plain.forest}
    assert {"total effect", "work at its physical cost", "unadjusted change"} <= names
    assert plain.forest[1].name == ONE_STAGE
    assert plain.one_stage == plain.forest[1].interval
    for r in plain.forest:
        assert abs(r.interval.estimate + 5.0) < 4


def test_steady_study_draws_no_alarm(plain: EffectResult) -> None:
    assert not codes(plain) & {
        "drift", "influential-unit", "uneven-missing", "order-not-randomised",
        "crosscheck-disagrees", "aliased",
    }  # fmt: skip


def test_no_effect_is_found_as_such_most_of_the_time() -> None:
    inside = 0
    for seed in range(20):
        i = estimate(passes(np.random.default_rng(seed), effect=0.0), randomised=False).primary
        assert i.low is not None
        inside += i.low < 0 < i.high
    assert inside >= 16  # 19 expected; under 16 has probability 0.003


def test_same_table_same_result_in_any_row_order() -> None:
    table = passes(np.random.default_rng(3))
    a = estimate(table)
    b = estimate(table.sample(frac=1, random_state=1))
    assert a.primary.estimate == pytest.approx(b.primary.estimate, rel=1e-6)
    assert a.primary.low == pytest.approx(b.primary.low, rel=1e-6)


def test_planted_bad_day_is_named_by_leave_one_out() -> None:
    table = passes(np.random.default_rng(4), day_sd=0.003, paired=False)
    bad = table["day"].unique()[4]
    table.loc[table["day"] == bad, ["ml_per_km", "fuel_ml"]] *= 1.15
    result = estimate(table)
    message = next(w.message for w in result.warnings if w.code == "influential-unit")
    assert bad in message
    without = result.leave_one_out.set_index("switch_unit")["estimate"]
    assert abs(without[bad] - result.primary.estimate) == pytest.approx(
        (without - result.primary.estimate).abs().max()
    )


def test_drift_over_the_weeks_is_told_and_blocks_keep_it_out() -> None:
    table = passes(np.random.default_rng(5), drift=0.15, day_sd=0.005)
    result = estimate(table)
    message = next(w.message for w in result.warnings if w.code == "drift")
    assert "blocks of neighbouring switch units keep it out" in message
    assert abs(result.primary.estimate - 100 * np.expm1(-0.05)) < 2


def test_order_that_was_not_randomised_is_told() -> None:
    result = estimate(passes(np.random.default_rng(6)), randomised=False)
    assert "order-not-randomised" in codes(result)
    assert result.randomisation is None


def test_temperature_that_follows_the_arm_is_told() -> None:
    table = passes(np.random.default_rng(7))
    table["ambient_c"] = 8 + 10 * (table["arm"] == "fitted") + table["ambient_c"] / 10
    result = estimate(table)
    told = [w.message for w in result.warnings if w.code == "aliased"]
    assert any("temperature" in m for m in told)


def test_tank_that_follows_the_arm_is_told_by_its_name() -> None:
    table = passes(np.random.default_rng(7))
    fitted = table["arm"] == "fitted"
    table["note_fuel_batch"] = np.where(fitted, "winter", "summer")
    table.loc[table["day"] == table["day"].iloc[0], "note_fuel_batch"] = "winter"
    table["fuel_lhv_mj_kg"] = np.where(fitted, 41.5, 42.6)
    told = " ".join(w.message for w in estimate(table).warnings if w.code == "aliased")
    assert "fuel batch: " in told
    assert "fuel's energy by batch" in told


def test_arm_that_lost_its_hard_drives_is_told() -> None:
    table = passes(np.random.default_rng(8), segments=12)
    fitted = table["arm"] == "fitted"
    hard = table["demand_kj_per_km"] > table["demand_kj_per_km"].quantile(0.7)
    table.loc[fitted & hard, "used"] = False
    assert "uneven-missing" in codes(estimate(table))


def test_faster_driving_in_one_arm_shows_in_the_outcomes() -> None:
    table = passes(np.random.default_rng(9))
    fitted = table["arm"] == "fitted"
    table.loc[fitted, "duration_s"] /= 1.1
    outcomes = estimate(table).outcomes_by_arm.set_index("outcome")
    speed = outcomes.loc["mean speed"]
    assert speed["low"] < 10 < speed["high"]
    assert speed["p"] < 0.01
    assert outcomes.loc["demand", "p"] > 0.01


def test_uneven_effect_is_the_change_of_summed_fuel() -> None:
    """A fan that takes 8 mL on every kilometre, thirsty or not: 8 % of the sum, 16 % downhill."""
    rng = np.random.default_rng(12)
    table = passes(rng, effect=0.0, day_sd=0.003, run_sd=0.003, pass_sd=0.01)
    need = table["segment"].str[1:].astype(int) * 18.0 + 50
    base = table["ml_per_km"] / np.exp(4.2) * need
    ml_per_km = base + 8 * (table["arm"] == "fitted")
    table = table.assign(ml_per_km=ml_per_km, fuel_ml=ml_per_km * table["distance_km"])
    with_it = (table["arm"] == "fitted").to_numpy()
    without = (base * table["distance_km"])[with_it].sum()
    true = 100 * (table["fuel_ml"][with_it].sum() / without - 1)
    result = estimate(table)
    assert result.primary.low is not None
    assert result.primary.high is not None
    assert result.primary.low < true < result.primary.high
    assert result.primary.estimate == pytest.approx(true, abs=0.5)


def test_chance_order_of_few_days_is_not_called_aliased_by_a_middling_correlation() -> None:
    """scipy.stats.pearsonr: chance draws such a correlation in more than one order of twenty."""
    r = stats.pearsonr([0, 0, 0, 1, 1, 1], [1.0, 2, 6, 5, 6, 9])
    assert r.statistic > diagnostics.ALIASED
    assert r.pvalue > 0.05
    table = passes(np.random.default_rng(13), days=6, paired=False)
    by_day = dict(zip(table["day"].unique(), [1.0, 2, 6, 5, 6, 9], strict=True))
    arm = dict(zip(table["day"].unique(), ["baseline"] * 3 + ["fitted"] * 3, strict=True))
    table = table.assign(ambient_c=table["day"].map(by_day), arm=table["day"].map(arm))
    for randomised in (True, False):
        layout = lay_out(table, randomised=randomised)
        rows = diagnostics.design_table(layout, randomised).set_index("what")
        told = rows.loc["ambient temperature", "note"] != ""
        assert told is not randomised


def test_runs_switched_one_by_one_are_compared_within_their_days() -> None:
    result = estimate(
        passes(np.random.default_rng(16), switched_by_run=True, day_sd=0.05), randomised=False
    )
    i = result.primary
    assert i.low is not None
    assert i.low < 100 * np.expm1(-0.05) < i.high
    assert i.high - i.low < 4  # day scatter of 5 % stays out
    assert i.df <= 11


def test_two_pairs_of_days_give_no_interval() -> None:
    result = estimate(passes(np.random.default_rng(13), days=4))
    assert result.primary.low is None
    assert result.primary.high is None
    assert np.isfinite(result.primary.estimate)
    assert "under 2 degrees of freedom" in result.primary.method
    assert result.randomisation is not None
    assert result.randomisation.low is None


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_day_that_a_pair_can_not_spare_gives_no_estimate_without_it() -> None:
    """Four days in pairs: without one of them the other pair alone carries the arm."""
    result = estimate(passes(np.random.default_rng(4), days=4))
    assert result.leave_one_out["estimate"].isna().all()


def test_one_day_in_each_arm_is_refused() -> None:
    with pytest.raises(DesignError, match="one switch unit in each arm"):
        estimate(passes(np.random.default_rng(14), days=2))


def test_segments_tell_the_same_effect(plain: EffectResult) -> None:
    table = plain.segment_effects
    assert len(table) == 8
    assert (table["low"] < table["change_pct"]).all()
    assert ((table["low"] < -5) & (table["high"] > -5)).mean() >= 0.7
    assert (table["passes_baseline"] == 12).all()


def test_coefficients_and_means_match_the_primary_result(plain: EffectResult) -> None:
    arm = plain.coefficients.set_index("term").loc["arm"]
    assert 100 * np.expm1(arm["estimate"]) == pytest.approx(plain.primary.estimate)
    work = plain.coefficients.set_index("term").loc["positive work"]
    assert work["low"] < 0.001 * np.exp(4.2) < work["high"]
    means = plain.unit_means.set_index("arm")["adjusted_pct"].groupby(level=0).mean()
    assert means["fitted"] < means["baseline"]
    assert len(plain.residuals) == 192


def test_room_between_the_fuel_bounds_is_told_in_percent() -> None:
    table = passes(np.random.default_rng(15))
    assert ambiguity_pct(table, randomised=True, physics=PETROL) == pytest.approx(0, abs=1e-6)
    fitted = table["arm"] == "fitted"
    table.loc[fitted, "fuel_high_ml"] *= 1.02
    assert ambiguity_pct(table, randomised=True, physics=PETROL) == pytest.approx(2 * 0.95, abs=0.1)


def test_smallest_detectable_change_is_wider_than_the_half_width(plain: EffectResult) -> None:
    assert plain.primary.low is not None
    half = (plain.primary.high - plain.primary.low) / 2
    assert half < plain.smallest_detectable_pct < 2 * half


@pytest.mark.parametrize("size", [-0.3, -0.05, 0.1, 0.5])
def test_device_of_any_size_moves_the_estimate_by_just_so_much(size: float) -> None:
    """A proportional device leaves the expected fuel's coefficients alone, whatever its size."""
    none = estimate(passes(np.random.default_rng(20), effect=0.0))
    table = passes(np.random.default_rng(20), effect=size)
    found = estimate(table)
    moved = np.log1p(found.primary.estimate / 100) - np.log1p(none.primary.estimate / 100)
    assert moved == pytest.approx(size, abs=1e-5)
    terms = [r.coefficients.set_index("term").loc["positive work"] for r in (none, found)]
    assert terms[1]["estimate"] / terms[0]["estimate"] == pytest.approx(np.exp(size / 2), rel=1e-4)


def test_pass_that_burned_nothing_stays_in_the_result() -> None:
    table = passes(np.random.default_rng(21))
    table.loc[13, ["ml_per_km", "fuel_ml", "fuel_low_ml", "fuel_high_ml"]] = 0.0
    result = estimate(table)
    assert table.loc[13, "segment"] in set(result.segment_effects["segment"])
    assert "segment-without-fuel" in codes(result)
    assert len(result.residuals) == len(table)


def test_switch_unit_that_burned_nothing_is_refused_by_name() -> None:
    table = passes(np.random.default_rng(22))
    dead = table["day"] == table["day"].iloc[0]
    table.loc[dead, ["ml_per_km", "fuel_ml", "fuel_low_ml", "fuel_high_ml"]] = 0.0
    with pytest.raises(DesignError, match=r"switch unit 2026-03-02 burned no fuel"):
        estimate(table)


def test_one_pass_a_day_is_a_valid_study() -> None:
    """Too few passes to fit expected fuel: it comes from the car's declared data."""
    table = passes(np.random.default_rng(23), runs=1, segments=1, days=12, pass_sd=0.01)
    result = estimate(table)
    assert result.primary.low is not None
    assert "expected-fuel" in codes(result)
    assert "declared data" in result.primary.method
    whole = estimate(table, whole_runs=True)
    assert whole.primary.estimate == pytest.approx(result.primary.estimate)
    assert result.one_stage is None or np.isfinite(result.one_stage.estimate)


def test_routes_that_share_no_segment_are_compared_each_for_itself() -> None:
    """Days on one road say nothing of the level on another: each has a column of its own."""
    table = passes(np.random.default_rng(24), days=20, effect=-0.05, day_sd=0.004)
    block = table["block"].str[1:].astype(int)
    other = block % 2 == 1
    dearer = np.where(other, 1.4, 1.0)
    table = table.assign(
        segment=table["segment"].where(~other, table["segment"] + "x"),
        fuel_ml=table["fuel_ml"] * dearer, ml_per_km=table["ml_per_km"] * dearer,
    )  # fmt: skip
    i = estimate(table).primary
    assert i.low is not None
    assert i.low < 100 * np.expm1(-0.05) < i.high
    assert i.high - i.low < 4


def test_route_of_one_arm_alone_is_left_out_and_told() -> None:
    table = passes(np.random.default_rng(25), days=16)
    last = table["day"] == table["day"].iloc[-1]
    arm = table.loc[last, "arm"].iloc[0]
    table.loc[last, "segment"] += "x"
    result = estimate(table)
    assert table["day"].iloc[-1] not in set(result.unit_means["switch_unit"])
    assert arm in {"baseline", "fitted"}


def test_study_day_without_a_thermometer_costs_no_margin_but_a_whole_study_does() -> None:
    table = passes(np.random.default_rng(26))
    one = table["day"] == table["day"].iloc[0]
    known = estimate(table.assign(ambient_c=table["ambient_c"].where(~one))).held
    unknown = estimate(table.assign(ambient_c=np.nan)).held
    assert known is not None
    assert unknown is not None
    assert np.isfinite(known.warmer_k)
    assert not np.isfinite(unknown.warmer_k)
    assert unknown.margin >= 0.005
