"""Expected fuel from the car's declared data: what it is made of, and how far it may be off."""

import numpy as np
import pytest

from roadlog.effect import fuel_physics
from roadlog.effect.expected_fuel import Terms
from roadlog.effect.fixed_offset import (
    COEFFICIENT_ERROR,
    by_fixed_offset,
    coefficient_shift,
    total_by_fixed_offset,
)
from roadlog.stats.unit_contrast import contrast_units

CAR = fuel_physics(density_kg_m3=745, lhv_mj_kg=42.0, displacement_l=1.5)


def runs(work_kj: np.ndarray, scale: np.ndarray | float = 1.0) -> Terms:
    """One run a day of 15 km and 20 min, half warm, with this much work; fuel as expected."""
    n = len(work_kj)
    columns = np.column_stack(
        [np.full(n, 15.0), np.full(n, 1200.0), work_kj, np.linspace(0, 200, n)]
    )
    names = ("segment whole", "time", "positive work", "cold start")
    plain = Terms(columns, names, np.arange(n), np.ones(n), np.ones(n), np.zeros(n))
    fuel = by_fixed_offset(plain, CAR).expected_ml * scale
    return Terms(columns, names, np.arange(n), fuel, np.ones(n), np.zeros(n))


def test_coefficients_of_a_small_petrol_engine_are_what_engines_do() -> None:
    """Idle near 0.13 g/s at 1.5 L, 40 % of the heating value for added work, and a mixed kilometre
    of 400 kJ in 80 s takes 35 to 60 g (4.7 to 8 L/100 km): common practice, no source."""
    assert CAR.time_ml_s * 0.745 == pytest.approx(0.13, abs=0.01)
    assert CAR.work_ml_kj * 0.745 == pytest.approx(1 / (0.40 * 42.0))
    a_kilometre = 80 * CAR.time_ml_s + CAR.distance_ml_km + 400 * CAR.work_ml_kj
    assert 35 < a_kilometre * 0.745 < 60


def test_declared_idle_goes_before_the_rule() -> None:
    told = fuel_physics(density_kg_m3=745, lhv_mj_kg=42.0, displacement_l=1.5, idle_g_s=0.2)
    assert told.time_ml_s * 0.745 == pytest.approx(0.2)
    assert "idle as logged, both arms" in told.sources
    assert "engine of 1.6 L (assumed)" in fuel_physics(density_kg_m3=745, lhv_mj_kg=42.0).sources


def test_diesel_turns_more_of_its_fuel_into_work() -> None:
    diesel = fuel_physics(density_kg_m3=832, lhv_mj_kg=42.6, diesel=True, displacement_l=1.6)
    assert diesel.work_ml_kj * diesel.energy_kj_ml == pytest.approx(1 / 0.42)


def test_device_moves_the_ratio_by_just_its_factor_one_run_a_day() -> None:
    arm = np.tile([0, 1], 6)
    work = np.random.default_rng(1).uniform(4000, 8000, 12)
    fit = by_fixed_offset(runs(work, np.where(arm == 1, 0.94, 1.0)), CAR)
    c = contrast_units(
        fit.ratio_log, arm, np.ones((12, 1)), fit.unit_expected_ml, fit.pass_variance
    )
    assert c is not None
    assert c.tau == pytest.approx(np.log(0.94), abs=1e-12)
    assert c.floor_se == 0.0  # a pass is a run: no floor


def test_harder_driving_in_one_arm_is_margin_by_the_coefficients_error() -> None:
    arm = np.tile([0, 1], 6)
    terms = runs(np.where(arm == 1, 6600.0, 6000.0))
    fit = by_fixed_offset(terms, CAR)
    c = contrast_units(fit.ratio_log, arm, np.ones((12, 1)))
    assert c is not None
    assert c.tau == pytest.approx(0, abs=1e-12)
    shift = coefficient_shift(terms, CAR, c)
    share = 6300 * CAR.work_ml_kj / fit.expected_ml.mean()
    assert shift == pytest.approx(COEFFICIENT_ERROR * 0.1 * share * (1 - share), rel=0.3)
    alike = runs(np.full(12, 6000.0))
    assert coefficient_shift(alike, CAR, c) < 0.5 * shift


def test_total_allows_for_distance_and_cold_start_alone() -> None:
    arm = np.tile([0, 1], 6)
    terms = runs(np.where(arm == 1, 6600.0, 6000.0))
    z, of_total = by_fixed_offset(terms, CAR).ratio_log, total_by_fixed_offset(terms, CAR).ratio_log
    c = contrast_units(z, arm, np.ones((12, 1)))
    assert c is not None
    assert c.of(of_total - z) > 0.02
