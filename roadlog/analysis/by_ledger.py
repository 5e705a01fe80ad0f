"""A study with measured fuel and no usable logs: fills and cans go in, an `Analysed` comes out.

Implements estimator 5 (`ledger`) of method section 1: each tank of one arm, or each weighed can,
is one observation of fuel over distance; arms are compared between switch units, with nothing held
equal but what the schedule's blocks hold.
"""

import dataclasses
import datetime as dt
import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from pandas.api.typing import NaTType

from roadlog.analysis.driven import noted_by_driver
from roadlog.analysis.facts import NotUsed
from roadlog.analysis.result import Analysed, ArmSummary
from roadlog.closure.ledger import Ledger, Tank, tanks
from roadlog.effect import (
    changed_once,
    decide,
    forbidden_by_order,
    without_intervals,
)
from roadlog.effect.unit_effect import unit_effect
from roadlog.errors import DesignError, InputError
from roadlog.fuel.batches import batch_fuel, fuels_by_run
from roadlog.plan.looks import oversee, oversight_warnings
from roadlog.plan.schedule import redraw
from roadlog.quantities.arms import ARMS
from roadlog.quantities.facts import Fact, Warned
from roadlog.quantities.fuels import FUELS, Fuel, mass_g
from roadlog.quantities.tables import PASSES, RUNS
from roadlog.road.network import Network
from roadlog.runs.deviations import find_deviations, staying_sentences
from roadlog.runs.table import Sources
from roadlog.stats.interval import at_level
from roadlog.stats.unit_contrast import require_replication
from roadlog.study.car import NO_CHANGE
from roadlog.study.settings import Can, ScheduleUnit, Study, SwitchedBy

NOT_KNOWN = (
    "duration_s", "mean_speed_kmh", "idle_s_per_km", "demand_kj_per_km", "mean_vsp_kw_t",
    "cold_share", "coolant_start_c", "since_start_s", "ambient_c", "pressure_kpa",
    "air_density_kg_m3", "headwind_m_s", "supply_voltage_v",
)  # fmt: skip
ONE_ROAD = "whole"


@dataclass(frozen=True)
class Observed:
    """Fuel over one distance in one arm: litres of the declared fuel with the same energy."""

    name: str
    unit: str
    arm: str
    block: str
    start: pd.Timestamp | NaTType
    km: float
    litres: float
    reason: Fact | None = None


def analyse_ledger(
    study: Study,
    ledger: Ledger,
    *,
    switched_by: SwitchedBy | None = None,
    randomised: bool | None = None,
    warnings: Sequence[Warned] = (),
    notes: pd.DataFrame | None = None,
) -> Analysed:
    """Compare the arms by measured fuel alone.

    Parameters
    ----------
    study : Study
    ledger : Ledger
        Full fills with odometer readings, or cans with their distance; each names its switch unit
        or arm, or lies within the schedule's days of one arm.
    switched_by, randomised
        As in `roadlog.analysis.analyse.analyse`.
    warnings : sequence of Warned
        Of what came before (logs without a fuel signal).
    notes : DataFrame, optional
        The driver's notes: a deviation agreed beforehand sets its day's can or tank aside.

    Raises
    ------
    DesignError
        If no tank or can can be put into an arm, or one arm has none.
    InputError
        If a can lacks its distance.
    """
    seen = observations(study, ledger)
    unit = switched_by or (study.schedule.switched_by if study.schedule else "stretch")
    runs = _runs(seen)
    deviations = find_deviations(runs, notes, study.analysis.exclude_if)
    noted = runs["run"].map(lambda r: deviations.set_aside.get(int(r), "")).astype(object)
    runs["reason"] = runs["reason"].where(runs["reason"] != "", noted)
    runs["used"] = runs["reason"] == ""
    stays = [Warned("deviation-stays", s) for s in staying_sentences(deviations, runs)]
    require_replication(runs[runs["used"]])
    table = PASSES.check(_passes(runs))
    by_chance = study.randomised if randomised is None else randomised
    effect = unit_effect(
        table,
        randomised=by_chance,
        seed=study.seed,
        redraw=None if study.schedule is None else partial(redraw, study.schedule),
    )
    if changed_once(runs, by_chance):
        effect = without_intervals(effect)
    finding, of_change = (
        decide(
            effect.primary,
            claim,
            orders=effect.orders,
            blocking=forbidden_by_order(study.device, runs, by_chance),
        )
        for claim in (study.claim, NO_CHANGE)
    )
    told = Warned(
        "ledger-only",
        "only fuel and distance are known: traffic, weather and driving are not held equal, and "
        "their scatter is in the interval",
    )
    return Analysed(
        study=study,
        switched_by=unit,
        runs=RUNS.check(runs),
        passes=table,
        network=Network("run", None, (), {}),
        effect=effect,
        finding=finding,
        of_change=of_change,
        baseline=_summary(runs, "baseline"),
        fitted=_summary(runs, "fitted"),
        fuel_estimator="ledger",
        estimators=_estimator_row(runs),
        ambiguity_pct=0.0,
        warnings=(*warnings, *stays, told),
    )


def observations(study: Study, ledger: Ledger) -> list[Observed]:
    """Each tank and each can as fuel over distance, in order of time.

    Raises
    ------
    DesignError, InputError
        As `analyse_ledger`.
    """
    schedule = {
        str(day): u
        for u in (study.schedule.unit if study.schedule else ())
        for day in (u.unit, *u.also)
    }
    found = _of_tanks(tanks(ledger.fills), study, ledger, schedule)
    found += _of_cans(ledger.cans, study, schedule)
    if not found:
        raise DesignError(
            "the ledger holds no tank between two full fills and no weighed can: fill up at the "
            "start and at each switch, or weigh cans"
        )
    found.sort(key=lambda o: pd.Timestamp.max if pd.isna(o.start) else o.start)
    for arm in ARMS:
        mine = [o for o in found if o.arm == arm and not o.reason]
        if not mine:
            reasons = "; ".join(dict.fromkeys(str(o.reason) for o in found if o.reason))
            raise DesignError(
                f"no tank or can of the {arm} arm alone" + (f" ({reasons})" if reasons else "")
                + ": fill up at each switch, or weigh cans for each switch unit"
            )  # fmt: skip
    return found


def _of_tanks(
    found: Sequence[Tank], study: Study, ledger: Ledger, schedule: Mapping[str, ScheduleUnit]
) -> list[Observed]:
    declared = FUELS[study.vehicle.fuel]
    after = pd.DataFrame({"start": [t.start for t in found], "day": "", "file": "", "run": -1})
    after["start"] = pd.to_datetime(after["start"])
    burned = fuels_by_run(after, study, ledger.fills, None)
    out, stretch, last = [], 0, ""
    for tank, fuel in zip(found, burned, strict=True):
        arm, unit, block, reason = _arm_of(tank, schedule)
        if arm != last:
            stretch, last = stretch + 1, arm
        if tank.odometer_km != tank.odometer_km:
            reason = reason or NotUsed.NO_ODOMETER()
        elif tank.odometer_km <= 0:
            reason = reason or NotUsed.ODOMETER_STILL()
        litres = tank.litres * _energy_ratio(fuel, declared)
        name = f"tank {tank.start:%Y-%m-%d} to {tank.end:%Y-%m-%d}"
        out.append(
            Observed(
                name, unit or f"stretch {stretch}", arm, block, tank.start, tank.odometer_km,
                litres, reason,
            )
        )  # fmt: skip
    return out


def _arm_of(tank: Tank, schedule: Mapping[str, ScheduleUnit]) -> tuple[str, str, str, Fact | None]:
    """Arm, switch unit ('' where it isn't named), block, and why the tank tells of no arm."""
    last = tank.fills[-1]
    entry = schedule.get(str(last.unit)) if last.unit is not None else None
    if last.arm is not None or entry is not None:
        if entry is not None and last.arm is not None and entry.arm != last.arm:
            raise InputError(
                f"fill of {last.time}: listed as {last.arm} but {last.unit} is scheduled as "
                f"{entry.arm}: correct one"
            )
        arm = last.arm or (entry and entry.arm) or ""
        named = last.unit if entry is None else entry.unit
        return arm, "" if named is None else str(named), _block(entry), None
    if last.unit is not None:
        raise InputError(
            f"fill of {last.time}: switch unit '{last.unit}' is not in the schedule: add it, or "
            "give the fill's arm"
        )
    inside = {
        day: u for day, u in schedule.items()
        if (at := _noon(day)) is not None and tank.start < at < tank.end
    }  # fmt: skip
    arms = {u.arm or "" for u in inside.values()}
    if not arms:
        return "", "", "", NotUsed.NO_ARM()
    if len(arms) > 1:
        return "", "", "", NotUsed.BOTH_ARMS()
    units = dict.fromkeys(str(u.unit) for u in inside.values())
    blocks = {_block(u) for u in inside.values()}
    block = blocks.pop() if len(blocks) == 1 else ""
    return arms.pop(), " and ".join(units), block, None


def _noon(day: str) -> pd.Timestamp | None:
    try:
        return pd.Timestamp(day) + pd.Timedelta(hours=12)
    except ValueError:
        return None


def _block(entry: ScheduleUnit | None) -> str:
    return "" if entry is None or entry.block is None else str(entry.block)


def _of_cans(
    cans: Sequence[Can], study: Study, schedule: Mapping[str, ScheduleUnit]
) -> list[Observed]:
    declared = FUELS[study.vehicle.fuel]
    known = {b.name: batch_fuel(b, declared) for b in study.batches}
    out = []
    for can in cans:
        what = str(can.unit if can.run is None else can.run)
        entry = schedule.get(what)
        arm = can.arm or (entry.arm if entry else None)
        if arm is None:
            raise InputError(
                f"can of '{what}': its arm is unknown: give the can's arm, or schedule the unit"
            )
        if entry is not None and entry.arm != arm:
            raise InputError(
                f"can of '{what}': listed as {arm} but scheduled as {entry.arm}: correct one"
            )
        if can.km is None:
            raise InputError(f"can of '{what}': without logs it needs the distance driven: give km")
        if can.batch is not None and can.batch not in known:
            raise InputError(
                f"can of '{what}': batch '{can.batch}' is not described: add it to [[batches]]"
            )
        fuel = known.get(can.batch or "", declared)
        grams = 1000 * (can.before_kg - can.after_kg)
        litres = grams / declared.density_kg_m3 * fuel.lhv_mj_kg / declared.lhv_mj_kg
        start = pd.to_datetime(what, errors="coerce")
        unit = what if entry is None else str(entry.unit)
        out.append(Observed(f"can {what}", unit, arm, _block(entry), start, can.km, litres))
    return out


def _energy_ratio(fuel: Fuel | None, declared: Fuel) -> float:
    """Energy of a litre of this fuel over that of a litre of the declared one."""
    if fuel is None:
        return 1.0
    litre_of = mass_g(1.0, fuel) * fuel.lhv_mj_kg
    return litre_of / (mass_g(1.0, declared) * declared.lhv_mj_kg)


def _runs(seen: Sequence[Observed]) -> pd.DataFrame:
    rows = pd.DataFrame(
        {
            "run": range(len(seen)),
            "file": [o.name for o in seen],
            "arm": [o.arm for o in seen],
            "start": pd.Series([o.start for o in seen], dtype="datetime64[ns]"),
            "day": [o.unit for o in seen],
            "switch_unit": [o.unit for o in seen],
            "block": [o.block for o in seen],
            "used": [not o.reason for o in seen],
            "reason": pd.Series([o.reason or "" for o in seen], dtype=object),
            "km": [o.km for o in seen],
            "fuel_l": [o.litres for o in seen],
            "hours": math.nan,
            "vehicle_numbers": "",
            "sha256": [_digest(o) for o in seen],
        }
    )
    return rows.assign(fuel_low_l=rows["fuel_l"], fuel_high_l=rows["fuel_l"])


def _digest(seen: Observed) -> str:
    """SHA-256 of what was written down, as logs have one of their bytes."""
    told = f"{seen.name}|{seen.unit}|{seen.arm}|{seen.km!r}|{seen.litres!r}"
    return hashlib.sha256(told.encode()).hexdigest()


def _passes(runs: pd.DataFrame) -> pd.DataFrame:
    """One row a tank or can, all on the same 'segment'."""
    ml = 1000 * runs["fuel_l"]
    return runs[["run", "arm", "day", "switch_unit", "block", "start", "used", "reason"]].assign(
        segment=ONE_ROAD,
        distance_km=runs["km"],
        fuel_ml=ml,
        fuel_low_ml=ml,
        fuel_high_ml=ml,
        ml_per_km=ml / runs["km"],
        coverage=1.0,
        **dict.fromkeys(NOT_KNOWN, np.nan),
    )


def _summary(runs: pd.DataFrame, arm: str) -> ArmSummary:
    mine = runs[runs["used"] & (runs["arm"] == arm)]
    km = float(mine["km"].sum())
    return ArmSummary(
        100 * float(mine["fuel_l"].sum()) / km, km, len(mine), int(mine["switch_unit"].nunique())
    )


def _estimator_row(runs: pd.DataFrame) -> pd.DataFrame:
    use = {arm: _summary(runs, arm).l_per_100km for arm in ARMS}
    return pd.DataFrame(
        {
            "name": ["ledger"],
            "available": [True],
            "expected_error_pct": [np.nan],
            "baseline_l_per_100km": [use["baseline"]],
            "fitted_l_per_100km": [use["fitted"]],
            "change_pct": [100 * (use["fitted"] / use["baseline"] - 1)],
        }
    )


def measured_fuel_alone(
    study: Study,
    ledger: Ledger,
    sources: Sources,
    switched_by: SwitchedBy | None,
    by_chance: bool,
    now: dt.datetime | None,
) -> Analysed:
    """The analysis of measured fuel alone, under the same oversight as one with logs.

    `roadlog.analysis.analyse` says what the arguments are.
    """
    told = [
        Warned("no-fuel-signal", "the logs carry no fuel signal: only measured fuel was analysed")
        for _ in sources.runs[:1]
        if study.analysis.estimator != "ledger"
    ]
    if study.control is not None:
        told.append(
            Warned(
                "control-unused",
                "the control car tells nothing here: only measured fuel was analysed, and the two "
                "cars are held against each other by what their logs tell",
            )
        )
    result = analyse_ledger(
        study,
        ledger,
        switched_by=switched_by,
        randomised=by_chance,
        warnings=told,
        notes=noted_by_driver(study, sources, None),
    )
    if sources.root is None:
        return result
    oversight = oversee(study, sources.root, result.runs, now or dt.datetime.now().astimezone())
    level, effect = oversight.look.level, result.effect
    finding, of_change = (
        decide(
            at_level(effect.primary, level),
            claim,
            orders=effect.orders,
            blocking=forbidden_by_order(study.device, result.runs, by_chance),
        )
        for claim in (study.claim, NO_CHANGE)
    )
    return dataclasses.replace(
        result,
        finding=oversight.allowed(finding),
        of_change=of_change,
        warnings=(*result.warnings, *oversight_warnings(oversight, study, result.runs)),
        oversight=oversight,
    )
