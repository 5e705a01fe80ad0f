"""Closure: runs with computed fuel and a checked ledger go in, how far both agree comes out.

Implements the closure of method section 1: tanks with both arms in them by regression, weighed
cans by switch unit, and the rule that a gap between the arms forbids a firm finding while an
interval wider than the smallest detectable effect is no agreement.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from roadlog.closure.ledger import UNKNOWN_TEMPERATURE_K, Ledger, Tank, refuse_unplaced, tanks
from roadlog.closure.regression import (
    NORMAL_95,
    ArmFit,
    fit_arms,
    ratio_interval,
    scatter_sd,
    tank_covariance,
)
from roadlog.closure.result import Closure
from roadlog.errors import InputError
from roadlog.fuel.batches import runs_of_can
from roadlog.quantities.against import Against
from roadlog.quantities.arms import ARMS
from roadlog.quantities.facts import Veto
from roadlog.quantities.fuels import FUELS, volume_l
from roadlog.stats.interval import Interval, NamedInterval, percent_interval
from roadlog.stats.unit_contrast import unit_t
from roadlog.study.settings import Can, Fill, Study

MIN_LOGGED_SHARE = 0.97
MAX_LOGGED_SHARE = 1.03  # beyond, odometer and log don't speak of the same driving
ASSUMED_FILL_SD_L = 0.5  # of the level that "full" means: no source
FINEST_READING_L = 0.01  # what dispensers show: common practice, no source
UNLOGGED_FUEL_SD = 0.3  # of the fuel of unlogged distance, taken at the tank's mean: no source
NOTHING = Interval(math.nan, None, None)


def close(
    ledger: Ledger, runs: pd.DataFrame, study: Study, smallest_detectable_pct: float
) -> Closure | None:
    """Hold the computed fuel of all runs against the ledger.

    Parameters
    ----------
    ledger : Ledger
    runs : DataFrame
        `tables.RUNS` with `burned_l` (volume burned at 15 °C [L]) and `burned_kg`.
    study : Study
        Its `ledger` states the errors of pump, fill level and scale.
    smallest_detectable_pct : float
        Of the study's design [% fuel use].

    Returns
    -------
    Closure or None
        None without fills and cans.

    Raises
    ------
    InputError
        A fill that can't be placed between runs, a can of an unknown run.
    """
    if not ledger:
        return None
    refuse_unplaced(ledger.fills, runs)
    tank_table = tank_rows(tanks(ledger.fills), runs, study)
    can_table = can_rows(ledger.cans, runs, study)
    values: dict[str, float] = {}
    by_tank = _by_tank(tank_table, study, values)
    by_can = _by_can(can_table, study, values)
    use_cans = by_can.low is not None
    gap = by_can if use_cans else by_tank
    measured = (*_filled_per_km(tank_table, study, values), *_weighed_per_km(can_table))
    values |= {
        "arm_gap_pct": math.nan if gap.low is None else gap.estimate,
        "arm_gap_low_pct": math.nan if gap.low is None else gap.low,
        "arm_gap_high_pct": math.nan if gap.high is None else gap.high,
        "smallest_detectable_pct": smallest_detectable_pct,
        "tanks_used": float(tank_table["used"].sum()),
        "tanks": float(len(tank_table)),
        "cans_used": float(can_table["used"].sum()),
    }
    verdict = judge(gap, smallest_detectable_pct)
    source = "fuel weighed in cans" if use_cans else "fuel filled"
    return Closure(
        verdict,
        gap,
        values,
        tank_table,
        can_table,
        _sentences(verdict, gap, source, smallest_detectable_pct, values, study),
        _blocking(verdict, gap, source),
        measured,
    )


def judge(gap: Interval, smallest_detectable_pct: float) -> str:
    """The verdict on a closure gap between the arms [%].

    >>> judge(Interval(0.2, -0.8, 1.2), 2.0), judge(Interval(0.2, -4.0, 4.4), 2.0)
    ('agrees', 'uninformative')
    >>> judge(Interval(5.0, 2.0, 8.0), 2.0), judge(Interval(5.0, None, None), 2.0)
    ('gap', 'uninformative')
    """
    if not math.isfinite(gap.estimate):
        return "none"
    if gap.low is None or gap.high is None:
        return "uninformative"
    if gap.low > 0 or gap.high < 0:
        return "gap"
    half = max(gap.high - gap.estimate, gap.estimate - gap.low)
    return "agrees" if half <= smallest_detectable_pct else "uninformative"


def tank_rows(found: Sequence[Tank], runs: pd.DataFrame, study: Study) -> pd.DataFrame:
    """One row a tank: measured and computed litres, logged share of its distance, used or why not.

    Runs that were set aside burned fuel too and count here.
    """
    declared = FUELS[study.vehicle.fuel]
    start = runs["start"]
    reading_l = _reading_l([f for t in found for f in t.fills])
    rows = []
    for tank in found:
        mine = runs[(start >= tank.start) & (start < tank.end)]
        logged = float(mine["km"].sum())
        share = logged / tank.odometer_km if tank.odometer_km > 0 else math.nan
        burned = {a: float(mine.loc[mine["arm"] == a, "burned_l"].sum()) for a in ARMS}
        km = {a: float(mine.loc[mine["arm"] == a, "km"].sum()) for a in ARMS}
        rows.append(
            {
                "tank": f"{tank.start:%Y-%m-%d} to {tank.end:%Y-%m-%d}",
                "fills": len(tank.fills),
                "litres": sum(_at_reference(f, study) for f in tank.fills),
                "odometer_km": tank.odometer_km,
                "logged_pct": 100 * share,
                "computed_baseline_l": burned["baseline"],
                "computed_fitted_l": burned["fitted"],
                "km_baseline": km["baseline"],
                "km_fitted": km["fitted"],
                "energy_ratio": _energy_ratio(mine),
                "reading_l": reading_l,
                "share_sd": _share_sd(tank, share, study, declared.thermal_expansion_per_k),
                "reason": _why_not(tank, mine, share, runs),
            }
        )
    columns = ["tank", "fills", "litres", "odometer_km", "logged_pct", "computed_baseline_l",
               "computed_fitted_l", "km_baseline", "km_fitted", "energy_ratio", "reading_l",
               "share_sd", "reason"]  # fmt: skip
    table = pd.DataFrame(rows, columns=columns)
    return table.assign(used=table["reason"] == "")


def can_rows(cans: Sequence[Can], runs: pd.DataFrame, study: Study) -> pd.DataFrame:
    """One row a switch unit that has cans: kilograms weighed and computed.

    Raises
    ------
    InputError
        If a can names a run or switch unit that the study doesn't have, or one run has cans of its
        own and of its unit.
    """
    rows: list[dict[str, object]] = []
    seen: dict[int, str] = {}
    for can in cans:
        what = str(can.unit if can.run is None else can.run)
        mine = runs_of_can(can, runs)
        for r in mine["run"]:
            if seen.get(int(r), what) != what:
                raise InputError(
                    f"can of {what}: its run has a can under {seen[int(r)]} too: keep one of them"
                )
            seen[int(r)] = what
        logged = float(mine["km"].sum()) / can.km if can.km is not None else math.nan
        rows.append(
            {
                "of": what,
                "switch_unit": mine["switch_unit"].iloc[0],
                "arm": mine["arm"].iloc[0],
                "block": mine["block"].iloc[0],
                "weighed_kg": can.before_kg - can.after_kg,
                "computed_kg": float(mine["burned_kg"].sum()),
                "km": float(mine["km"].sum()),
                "energy_ratio": _energy_ratio(mine),
                "logged_pct": 100 * logged,
                "cans": 1,
            }
        )
    columns = ["of", "switch_unit", "arm", "block", "weighed_kg", "computed_kg", "km",
               "energy_ratio", "logged_pct", "cans"]  # fmt: skip
    each = pd.DataFrame(rows, columns=columns)
    if each.empty:
        return each.assign(reason=pd.Series(dtype=str), used=pd.Series(dtype=bool))
    # several cans of one run or unit: their masses add, the computed fuel is the same
    table = each.groupby("of", sort=False, as_index=False).agg(
        dict.fromkeys(columns[1:], "first") | {"weighed_kg": "sum", "cans": "sum"}
    )
    short = table["logged_pct"] < 100 * MIN_LOGGED_SHARE
    none = ~(table["computed_kg"] > 0)
    reason = np.where(none, "no fuel was computed for it", np.where(short, _short_text(), ""))
    return table.assign(reason=reason, used=reason == "")


def _energy_ratio(runs: pd.DataFrame) -> float:
    """Litres of the declared fuel with the energy of a litre burned [1]."""
    burned = float(runs["burned_l"].sum())
    return float(runs["fuel_l"].sum()) / burned if burned > 0 else math.nan


def _short_text() -> str:
    return f"under {100 * MIN_LOGGED_SHARE:.0f} % of its distance logged"


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


def _why_not(tank: Tank, mine: pd.DataFrame, share: float, runs: pd.DataFrame) -> str:
    if tank.end <= runs["start"].min():
        return "filled before the first run: no log to hold it against"
    if mine.empty:
        return "no run was logged between its fills"
    if math.isnan(tank.odometer_km):
        return "no odometer reading at both ends, so nothing says that all of it was logged"
    if tank.odometer_km <= 0:
        return "the odometer didn't move"
    if share < MIN_LOGGED_SHARE:
        return f"{100 * share:.0f} % of its distance logged, {100 * MIN_LOGGED_SHARE:.0f} needed"
    if share > MAX_LOGGED_SHARE:
        return f"logs cover {100 * share:.0f} % of its distance: odometer or dates are wrong"
    if not mine["burned_l"].sum() > 0:
        return "no fuel was computed for its runs"
    return ""


def _by_tank(table: pd.DataFrame, study: Study, values: dict[str, float]) -> Interval:
    """The arms' gap by regression over the used tanks; fills `values` on the way."""
    used = table[table["used"].astype(bool)]
    if used.empty:
        return NOTHING
    logged = np.minimum(used["logged_pct"].to_numpy(dtype=float) / 100, 1.0)[:, None]
    computed = used[["computed_baseline_l", "computed_fitted_l"]].to_numpy(dtype=float) / logged
    level = _level(used, computed, study)
    values["fill_repeatability_l"] = level.used_l
    if level.shown_l is not None:
        values["fill_repeatability_estimated_l"] = level.shown_l
    if study.ledger.fill_repeatability_l is not None:
        values["fill_repeatability_stated_l"] = study.ledger.fill_repeatability_l
    measured = used["litres"].to_numpy(dtype=float)
    common = _common_scale(measured, computed, level.covariances, study)
    if common is not None:
        values |= dict(zip(("scale", "scale_low", "scale_high"), common, strict=True))
    found = _widest(measured, computed, level.covariances)
    return NOTHING if found is None else found[1]


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


def _level(used: pd.DataFrame, by_arm: np.ndarray, study: Study) -> _Level:
    """What the tanks show, bounded below by what was stated, or else by the pump's reading.

    Too few tanks to show it leave what was stated, or else an assumption. The scatter may be that
    of the level, which the next tank takes back, or one of its own in each tank (of the figure,
    say), which nothing takes back: neither can be told from a few tanks.
    """
    stated = study.ledger.fill_repeatability_l
    litres = used["litres"].to_numpy(dtype=float)
    adjoining = np.diff(used.index.to_numpy()) == 1
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


def _widest(
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


def _filled_per_km(
    table: pd.DataFrame, study: Study, values: dict[str, float]
) -> tuple[NamedInterval, ...]:
    """Fuel use of the arms from fills and distance alone, nothing held equal.

    Traffic and weather differ from tank to tank and no error of theirs can be stated, so there are
    bounds only where the tanks' own scatter tells it (two degrees of freedom or more).
    """
    used = table[table["used"].astype(bool)]
    if used.empty:
        return ()
    km = used[["km_baseline", "km_fitted"]].to_numpy(dtype=float)
    driven = km / km.sum(axis=1, keepdims=True) * used[["odometer_km"]].to_numpy(dtype=float)
    energy = (used["litres"] * used["energy_ratio"]).to_numpy(dtype=float)
    found = _widest(energy, driven, _level(used, driven, study).covariances)
    if found is None or found[0].df < 2:
        return ()
    change = replace(found[1], method="regression over tanks, nothing held equal")
    if change.low is None or change.high is None:
        return ()
    values |= {
        "full_to_full_change_pct": change.estimate,
        "full_to_full_low_pct": change.low,
        "full_to_full_high_pct": change.high,
    }
    return (NamedInterval("fuel filled per distance", change, "crosscheck"),)


def _weighed_per_km(table: pd.DataFrame) -> tuple[NamedInterval, ...]:
    """Fuel use of the arms from weighed cans and distance alone, one value a switch unit."""
    used = table[table["used"].astype(bool)]
    if used.empty or used["arm"].nunique() < 2:
        return ()
    energy = used["weighed_kg"] * used["energy_ratio"]
    units = (
        used.assign(energy=energy)
        .groupby("switch_unit", sort=False)
        .agg(energy=("energy", "sum"), km=("km", "sum"), arm=("arm", "first"))
    )
    arm = (units["arm"] == "fitted").to_numpy().astype(np.intp)
    per_km = np.log((units["energy"] / units["km"]).to_numpy(dtype=float))
    interval = percent_interval(*unit_t(per_km, arm, None), "t interval, nothing held equal")
    return (NamedInterval("fuel weighed per distance", interval, "crosscheck"),)


def _by_can(table: pd.DataFrame, study: Study, values: dict[str, float]) -> Interval:
    """The arms' gap from weighed cans, one value a switch unit."""
    used = table[table["used"].astype(bool)]
    if used.empty or used["arm"].nunique() < 2:
        return NOTHING
    units = used.groupby("switch_unit", sort=False).agg(
        weighed=("weighed_kg", "sum"),
        computed=("computed_kg", "sum"),
        arm=("arm", "first"),
        cans=("cans", "sum"),
    )
    ratio = np.log((units["weighed"] / units["computed"]).to_numpy(dtype=float))
    arm = (units["arm"] == "fitted").to_numpy().astype(np.intp)
    tau, half, df = unit_t(ratio, arm, None)
    weighing = study.ledger.scale_error_kg * np.sqrt(2 * units["cans"]) / units["weighed"]
    variance = (weighing.to_numpy(dtype=float) ** 2 / np.bincount(arm)[arm] ** 2).sum()
    values["can_scale"] = float(np.exp(ratio.mean()))
    floor = NORMAL_95 * math.sqrt(float(variance))
    return percent_interval(
        tau, max(half, floor) if math.isfinite(half) else half, df, "t interval of weighed cans"
    )


def _sentences(
    verdict: str,
    gap: Interval,
    source: str,
    smallest: float,
    values: dict[str, float],
    study: Study,
) -> tuple[str, ...]:
    said = []
    bounds = "" if gap.low is None else f" ({gap.low:+.1f} to {gap.high:+.1f} %)"
    figure = f"{gap.estimate:+.1f} %{bounds}"
    if verdict == "none":
        said.append(
            "No fill or can could be held against the computed fuel of both arms, so nothing is "
            "known of their agreement."
        )
    elif gap.low is None:
        said.append(
            f"Against {source}, the arms can't be told apart: there are too few tanks or cans, or "
            "every tank holds much the same mix of both arms. This is no agreement."
        )
    elif verdict == "uninformative":
        said.append(
            f"Against {source}, the arms differ by {figure}: too wide to say anything, since this "
            f"study can find changes of {smallest:.1f} %. This is no agreement."
        )
    elif verdict == "gap":
        said.append(
            f"Against {source}, real fuel per computed fuel differs between the arms by {figure}: "
            "the add-on, or something that came with it, bends what the fuel figure comes from."
        )
    else:
        said.append(
            f"Against {source}, real fuel per computed fuel is the same in both arms within its "
            f"error: {figure}, narrower than the smallest detectable change of {smallest:.1f} %."
        )
    if "scale" in values:
        said.append(
            f"The car burned {values['scale']:.3f} ({values['scale_low']:.3f} to "
            f"{values['scale_high']:.3f}) litres for each litre computed, both arms taken alike, "
            "so the percent change isn't touched. " + _scale_advice(values, study)
        )
    if "fill_repeatability_l" in values:
        said.append(_level_said(values))
    return tuple(said)


def _level_said(values: dict[str, float]) -> str:
    shown, stated = (values.get(f"fill_repeatability_{k}_l") for k in ("estimated", "stated"))
    if shown is None:
        how = "assumed" if stated is None else "stated"
        return (
            f"'Full' is {how} to repeat within {values['fill_repeatability_l']:.2f} L: there are "
            "too few tanks to show it."
        )
    least = "" if stated is None else f", and no less than the {stated:.2f} L stated is taken"
    return f"These tanks scatter as if 'full' repeated within {shown:.2f} L{least}."


def _scale_advice(values: dict[str, float], study: Study) -> str:
    if values["scale_low"] <= 1 <= values["scale_high"]:
        return "That is one within its error: leave vehicle.fuel_scale as it is."
    scale = study.vehicle.fuel_scale * values["scale"]
    return f"To bring the litres to what was filled, set vehicle.fuel_scale = {scale:.3f}."


def _blocking(verdict: str, gap: Interval, source: str) -> tuple[str, ...]:
    if verdict != "gap":
        return ()
    return (
        Veto(
            f"undecided: closure gap: against {source}, real fuel per computed fuel differs "
            f"between the arms by {gap.estimate:+.1f} % ({gap.low:+.1f} to {gap.high:+.1f} %), so "
            "the add-on may bend the signals that the fuel figure comes from",
            Against.FUEL_DISAGREES(),
        ),
    )
