"""What holding the driving equal rests on: how much of the change it explains, and how surely.

Fits of expected fuel go in; what driving explains, how far the effect moves with coefficients from
physics in place of fitted ones, and the margin that a firm word has to clear come out (docs/
method.md, section 5.4), with the driving itself compared by arm.
"""

from collections.abc import Callable

import numpy as np
import pandas as pd

from roadlog.effect.expected_fuel import COLD, WORK, ExpectedFuel, Terms, fit_expected_fuel
from roadlog.effect.fixed_offset import FuelPhysics, coefficient_shift
from roadlog.effect.layout import Layout
from roadlog.effect.result import HeldEqual
from roadlog.quantities.arrays import Floats
from roadlog.stats.interval import Obstacle
from roadlog.stats.unit_contrast import UnitContrast, unit_t

# Of the work that more demand adds, warm: indicated efficiency. Chosen with the constants below on
# simulated studies (docs/calibration.md).
WORK_EFFICIENCY = 0.38
SHARE_OF_DRIVING = 0.25
PER_DEGREE = 0.0004  # of fuel a kelvin of air temperature, beside cold start, air and tyres
UNKNOWN_AIR = 0.005  # margin where the arms' air temperature isn't known
MOST_DRIVING = 0.06
LEAST_WORK = 0.5  # of the physical coefficient
MOST_UNKNOWN_UNITS = 0.2


def hold_equal(
    fit: ExpectedFuel,
    total: ExpectedFuel,
    contrast: UnitContrast,
    unit_air_c: Floats,
    physics: FuelPhysics,
) -> HeldEqual:
    """Compare the fit with the one without driving, and with the one that physics gives.

    Parameters
    ----------
    fit, total : ExpectedFuel
        With all terms, and with segments and cold start alone.
    contrast : UnitContrast
        Of `fit`'s `ratio_log`.
    unit_air_c : (units,) array
        Mean air temperature of each unit [°C], NaN where unknown.
    physics : FuelPhysics
    """
    driving = contrast.of(total.ratio_log - fit.ratio_log)
    obstacles: list[Obstacle] = []
    if fit.fitted:
        shift, weak = _work_shift(fit, contrast, physics)
        obstacles += weak
    else:
        shift = coefficient_shift(fit.terms, physics, contrast)
        obstacles += [] if WORK in fit.terms.names else ["no-work"]
    return held_by(driving, shift, contrast.of(filled_air(unit_air_c)), tuple(obstacles))


def held_by(
    driving: float, shift: float, warmer_k: float, obstacles: tuple[Obstacle, ...]
) -> HeldEqual:
    """The margin that these leave (log of fuel use), and what forbids to hold driving equal."""
    if abs(driving) > MOST_DRIVING:
        obstacles = (*obstacles, "driving-moved")
    air = PER_DEGREE * abs(warmer_k) if np.isfinite(warmer_k) else UNKNOWN_AIR
    margin = max(SHARE_OF_DRIVING * abs(driving), abs(shift)) + air
    return HeldEqual(driving, abs(shift), warmer_k, margin, obstacles)


def by_physical_work(fit: ExpectedFuel, physics: FuelPhysics) -> ExpectedFuel | None:
    """The same fit with the coefficient of work from physics; None where it can't be had."""
    if WORK not in fit.terms.names or WORK in fit.aliased:
        return None
    fixed = fit_expected_fuel(fit.terms.fixing(WORK, physical_work(physics)))
    return fixed if fixed.converged else None


def conditions_only(terms: Terms) -> Terms:
    """The terms of the total effect: segments and cold start, nothing that driving changes."""
    return terms.only([n for n in terms.names if n.startswith("segment ") or n == COLD])


def temperature_factor(air_c: Floats) -> Floats:
    """Expected fuel at each pass's air temperature over that at the mean (n,); 1 where unknown."""
    known = np.isfinite(air_c)
    if not known.any():
        return np.ones(len(air_c))
    deviation = np.where(known, air_c - air_c[known].mean(), 0.0)
    return np.asarray(np.exp(-PER_DEGREE * deviation))


def driving_outcomes(layout: Layout) -> pd.DataFrame:
    """Demand, pace and idling of each switch unit against its segments' usual, by arm.

    Returns
    -------
    DataFrame
        `outcome`, `estimate`, `low`, `high` (percent of the usual; idle in s/km), `p`, `unit`.
    """
    from scipy.special import stdtr, stdtrit

    p = layout.passes
    km = p["distance_km"].to_numpy(dtype=float)
    rows = []
    for outcome, values, relative in (
        ("demand", p["demand_kj_per_km"].to_numpy(dtype=float) * km, True),
        ("mean speed", p["duration_s"].to_numpy(dtype=float), True),
        ("idle time", p["idle_s_per_km"].to_numpy(dtype=float) * km, False),
    ):
        if not np.isfinite(values).all() or np.ptp(values / km) < 1e-9:
            continue
        of_unit = _against_usual(layout, values, km, relative=relative)
        of_unit = -of_unit if outcome == "mean speed" else of_unit
        tau, half, df = unit_t(of_unit, layout.unit_arm, layout.unit_fixed)
        se = half / float(stdtrit(df, 0.975)) if df >= 2 else np.nan
        say: Callable[[float], float] = (
            (lambda x: float(100 * np.expm1(x))) if relative else (lambda x: x)
        )
        rows.append(
            {
                "outcome": outcome,
                "estimate": say(tau),
                "low": say(tau - half),
                "high": say(tau + half),
                "p": float(2 * stdtr(df, -abs(tau) / se)) if se > 0 else np.nan,
                "unit": "%" if relative else "s/km",
            }
        )
    return pd.DataFrame(rows, columns=["outcome", "estimate", "low", "high", "p", "unit"])


def _against_usual(layout: Layout, values: Floats, km: Floats, *, relative: bool) -> Floats:
    """Each unit's sum over what its segments usually hold: log of the ratio, or excess a km."""
    n = len(layout.units)
    segment = layout.passes["segment"]
    per_km = pd.Series(values / km, index=segment.index)
    usual = per_km.groupby(segment).transform("mean").to_numpy(dtype=float) * km
    own, expected = np.bincount(layout.unit, values, n), np.bincount(layout.unit, usual, n)
    if relative:
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.log(own / expected))
    return np.asarray((own - expected) / np.bincount(layout.unit, km, n))


def _work_shift(
    fit: ExpectedFuel, contrast: UnitContrast, physics: FuelPhysics
) -> tuple[float, list[Obstacle]]:
    if WORK not in fit.terms.names or WORK in fit.aliased:
        return 0.0, ["no-work"]
    fixed = by_physical_work(fit, physics)
    weak = fit.coefficients[WORK] < LEAST_WORK * physical_work(physics)
    if fixed is None:
        return 0.0, ["weak-work"]
    shift = abs(contrast.of(fixed.ratio_log - fit.ratio_log))
    return shift, ["weak-work"] if weak else []


def physical_work(physics: FuelPhysics) -> float:
    """Fuel of a kilojoule at the wheels [mL/kJ] at `WORK_EFFICIENCY`."""
    return 1 / (WORK_EFFICIENCY * physics.energy_kj_ml)


def filled_air(unit_air_c: Floats) -> Floats:
    """A few unknown units take the mean of the others; many leave the contrast unknown."""
    known = np.isfinite(unit_air_c)
    if not known.any() or (~known).mean() > MOST_UNKNOWN_UNITS:
        return np.full(len(unit_air_c), np.nan)
    return np.where(known, unit_air_c, unit_air_c[known].mean())
