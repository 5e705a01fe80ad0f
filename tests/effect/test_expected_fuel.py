"""Stage one: expected fuel within switch units, whatever the units' own scales.

Outside checks: scipy.optimize.least_squares on the same model, and the closed form for one unit.
"""

import numpy as np
import pytest
from scipy.optimize import least_squares

from roadlog.effect.expected_fuel import Terms, cold_start_s, fit_expected_fuel

UNITS, PER_UNIT = 8, 12


def study(rng: np.random.Generator, scale: np.ndarray, noise: float = 0.0) -> Terms:
    """Passes on four segments with time and work; the units burn `scale` times the expected."""
    n = UNITS * PER_UNIT
    unit = np.repeat(np.arange(UNITS), PER_UNIT)
    segment = np.tile(np.arange(4), n // 4)
    km = np.eye(4)[segment] * rng.uniform(0.8, 1.2, n)[:, None]
    columns = np.column_stack([km, rng.uniform(60, 120, n), rng.uniform(300, 900, n)])
    fuel = columns @ np.array([20.0, 25.0, 30.0, 15.0, 0.15, 0.08]) * scale[unit]
    names = ("segment a", "segment b", "segment c", "segment d", "time", "positive work")
    return Terms(
        columns, names, unit, fuel * np.exp(rng.normal(0, noise, n)), np.ones(n), np.zeros(n)
    )


def test_planted_coefficients_and_scales_come_back() -> None:
    scale = np.exp(np.linspace(-0.2, 0.2, UNITS))
    fit = fit_expected_fuel(study(np.random.default_rng(1), scale))
    assert fit.converged
    assert fit.ratio_log == pytest.approx(np.log(scale), abs=1e-6)
    assert fit.coefficients["positive work"] == pytest.approx(0.08, rel=1e-5)
    assert fit.coefficients["segment c"] == pytest.approx(30, rel=1e-5)
    assert fit.aliased == ()


def test_noisy_fit_solves_its_own_equations() -> None:
    """scipy.optimize.least_squares: coefficients are least squares at the fitted scales."""
    terms = study(np.random.default_rng(2), np.exp(np.linspace(-0.1, 0.1, UNITS)), noise=0.05)
    fit = fit_expected_fuel(terms)
    b = np.array([fit.coefficients[name] for name in terms.names])
    target = terms.fuel_ml / fit.scale[terms.unit]
    found = least_squares(lambda x: target - terms.columns @ x, b * 1.3, x_scale=b)
    assert found.x == pytest.approx(b, rel=1e-4)
    assert np.log(fit.scale).mean() == pytest.approx(0, abs=1e-12)
    assert np.log(fit.scale) == pytest.approx(fit.ratio_log - fit.ratio_log.mean(), abs=1e-5)


def test_scale_of_a_unit_moves_its_ratio_alone() -> None:
    plain = study(np.random.default_rng(3), np.ones(UNITS), noise=0.03)
    fuel = plain.fuel_ml * np.where(plain.unit == 2, 1.5, 1.0)
    moved = Terms(plain.columns, plain.names, plain.unit, fuel, plain.factor, plain.offset_ml)
    by = fit_expected_fuel(moved).ratio_log - fit_expected_fuel(plain).ratio_log
    assert by[2] - by[0] == pytest.approx(np.log(1.5), abs=1e-5)
    assert np.delete(by, 2) == pytest.approx(by[0], abs=1e-5)


def test_known_accessory_fuel_is_taken_as_told() -> None:
    """On for the whole of unit 1 and never else: fitted it would be that unit's scale."""
    plain = study(np.random.default_rng(4), np.ones(UNITS))
    extra = np.where(plain.unit == 1, 0.13 * plain.columns[:, 4], 0.0)
    terms = Terms(
        plain.columns, plain.names, plain.unit, plain.fuel_ml + extra, plain.factor, extra
    )
    assert fit_expected_fuel(terms).ratio_log == pytest.approx(0, abs=1e-6)


def test_term_that_goes_with_others_is_left_out_by_name() -> None:
    plain = study(np.random.default_rng(5), np.ones(UNITS))
    columns = np.column_stack([plain.columns, 3 * plain.columns[:, 4]])
    names = (*plain.names, "idle time")
    fit = fit_expected_fuel(
        Terms(columns, names, plain.unit, plain.fuel_ml, plain.factor, plain.offset_ml)
    )
    assert fit.aliased == ("idle time",)
    assert fit.coefficients["idle time"] == 0.0
    assert fit.ratio_log == pytest.approx(0, abs=1e-6)


def test_warm_air_factor_is_undone() -> None:
    plain = study(np.random.default_rng(6), np.ones(UNITS))
    factor = np.exp(-0.01 * (plain.unit - 3.5))
    terms = Terms(
        plain.columns, plain.names, plain.unit, plain.fuel_ml * factor, factor, plain.offset_ml
    )
    assert fit_expected_fuel(terms).ratio_log == pytest.approx(0, abs=1e-6)


def test_unit_that_burned_nothing_does_not_converge() -> None:
    plain = study(np.random.default_rng(7), np.ones(UNITS))
    fuel = np.where(plain.unit == 0, 0.0, plain.fuel_ml)
    fit = fit_expected_fuel(
        Terms(plain.columns, plain.names, plain.unit, fuel, plain.factor, plain.offset_ml)
    )
    assert not fit.converged


def test_passes_scatter_gives_the_ratios_variance() -> None:
    """Pure pass noise: implied is what is seen, but for what the coefficients' own error adds."""
    implied, seen = [], []
    for seed in range(200):
        fit = fit_expected_fuel(study(np.random.default_rng(seed), np.ones(UNITS), noise=0.05))
        implied.append(fit.pass_variance.mean())
        seen.append(fit.ratio_log.var(ddof=1))
    assert np.mean(seen) == pytest.approx(np.mean(implied), rel=0.15)


def test_cold_start_is_counted_from_the_state_at_the_start_alone() -> None:
    """A drive from 0 degrees in two halves counts as the whole; warm starts count nothing."""
    whole = cold_start_s(np.array([0.0]), np.array([0.0]), np.array([600.0]))
    halves = cold_start_s(np.zeros(2), np.array([0.0, 300.0]), np.full(2, 300.0))
    assert halves.sum() == pytest.approx(whole[0])
    assert cold_start_s(np.array([80.0, 95.0]), np.zeros(2), np.full(2, 600.0)).sum() == 0
