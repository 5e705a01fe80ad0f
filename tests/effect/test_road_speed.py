"""The effect by class of road, by conditions and by kilometres: planted, absent, and untold."""

import numpy as np
import pandas as pd
import pytest

from roadlog.effect import estimate_effect
from roadlog.effect.carry_over import AT_THE_END, PER_100_KM, build_up_table
from roadlog.effect.conditions import conditions_by_arm
from roadlog.effect.estimate import NOTHING_SET_ASIDE, primary_stages
from roadlog.effect.road_speed import BOUNDS_KMH, FAST_LESS_SLOW, road_speed_effects
from tests.effect.drives import PETROL, passes
from tests.effect.test_carry_over import burning


def of_two_speeds(table: pd.DataFrame) -> pd.DataFrame:
    """The first half of the segments in town, the second on a fast road."""
    names = sorted(table["segment"].unique())
    slow = table["segment"].isin(names[: len(names) // 2])
    hours = table["distance_km"] / np.where(slow, 30.0, 90.0)
    return table.assign(duration_s=3600 * hours)


def by_speed(table: pd.DataFrame) -> pd.DataFrame:
    stages = primary_stages(table, randomised=True, physics=PETROL)
    return road_speed_effects(stages.layout, stages.fit).set_index("road")


def test_a_saving_in_town_alone_shows_there_and_in_the_difference() -> None:
    table = of_two_speeds(passes(np.random.default_rng(1), days=20, effect=0.0, day_sd=0.004))
    slow = table["duration_s"] / table["distance_km"] > 3600 / BOUNDS_KMH[0]
    rows = by_speed(burning(table, -0.06 * ((table["arm"] == "fitted") & slow)))
    assert list(rows.index) == ["slow", "fast", FAST_LESS_SLOW]
    assert rows.loc["slow", "low"] < 100 * np.expm1(-0.06) < rows.loc["slow", "high"] < 0
    assert rows.loc["fast", "low"] < 0 < rows.loc["fast", "high"]
    assert 0 < rows.loc[FAST_LESS_SLOW, "low"] < 100 * np.expm1(0.06)


def test_the_same_effect_everywhere_leaves_no_difference_between_roads() -> None:
    inside = 0
    for seed in range(40):
        table = passes(np.random.default_rng(seed), days=12, effect=-0.05, segments=6)
        rows = by_speed(of_two_speeds(table))
        inside += rows.loc[FAST_LESS_SLOW, "low"] < 0 < rows.loc[FAST_LESS_SLOW, "high"]
    assert inside >= 34  # 38 expected; under 34 has probability 0.003


def test_one_kind_of_road_says_nothing_of_another() -> None:
    table = passes(np.random.default_rng(2))
    rows = by_speed(table.assign(duration_s=3600 * table["distance_km"] / 60))
    assert list(rows.index) == ["middle"]
    primary = estimate_effect(table, randomised=True, physics=PETROL).primary
    assert rows.loc["middle", "change_pct"] == pytest.approx(primary.estimate, abs=0.5)


def test_a_class_that_one_arm_hardly_drove_is_left_out() -> None:
    table = of_two_speeds(passes(np.random.default_rng(3)))
    slow = table["duration_s"] / table["distance_km"] > 3600 / BOUNDS_KMH[0]
    fitted = table.loc[table["arm"] == "fitted", "switch_unit"].unique()
    kept = ~slow | (table["arm"] == "baseline") | (table["switch_unit"] == fitted[0])
    assert list(by_speed(table[kept].reset_index(drop=True)).index) == ["fast"]


def test_effect_that_grows_with_kilometres_is_told_and_its_end_read_off() -> None:
    table = passes(np.random.default_rng(4), days=24, effect=0.0, day_sd=0.003)
    fitted = table["arm"] == "fitted"
    km = (table["distance_km"] * fitted).cumsum()
    stages = primary_stages(
        burning(table, -0.03 * fitted * km / 100), randomised=True, physics=PETROL
    )
    rows = build_up_table(stages.layout, stages.fit).set_index("what")
    assert rows.loc[PER_100_KM, "high"] < 0
    end = 100 * np.expm1(-0.03 * rows.loc[AT_THE_END, "km"] / 100)
    assert rows.loc[AT_THE_END, "low"] < end < rows.loc[AT_THE_END, "high"]


def test_without_dates_nothing_is_said_of_kilometres() -> None:
    table = passes(np.random.default_rng(5)).assign(start=pd.NaT)
    stages = primary_stages(table, randomised=True, physics=PETROL)
    assert build_up_table(stages.layout, stages.fit).empty


def test_a_warmer_arm_is_told_and_what_never_varies_has_no_bounds() -> None:
    table = passes(np.random.default_rng(6), days=20)
    warmer = np.where(table["arm"] == "fitted", 6.0, 0.0)
    noise = table["switch_unit"].map(
        dict(zip(table["switch_unit"].unique(), np.sin(range(20)), strict=True))
    )
    table = table.assign(
        ambient_c=10 + warmer + noise, wet_road=0.0, remark_load_kg=["?"] * len(table)
    )
    layout = primary_stages(table, randomised=True, physics=PETROL).layout
    rows = conditions_by_arm(layout).set_index("what")
    assert rows.loc["ambient_c", "low"] < 6.0 < rows.loc["ambient_c", "high"]
    assert rows.loc["ambient_c", "p"] < 0.001
    assert rows.loc["wet_road", "difference"] == 0
    assert np.isnan(rows.loc["wet_road", "high"])
    assert "remark_load_kg" not in rows.index


def test_nothing_set_aside_puts_passes_back_that_have_fuel_and_only_those() -> None:
    table = passes(np.random.default_rng(7))
    out = table.index[table["arm"] == "fitted"][:3]
    table.loc[out, "used"] = False
    table.loc[out[0], ["fuel_ml", "ml_per_km"]] = np.nan
    result = estimate_effect(table, randomised=True, physics=PETROL)
    (row,) = [r for r in result.forest if r.name == NOTHING_SET_ASIDE]
    assert row.note.startswith("with 2 of the 3 passes")
    back = table.drop(index=out[0]).assign(used=True).reset_index(drop=True)
    whole = estimate_effect(back, randomised=True, physics=PETROL)
    assert row.interval.estimate == pytest.approx(whole.primary.estimate, abs=1e-4)
