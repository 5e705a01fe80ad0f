"""What holding the driving equal rests on: margin, physics in place of the fit, obstacles."""

import numpy as np
import pandas as pd
import pytest

from roadlog.effect.estimate import Primary, primary_stages
from roadlog.effect.held_equal import (
    LEAST_WORK,
    MOST_DRIVING,
    PER_DEGREE,
    SHARE_OF_DRIVING,
    UNKNOWN_AIR,
    driving_outcomes,
    hold_equal,
    temperature_factor,
)
from roadlog.effect.result import HeldEqual
from tests.effect.drives import PETROL, passes

ML_PER_KJ = 0.084  # of the invented drives below: physics at 38 %


def drives(seed: int, *, slower_pct: float = 0.0, read_noise: float = 0.0) -> pd.DataFrame:
    """Passes whose fuel is made of kilometres and work; fitted days may be driven gentler."""
    rng = np.random.default_rng(seed)
    table = passes(rng, days=20, effect=0.0)
    gentle = np.where(table["arm"] == "fitted", 1 - slower_pct / 100, 1.0)
    demand = table["demand_kj_per_km"] * gentle * rng.normal(1, 0.05, len(table))
    km = table["distance_km"]
    fuel = (25 + ML_PER_KJ * demand) * km * np.exp(rng.normal(0, 0.01, len(table)))
    read = demand * np.exp(read_noise * rng.standard_normal(len(table)))
    return table.assign(fuel_ml=fuel, ml_per_km=fuel / km, demand_kj_per_km=read)


def held_of(table: pd.DataFrame) -> tuple[HeldEqual, Primary]:
    s = primary_stages(table, randomised=True, physics=PETROL)
    air = table["ambient_c"].groupby(table["switch_unit"], sort=False).mean().to_numpy()
    return hold_equal(s.fit, s.total, s.contrast, air, PETROL), s


def test_alike_driving_needs_hardly_any_margin() -> None:
    held, _ = held_of(drives(1))
    assert abs(held.driving) < 0.01
    assert held.physics_shift < 0.002
    assert held.obstacles == ()
    assert held.margin == pytest.approx(
        max(SHARE_OF_DRIVING * abs(held.driving), held.physics_shift)
        + PER_DEGREE * abs(held.warmer_k)
    )


def test_gentler_driving_is_explained_and_a_quarter_of_it_is_margin() -> None:
    """6 % less work, near two thirds of the fuel: about 4 % less fuel, all of it told."""
    held, stages = held_of(drives(2, slower_pct=6))
    assert -0.05 < held.driving < -0.03
    assert abs(stages.contrast.tau) < 0.01
    assert held.margin >= 0.25 * abs(held.driving)
    assert held.obstacles == ()


def test_driving_that_explains_too_much_is_an_obstacle() -> None:
    held, _ = held_of(drives(3, slower_pct=15))
    assert abs(held.driving) > MOST_DRIVING
    assert held.obstacles == ("driving-moved",)


def test_badly_read_demand_is_an_obstacle() -> None:
    held, stages = held_of(drives(4, read_noise=0.3))
    assert stages.fit.coefficients["positive work"] < LEAST_WORK * ML_PER_KJ
    assert "weak-work" in held.obstacles


def test_noisy_demand_shows_in_the_shift_to_physics() -> None:
    """Noise shrinks the fitted coefficient, and the effect with gentler driving moves with it."""
    quiet, _ = held_of(drives(5, slower_pct=5))
    noisy, _ = held_of(drives(5, slower_pct=5, read_noise=0.05))
    assert noisy.physics_shift > 2 * quiet.physics_shift
    assert noisy.margin > quiet.margin


def test_unknown_work_is_an_obstacle() -> None:
    table = drives(6).assign(demand_kj_per_km=np.nan)
    held, stages = held_of(table)
    assert held.obstacles == ("no-work",)
    assert any("positive work: known for only 0 %" in n.replace("%", " %") for n in stages.notes)


def test_air_unknown_in_many_units_costs_half_a_point() -> None:
    table = drives(7)
    s = primary_stages(table, randomised=True, physics=PETROL)
    air = np.where(np.arange(20) < 8, np.nan, 10.0)
    held = hold_equal(s.fit, s.total, s.contrast, air, PETROL)
    assert np.isnan(held.warmer_k)
    assert held.margin >= UNKNOWN_AIR


def test_temperature_factor_is_one_at_the_mean_and_where_unknown() -> None:
    factor = temperature_factor(np.array([0.0, 20.0, np.nan]))
    assert factor[0] == pytest.approx(np.exp(0.004))
    assert factor[1] == pytest.approx(np.exp(-0.004))
    assert factor[2] == 1.0
    assert (temperature_factor(np.array([np.nan])) == 1).all()


def test_outcomes_compare_each_unit_with_its_segments_usual() -> None:
    stages = primary_stages(drives(8, slower_pct=8), randomised=True, physics=PETROL)
    told = driving_outcomes(stages.layout).set_index("outcome")
    assert told.loc["demand", "low"] < -8 < told.loc["demand", "high"]
    assert told.loc["demand", "p"] < 0.001
    assert told.loc["mean speed", "p"] > 0.001
