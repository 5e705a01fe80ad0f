"""Tanks: fuel pumped between full fills, held against what the runs between them burned.

Implements the closure of method section 1 for tanks with both arms in them: a row a tank with why
it can't be used, and how real fuel per computed fuel differs between the arms, by regression.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.closure.ledger import UNKNOWN_TEMPERATURE_K, Tank
from roadlog.closure.regression import (
    ArmFit,
    fit_arms,
    ratio_interval,
    scatter_sd,
    tank_covariance,
)
from roadlog.quantities.arms import ARMS
from roadlog.quantities.fuels import FUELS, volume_l
from roadlog.stats.interval import Interval
from roadlog.study.settings import Fill, Study

MIN_LOGGED_SHARE = 0.97
MAX_LOGGED_SHARE = 1.03  # beyond, odometer and log don't speak of the same driving
ASSUMED_FILL_SD_L = 0.5  # of the level that "full" means: no source
FINEST_READING_L = 0.01  # what dispensers show: common practice, no source
UNLOGGED_FUEL_SD = 0.3  # of the fuel of unlogged distance, taken at the tank's mean: no source
MOST_OPEN = 0.5  # error of the log of the arms' ratio, beyond which tanks say nothing of it
NOTHING = Interval(math.nan, None, None)


def tank_rows(found: Sequence[Tank], runs: pd.DataFrame, study: Study) -> pd.DataFrame:
    """One row a tank: measured and computed litres, logged share of its distance, used or why not.

    Runs that were set aside burned fuel too and count here.
    """
    declared = FUELS[study.vehicle.fuel]
    start = runs["start"].to_numpy()
    arm = runs["arm"].to_numpy(dtype=object)
    of_arm = {a: arm == a for a in ARMS}
    km, burned, fuel = (runs[c].to_numpy(dtype=float) for c in ("km", "burned_l", "fuel_l"))
    first = runs["start"].min()
    reading_l = _reading_l([f for t in found for f in t.fills])
    rows = []
    for tank in found:
        mine = (start >= tank.start.to_datetime64()) & (start < tank.end.to_datetime64())
        share = _sum(km[mine]) / tank.odometer_km if tank.odometer_km > 0 else math.nan
        litres = {a: _sum(burned[mine & of_arm[a]]) for a in ARMS}
        far = {a: _sum(km[mine & of_arm[a]]) for a in ARMS}
        whole = _sum(burned[mine])
        rows.append(
            {
                "tank": f"{tank.start:%Y-%m-%d} to {tank.end:%Y-%m-%d}",
                "fills": len(tank.fills),
                "litres": sum(_at_reference(f, study) for f in tank.fills),
                "odometer_km": tank.odometer_km,
                "logged_pct": 100 * share,
                "computed_baseline_l": litres["baseline"],
                "computed_fitted_l": litres["fitted"],
                "km_baseline": far["baseline"],
                "km_fitted": far["fitted"],
                "energy_ratio": _sum(fuel[mine]) / whole if whole > 0 else math.nan,
                "reading_l": reading_l,
                "share_sd": _share_sd(tank, share, study, declared.thermal_expansion_per_k),
                "reason": _why_not(tank, share, first, logged=bool(mine.any()), burned_l=whole),
            }
        )
    columns = ["tank", "fills", "litres", "odometer_km", "logged_pct", "computed_baseline_l",
               "computed_fitted_l", "km_baseline", "km_fitted", "energy_ratio", "reading_l",
               "share_sd", "reason"]  # fmt: skip
    table = pd.DataFrame(rows, columns=columns)
    return table.assign(used=table["reason"] == "")


def _sum(values: np.ndarray) -> float:
    """The sum of what is known."""
    return float(np.nansum(values))


def energy_ratio(runs: pd.DataFrame) -> float:
    """Litres of the declared fuel with the energy of a litre burned [1]."""
    burned = float(runs["burned_l"].sum())
    return float(runs["fuel_l"].sum()) / burned if burned > 0 else math.nan


def _at_reference(fill: Fill, study: Study) -> float:
    """A fill's litres at 15 °C; as pumped where its temperature isn't known."""
    if fill.temp_c is None:
        return fill.litres
    fuel = FUELS[study.vehicle.fuel]
    return fill.litres / volume_l(fuel.density_kg_m3, fuel, fill.temp_c)


def _share_sd(tank: Tank, share: float, study: Study, expansion_per_k: float) -> float:
    """Relative standard deviation of a tank's measured litres, the full levels apart.

    The pump's permitted error and the unknown temperature are taken as even within their limits
    (divided by the root of 3, JCGM 100:2008, 4.3.7).
    """
    pump = study.ledger.pump_pct / 100 / math.sqrt(3)
    blind = sum(f.litres for f in tank.fills if f.temp_c is None) / tank.litres
    warmth = blind * expansion_per_k * UNKNOWN_TEMPERATURE_K / math.sqrt(3)
    unlogged = UNLOGGED_FUEL_SD * max(1 - share, 0.0) if math.isfinite(share) else 0.0
    return math.sqrt(pump**2 + warmth**2 + unlogged**2)


def _why_not(
    tank: Tank, share: float, first: pd.Timestamp, *, logged: bool, burned_l: float
) -> str:
    if tank.end <= first:
        return "filled before the first run: no log to hold it against"
    if not logged:
        return "no run was logged between its fills"
    if math.isnan(tank.odometer_km):
        return "no odometer reading at both ends, so nothing says that all of it was logged"
    if tank.odometer_km <= 0:
        return "the odometer didn't move"
    if share < MIN_LOGGED_SHARE:
        return f"{100 * share:.0f} % of its distance logged, {100 * MIN_LOGGED_SHARE:.0f} needed"
    if share > MAX_LOGGED_SHARE:
        return f"logs cover {100 * share:.0f} % of its distance: odometer or dates are wrong"
    if not burned_l > 0:
        return "no fuel was computed for its runs"
    return ""


def gap_of_tanks(table: pd.DataFrame, study: Study, values: dict[str, float]) -> Interval:
    """The arms' gap by regression over the used tanks; fills `values` on the way."""
    used = table[table["used"].astype(bool)]
    if used.empty:
        return NOTHING
    measured, computed = amounts_of(used)
    level = level_of_tanks(used, computed, study)
    values["fill_repeatability_l"] = level.used_l
    if level.shown_l is not None:
        values["fill_repeatability_estimated_l"] = level.shown_l
    if study.ledger.fill_repeatability_l is not None:
        values["fill_repeatability_stated_l"] = study.ledger.fill_repeatability_l
    common = _common_scale(measured, computed, level.covariances, study)
    if common is not None:
        values |= dict(zip(("scale", "scale_low", "scale_high"), common, strict=True))
    found = widest(measured, computed, level.covariances)
    return NOTHING if found is None else found[1]


@dataclass(frozen=True)
class ArmRatio:
    """What one car's tanks say of the arms' ratio, beside those of other cars.

    `log` is that of litres for a computed litre, fitted over baseline; `noise` its variance and
    `squares` the tanks' residual sum of squares with `df` degrees of freedom, both over the
    variance that stated errors of pump and level make.
    """

    log: float
    noise: float
    squares: float
    df: int


def arm_ratio(table: pd.DataFrame, study: Study) -> ArmRatio | None:
    """The arms' ratio by the used tanks of `tank_rows`; None where they can't tell it."""
    used = table[table["used"].astype(bool)]
    if used.empty:
        return None
    measured, computed = amounts_of(used)
    share = used["share_sd"].to_numpy(dtype=float)
    level = study.ledger.fill_repeatability_l or ASSUMED_FILL_SD_L
    fit = fit_arms(measured, computed, tank_covariance(measured, _adjoining(used), level, share))
    if fit is None or not (fit.coefficients > 0).all():
        return None
    shown = fit.chi2_per_df if fit.df else 1.0
    by_arm = np.array([-1.0, 1.0]) / fit.coefficients
    noise = float(by_arm @ fit.covariance @ by_arm) / max(1.0, shown)
    if noise * shown > MOST_OPEN**2:
        return None
    told = float(np.log(fit.coefficients[1] / fit.coefficients[0]))
    return ArmRatio(told, noise, shown * fit.df, fit.df)


def amounts_of(used: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Litres measured (n,), and computed by arm (n, 2) with what wasn't logged at the same rate."""
    logged = np.minimum(used["logged_pct"].to_numpy(dtype=float) / 100, 1.0)[:, None]
    computed = used[["computed_baseline_l", "computed_fitted_l"]].to_numpy(dtype=float)
    return used["litres"].to_numpy(dtype=float), computed / logged


def _adjoining(used: pd.DataFrame) -> np.ndarray:
    """Whether each tank but the first begins with the fill that ended the one before it."""
    return np.asarray(np.diff(used.index.to_numpy()) == 1)


def _common_scale(
    measured: np.ndarray, computed: np.ndarray, covariances: Sequence[np.ndarray], study: Study
) -> tuple[float, float, float] | None:
    """Litres burned for each litre computed, both arms alike, with the widest interval."""
    whole = computed.sum(axis=1, keepdims=True)
    fits = [f for c in covariances if (f := fit_arms(measured, whole, c)) is not None]
    if not fits:
        return None
    fit = max(fits, key=lambda f: float(f.covariance[0, 0]))
    pump = study.ledger.pump_pct / 100 / math.sqrt(3)
    scale = float(fit.coefficients[0])
    half = fit.quantile * math.hypot(float(fit.covariance[0, 0]) ** 0.5, pump * scale)
    return scale, scale - half, scale + half


@dataclass(frozen=True)
class _Level:
    """Repeatability of "full" [L], what counts and what the tanks show (None: too few), and the
    covariances of the tanks' litres that would both explain their scatter."""

    used_l: float
    shown_l: float | None
    covariances: tuple[np.ndarray, ...]


def level_of_tanks(used: pd.DataFrame, by_arm: np.ndarray, study: Study) -> _Level:
    """What the tanks show, bounded below by what was stated, or else by the pump's reading.

    Too few tanks to show it leave what was stated, or else an assumption. The scatter may be that
    of the level, which the next tank takes back, or one of its own in each tank (of the figure,
    say), which nothing takes back: neither can be told from a few tanks.
    """
    stated = study.ledger.fill_repeatability_l
    litres = used["litres"].to_numpy(dtype=float)
    adjoining = _adjoining(used)
    share = used["share_sd"].to_numpy(dtype=float)
    floor = stated or float(used["reading_l"].max()) / math.sqrt(12)

    def by_level(sd: float) -> np.ndarray:
        return tank_covariance(litres, adjoining, sd, share)

    def by_tank(sd: float) -> np.ndarray:
        return tank_covariance(litres, adjoining, floor, np.hypot(share, sd))

    shown = scatter_sd(litres, by_arm, by_level, floor)
    own = scatter_sd(litres, by_arm, by_tank, 0.0)
    if shown is None or own is None:
        level = stated or ASSUMED_FILL_SD_L
        return _Level(level, None, (by_level(level),))
    return _Level(shown, shown, (by_level(shown), by_tank(own)))


def widest(
    measured: np.ndarray, by_arm: np.ndarray, covariances: Sequence[np.ndarray]
) -> tuple[ArmFit, Interval] | None:
    """The fit whose interval of the arms' ratio is widest; no bounds are the widest of all."""
    fits = [f for c in covariances if (f := fit_arms(measured, by_arm, c)) is not None]
    each = [(f, ratio_interval(f, _how(f))) for f in fits]

    def width(one: tuple[ArmFit, Interval]) -> float:
        low, high = one[1].low, one[1].high
        return math.inf if low is None or high is None else high - low

    return max(each, key=width) if each else None


def _how(fit: ArmFit) -> str:
    if fit.df >= 2:
        return f"regression over tanks, Fieller, t with {fit.df} degrees of freedom"
    return "regression over tanks, Fieller, stated errors of pump and fill level"


def _reading_l(fills: Sequence[Fill]) -> float:
    """Step [L] to which the litres of these fills were read: the finest decimal that any has."""
    for step in (1.0, 0.1):
        if all(abs(f.litres / step - round(f.litres / step)) < 1e-6 for f in fills):
            return step
    return FINEST_READING_L
