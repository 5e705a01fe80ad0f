"""From pass table to design: what is refused, what is admitted, and in which order."""

import numpy as np
import pandas as pd
import pytest

from roadlog.effect.design import (
    MEDIATORS,
    build_design,
    refuse_mediators,
    segment_fuel_ml_per_km,
    warmup_deficit_c,
)
from roadlog.effect.diagnostics import without_fuel_warnings
from roadlog.effect.estimate import estimate_effect
from roadlog.errors import DesignError, InputError
from roadlog.study.settings import parse_study
from tests.effect.drives import PETROL, passes


@pytest.fixture
def table() -> pd.DataFrame:
    return passes(np.random.default_rng(1))


@pytest.mark.parametrize("mediator", MEDIATORS)
def test_what_the_device_may_change_is_no_covariate(table: pd.DataFrame, mediator: str) -> None:
    column = f"mean_{mediator}"
    with pytest.raises(InputError, match=f"'{column}' can't be a covariate of the main model"):
        build_design(table.assign(**{column: 1.0}), [column])


def test_a_remark_never_enters_the_model(table: pd.DataFrame) -> None:
    """The number on the seal rose by one a day and passed for a drift of the car."""
    numbers = np.random.default_rng(3).normal(size=table["day"].nunique())
    counted = table["day"].map(dict(zip(table["day"].unique(), numbers, strict=True)))
    bare = table.drop(columns=["ambient_c"])
    assert build_design(bare.assign(remark_number=counted)).names == build_design(bare).names
    assert "note_number" in build_design(bare.assign(note_number=counted)).names


def test_a_noted_mediator_is_refused_and_noted_words_are_told(table: pd.DataFrame) -> None:
    with pytest.raises(InputError, match="'note_mean_rpm' can't be a covariate"):
        build_design(table.assign(note_mean_rpm=1.0))
    design = build_design(table.assign(note_windows="shut", note_payload=np.nan))
    assert "windows: noted in words, not as numbers or yes and no" in design.notes
    assert any(n.startswith("payload: known for only 0%") for n in design.notes)


def test_engine_load_named_in_the_study_file_is_refused(table: pd.DataFrame) -> None:
    study = parse_study('[analysis]\ncovariates = ["demand_kj_per_km", "engine_load_pct"]')
    with pytest.raises(InputError, match="engine_load_pct"):
        estimate_effect(
            table, randomised=True, physics=PETROL, covariates=study.analysis.covariates
        )


def test_conditions_of_road_and_weather_are_admitted() -> None:
    refuse_mediators(["demand_kj_per_km", "ambient_c", "headwind_m_s", "note_payload_kg"])


def test_unknown_covariate_is_named(table: pd.DataFrame) -> None:
    with pytest.raises(InputError, match="'moon_phase' is not in the pass table"):
        build_design(table, ["moon_phase"])


def test_named_covariates_replace_the_policys_own(table: pd.DataFrame) -> None:
    assert build_design(table, ["demand_kj_per_km"]).names == ["demand_kj_per_km"]
    assert build_design(table).names[:3] == ["demand_kj_per_km", "mean_speed_kmh", "idle_s_per_km"]


@pytest.mark.parametrize(("days", "budget"), [(6, 0), (8, 1), (12, 2), (16, 3)])
def test_days_carry_a_quarter_of_their_number_less_four_covariates(days: int, budget: int) -> None:
    rng = np.random.default_rng(2)
    table = passes(rng, days=days, paired=False)
    for k in range(6):
        of_day = dict(zip(table["day"].unique(), rng.normal(size=days), strict=True))
        table[f"note_tank_{k}"] = table["day"].map(of_day)
    design = build_design(table, [f"note_tank_{k}" for k in range(6)])
    assert len(design.between) == min(budget, max(0, design.base_df - 4))
    assert len(design.between) <= (days - 4) // 4
    assert (
        design.names
        == list(design.between)
        == [f"note_tank_{k}" for k in range(len(design.between))]
    )
    assert design.df(design.names) == design.base_df - len(design.between)


def test_pairs_leave_fewer_covariates_than_days_alone() -> None:
    rng = np.random.default_rng(3)
    table = passes(rng, days=12)
    of_day = dict(zip(table["day"].unique(), rng.normal(size=12), strict=True))
    table["note_tank"] = table["day"].map(of_day)
    table["note_tyres"] = table["day"].map(of_day) ** 2
    design = build_design(table, ["note_tank", "note_tyres"])
    assert design.base_df == 5
    assert design.between == ("note_tank",)


def test_covariate_that_is_mostly_missing_is_left_out_and_said_so(table: pd.DataFrame) -> None:
    table.loc[table.index[:60], "ambient_c"] = np.nan
    design = build_design(table)
    assert "ambient_c" not in design.names
    assert any("known for only" in n and "temperature" in n for n in design.notes)


def test_copy_of_a_covariate_is_left_out(table: pd.DataFrame) -> None:
    table["note_work"] = table["demand_kj_per_km"].groupby(table["segment"]).transform("mean")
    design = build_design(table)
    assert "note_work" not in design.names


def test_noted_wet_road_that_repeats_the_weathers_is_left_out(table: pd.DataFrame) -> None:
    wet = (table["run"] % 3 == 0).astype(float)
    design = build_design(table.assign(wet_road=wet, note_wet_road=wet, ambient_c=12.0))
    assert "wet_road" in design.names
    assert "note_wet_road" not in design.names
    assert any(n.startswith("wet road: determined by other covariates") for n in design.notes)


def test_pairs_of_days_become_blocks(table: pd.DataFrame) -> None:
    design = build_design(table)
    assert design.blocked
    assert sum(n.startswith("block ") for n in design.fixed_names) == 5
    assert design.base_df == 12 - 1 - 6


def test_one_missed_day_does_not_unblock_the_others(table: pd.DataFrame) -> None:
    design = build_design(table[table["day"] != table["day"].iloc[-1]])
    assert design.blocked
    assert len(design.units) == 11
    assert design.base_df == 11 - 1 - 6


def test_weeks_of_one_arm_each_are_no_blocks(table: pd.DataFrame) -> None:
    by_arm = table.assign(block=table["arm"] + (table["run"] // 8).astype(str))
    assert not build_design(by_arm).blocked
    assert not build_design(table.assign(block="")).blocked


def test_runs_lie_within_days_and_days_over_switched_runs(table: pd.DataFrame) -> None:
    assert build_design(table).other_name == "run"
    by_run = build_design(passes(np.random.default_rng(4), switched_by_run=True))
    assert by_run.other_name == "day"
    assert len(by_run.units) == 24
    assert by_run.base_df <= 24 - 12 - 1
    one_a_day = build_design(passes(np.random.default_rng(4), runs=1))
    assert one_a_day.other is None


def test_excluded_passes_stay_out(table: pd.DataFrame) -> None:
    table.loc[table.index[:10], "used"] = False
    design = build_design(table)
    assert len(design.y) == len(table) - 10
    assert not set(table.index[:10]) & set(design.passes.index)


def test_switch_unit_with_both_arms_is_named(table: pd.DataFrame) -> None:
    day = table["day"].iloc[0]
    one_run = (table["day"] == day) & (table["run"] == table["run"].iloc[0])
    table.loc[one_run, "arm"] = np.where(
        table.loc[one_run, "arm"] == "fitted", "baseline", "fitted"
    )
    with pytest.raises(InputError, match=f"switch unit {day} holds runs of both arms"):
        build_design(table)


def test_one_day_in_each_arm_is_refused(table: pd.DataFrame) -> None:
    with pytest.raises(DesignError, match="one switch unit in each arm") as caught:
        build_design(table[table["day"].isin(table["day"].unique()[:2])])
    assert "\n" not in str(caught.value)


def test_no_fitted_run_is_refused(table: pd.DataFrame) -> None:
    with pytest.raises(DesignError, match="no usable run of the fitted arm"):
        build_design(table[table["arm"] == "baseline"])


def test_nothing_usable_is_refused(table: pd.DataFrame) -> None:
    with pytest.raises(DesignError, match="no pass is usable"):
        build_design(table.assign(used=False))


def test_arms_that_never_share_a_road_are_refused(table: pd.DataFrame) -> None:
    with pytest.raises(DesignError, match="no segment was driven in both arms"):
        build_design(table.assign(segment=table["segment"] + table["arm"]))


def test_segment_of_one_arm_is_left_out(table: pd.DataFrame) -> None:
    detour = (table["segment"] == "s3") & (table["arm"] == "fitted")
    design = build_design(table[~detour])
    assert "s3" not in set(design.passes["segment"])


def test_roof_box_that_follows_the_arm_is_named_in_one_sentence(table: pd.DataFrame) -> None:
    table["note_roof_box"] = (table["arm"] == "fitted").astype(float)
    with pytest.raises(DesignError, match="arm and roof box went together") as caught:
        estimate_effect(table, randomised=True, physics=PETROL, covariates=["note_roof_box"])
    assert "\n" not in str(caught.value)
    assert "leave 'note_roof_box' out" in str(caught.value)
    design = build_design(table)
    assert "note_roof_box" not in design.names
    assert any("roof box: going together with the arm" in n for n in design.notes)


def test_warm_up_is_taken_from_the_start_alone() -> None:
    deficit = warmup_deficit_c(np.array([20.0, 20.0, 90.0]), np.array([0.0, 600.0, 0.0]))
    assert deficit[0] == 60
    assert 0 < deficit[1] < 10
    assert deficit[2] == 0


def test_segment_that_a_pass_coasted_through_is_left_out_in_both_arms(
    table: pd.DataFrame,
) -> None:
    """A pass wholly on the overrun burns nothing; its logarithm would be minus infinity."""
    table.loc[13, "ml_per_km"] = 0.0
    coasted = table.loc[13, "segment"]
    design = build_design(table, [])
    assert np.isfinite(design.y).all()
    assert set(design.passes["segment"]) == set(table["segment"]) - {coasted}
    assert [w.code for w in without_fuel_warnings(table)] == ["segment-without-fuel"]
    assert without_fuel_warnings(table.drop(index=13)) == []


def test_weights_by_fuel_give_the_change_of_summed_fuel() -> None:
    """Vartia (1976): logarithmic means over that of the sums give the log ratio of sums exactly."""
    baseline = np.linspace(15, 110, 10)
    fitted = baseline + 6.25
    both = pd.DataFrame(
        {
            "segment": np.tile(np.arange(10), 2),
            "arm": np.repeat(["baseline", "fitted"], 10),
            "ml_per_km": np.concatenate([baseline, fitted]),
        }
    )
    ratio = np.log(fitted / baseline)
    ideal = (fitted - baseline) / ratio
    true = np.log(fitted.sum() / baseline.sum())
    whole = (fitted.sum() - baseline.sum()) / true
    assert ideal @ ratio / whole == pytest.approx(true, rel=1e-12)
    ours = segment_fuel_ml_per_km(both)[:10]
    assert 100 * (np.exp(ours @ ratio / ours.sum()) - np.exp(true)) == pytest.approx(
        0.014, abs=1e-3
    )
    assert 100 * (np.exp(ratio.mean()) - np.exp(true)) == pytest.approx(3.9, abs=0.1)
