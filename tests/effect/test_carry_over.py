"""Effects that outlast taking the add-on out, or build up while it is in: planted, and absent."""

import numpy as np
import pandas as pd
import pytest

from roadlog.effect import estimate_effect
from roadlog.effect.carry_over import (
    AFTER_FITTED,
    BY_DISTANCE,
    carry_over_table,
    carry_over_warnings,
    previous_arm_row,
)
from roadlog.effect.estimate import primary_stages
from roadlog.stats.interval import NamedInterval
from tests.effect.drives import PETROL, passes


def table_of(table: pd.DataFrame) -> pd.DataFrame:
    stages = primary_stages(table, randomised=True, physics=PETROL)
    return carry_over_table(stages.layout, stages.fit)


def rows_of(table: pd.DataFrame) -> list[NamedInterval]:
    stages = primary_stages(table, randomised=True, physics=PETROL)
    return list(previous_arm_row(stages.layout, stages.fit.ratio_log))


def with_distance(table: pd.DataFrame) -> pd.DataFrame:
    """Kilometres since each day's start, run after run."""
    before = table.groupby("switch_unit")["distance_km"].cumsum() - table["distance_km"]
    return table.assign(km_since_switch=before)


def burning(table: pd.DataFrame, log_change: pd.Series) -> pd.DataFrame:
    ml = table["ml_per_km"] * np.exp(log_change)
    return table.assign(ml_per_km=ml, fuel_ml=ml * table["distance_km"])


def previous_was_fitted(table: pd.DataFrame) -> pd.Series:
    fitted = table.groupby("switch_unit", sort=False)["arm"].first() == "fitted"
    return table["switch_unit"].map(fitted.shift(1, fill_value=False)).astype(float)


def test_additive_that_stays_for_a_day_shows_after_its_days() -> None:
    table = passes(np.random.default_rng(1), days=20, effect=-0.08, day_sd=0.004)
    table = burning(table, -0.06 * previous_was_fitted(table))
    found = table_of(table).set_index("what").loc[AFTER_FITTED]
    assert found["low"] < 100 * np.expm1(-0.06) < found["high"] < 0


def test_primary_with_the_previous_arm_held_equal_finds_the_effect_of_the_day_itself() -> None:
    table = passes(np.random.default_rng(2), days=20, effect=-0.08, day_sd=0.004)
    table = burning(table, -0.06 * previous_was_fitted(table))
    true = 100 * np.expm1(-0.08)
    (row,) = rows_of(table)
    assert row.interval.low < true < row.interval.high
    assert row.role == "sensitivity"
    assert row.interval.df == 7.0  # ten pairs, the first broken; arm and previous arm


def test_effect_that_builds_up_over_the_day_is_told() -> None:
    table = with_distance(passes(np.random.default_rng(3), days=20, effect=0.0, run_sd=0.002))
    km = table["km_since_switch"]
    table = burning(table, -0.08 * (table["arm"] == "fitted") * (km - km.mean()) / 10)
    rows = table_of(table)
    found = rows.set_index("what").loc[BY_DISTANCE]
    assert found["low"] < 100 * np.expm1(-0.08) < found["high"] < 0
    (told,) = [w for w in carry_over_warnings(rows) if "10 km" in str(w.message)]
    assert told.code == "carry-over"
    assert "washout_km" in told.message


@pytest.mark.parametrize("paired", [True, False])
def test_device_that_leaves_nothing_behind_is_seldom_accused(paired: bool) -> None:
    """Two rows at 1 %; in 100 studies more than 8 alarms come once in a thousand (binomial)."""
    alarms, inside, seen = 0, 0, 0
    for seed in range(100):
        drawn = passes(np.random.default_rng(seed), days=20, paired=paired, segments=4)
        table = with_distance(drawn)
        rows = table_of(table)
        alarms += bool(carry_over_warnings(rows))
        seen += len(rows)
        inside += int(((rows["low"] < 0) & (rows["high"] > 0)).sum())
    assert seen >= 198
    assert 0.92 <= inside / seen <= 0.99
    assert alarms <= 8


def test_strict_turns_cannot_tell_the_previous_arm() -> None:
    table = with_distance(passes(np.random.default_rng(4)))
    second = table["day"].isin(table["day"].unique()[1::2])
    table = table.assign(arm=np.where(second, "fitted", "baseline"))
    assert list(table_of(table)["what"]) == [BY_DISTANCE]
    assert rows_of(table) == []


def test_twelve_days_in_pairs_cannot_tell_the_previous_arm() -> None:
    """Eleven days, six blocks, two arms: three degrees of freedom."""
    table = with_distance(passes(np.random.default_rng(4)))
    assert list(table_of(table)["what"]) == [BY_DISTANCE]
    assert rows_of(table) == []


def test_rows_stand_beside_the_result() -> None:
    table = with_distance(passes(np.random.default_rng(5), days=20))
    result = estimate_effect(table, randomised=True, physics=PETROL)
    assert list(result.carry_over["what"]) == [AFTER_FITTED, BY_DISTANCE]
    assert any(r.name == "previous arm held equal" for r in result.forest)


@pytest.mark.parametrize(("p", "told"), [(0.0099, True), (0.0101, False), (0.04, False)])
def test_a_row_is_told_from_one_in_a_hundred(p: float, told: bool) -> None:
    row = {"what": BY_DISTANCE, "estimate": -3.0, "low": -5.0, "high": -1.0, "p": p}
    assert bool(carry_over_warnings(pd.DataFrame([row]))) is told


def test_p_and_interval_of_a_row_speak_of_the_same_t() -> None:
    """With p = 0.05 the 95 % interval would end at nought: p follows from estimate and width."""
    from scipy.stats import t

    table = with_distance(passes(np.random.default_rng(3), days=20, effect=0.0))
    (row,) = table_of(table).set_index("what").loc[[BY_DISTANCE]].itertuples()
    tau, low = np.log1p(row.estimate / 100), np.log1p(row.low / 100)
    df = 18  # twenty days, each with a slope of its own, less one slope an arm
    se = (tau - low) / t.ppf(0.975, df)
    assert row.p == pytest.approx(2 * t.sf(abs(tau) / se, df), rel=1e-6)


def test_a_slope_by_distance_needs_distance_and_four_degrees_of_freedom() -> None:
    table = with_distance(passes(np.random.default_rng(3), days=20))
    near = table.assign(
        km_since_switch=table["km_since_switch"] * 0.99 / table["km_since_switch"].max()
    )
    assert BY_DISTANCE not in set(table_of(near)["what"])
    for days, seen in ((4, False), (6, True)):
        few = with_distance(passes(np.random.default_rng(3), days=days))
        assert (BY_DISTANCE in set(table_of(few)["what"])) is seen
