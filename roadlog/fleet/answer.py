"""From a fleet's pass tables to its answer: each table reduced in a task, one model over all.

`Tables` and the study's `[fleet]` go in; a `FleetStudy` for the report comes out.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from roadlog.effect import FuelPhysics, fuel_physics
from roadlog.errors import InputError
from roadlog.fleet.asked import veto_of
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.filled import held_fills
from roadlog.fleet.fills import Receipt
from roadlog.fleet.fit import fit_fleet
from roadlog.fleet.one_vehicle import PASSES, RUNS, Record
from roadlog.fleet.pipeline import Fleet, Tables, time_rule
from roadlog.fleet.result import FleetResult
from roadlog.fleet.signals import of_units
from roadlog.fleet.store import read_partitions
from roadlog.fleet.vehicle import VehicleUnits, reduce_vehicle
from roadlog.fleet.workers import Run, Task, in_batches
from roadlog.quantities.fuels import FUELS
from roadlog.study.car import Place, Vehicle
from roadlog.study.settings import Study
from roadlog.wording.progress import bar


@dataclass(frozen=True)
class FleetStudy:
    """What a fleet's test found, with what it rests on.

    `left_out` has all that doesn't count: `vehicle`, `what` ("" for the whole vehicle), `code`,
    `why`.
    """

    study: Study
    tables: Tables
    design: FleetDesign
    result: FleetResult
    left_out: pd.DataFrame


def answer(tables: Tables, run: Run, *, progress: bool = False) -> FleetStudy:
    """Fit the fleet's model.

    Raises
    ------
    RoadlogError
        If the tables can't answer.
    """
    fleet = tables.fleet
    design, groups = design_of(fleet), _labels(fleet, fleet.rule.group)
    tasks = (
        Task(r.vehicle, reduced, (tables.out, r, design, _physics(fleet, r), _sort(fleet, r),
                                  groups.get(r.vehicle, ""), _bought(fleet, r)))
        for r in tables.compared
    )  # fmt: skip
    units: list[VehicleUnits] = []
    lost: list[tuple[str, str, str, str]] = []
    n = len(tables.compared)
    for done in bar(in_batches(run, tasks, n), "model", progress, n):
        if done.lost is None:
            units.append(done.result)
        else:
            lost.append((done.task.name, "", done.lost.code.name, str(done.lost)))
    result = fit_fleet(units, design, claim=fleet.study.claim, groups=groups, seed=fleet.study.seed)
    own = [(str(v), "", "NO_ANSWER", str(w)) for v, w in
           zip(result.left_out["vehicle"], result.left_out["why"], strict=True)]  # fmt: skip
    more = pd.DataFrame([*lost, *own], columns=tables.left_out.columns)
    every = pd.concat([tables.left_out, more], ignore_index=True)
    every = every.sort_values(["vehicle", "what", "code"], kind="stable", ignore_index=True)
    return FleetStudy(fleet.study, tables, design, result, every)


def reduced(
    out: Path, record: Record, design: FleetDesign, physics: FuelPhysics, sort: "Sort", group: str,
    bought: "Bought | None" = None,
) -> VehicleUnits:  # fmt: skip
    """One vehicle's pass table, read and reduced to its switch units, with what its signals and its
    fills say."""
    passes = read_partitions(out / PASSES, list(record.passes), record.vehicle)
    units = reduce_vehicle(passes, design, physics, group=group, whole_runs=record.road == "run")
    if units.figures is None:
        return units
    runs = read_partitions(out / RUNS, list(record.runs), record.vehicle)
    signals = of_units(
        units.units,
        runs,
        passes,
        estimator=record.estimator,
        acts_on=sort.acts_on,
        diesel=sort.diesel,
        doubts=[veto_of(d) for d in record.doubts],
        unit=record.unit,
    )
    if bought is None:
        return replace(units, signals=signals)
    filled = held_fills(record.vehicle, bought.receipts, runs, bought.study, table=bought.table,
                        by_order=bought.by_order)  # fmt: skip
    return replace(units, signals=signals, filled=filled)


class Sort(NamedTuple):
    """What a vehicle's fuel figure can be bent by: where the add-on acts, and its fuel."""

    acts_on: Place | None
    diesel: bool


class Bought(NamedTuple):
    """A vehicle's receipts, its study with its own `[vehicle]`, and the table that they are of."""

    receipts: tuple[Receipt, ...]
    study: Study
    table: str
    by_order: bool


def _bought(fleet: Fleet, record: Record) -> Bought | None:
    receipts = fleet.receipts
    if receipts is None:
        return None
    _, time = time_rule(fleet, record.vehicle)
    own = fleet.study.model_copy(update={"vehicle": _declared(fleet, record), "time": time})
    return Bought(receipts.of.get(record.vehicle, ()), own, receipts.name, receipts.by_order)


def _sort(fleet: Fleet, record: Record) -> Sort:
    return Sort(fleet.study.device.acts_on, _declared(fleet, record).fuel == "diesel")


def _declared(fleet: Fleet, record: Record) -> Vehicle:
    listed = fleet.listed.get(record.vehicle)
    return fleet.study.vehicle if listed is None else listed.vehicle


def design_of(fleet: Fleet) -> FleetDesign:
    """How the fleet was switched, as its model has it.

    Raises
    ------
    InputError
        If a heading that `[fleet]` names isn't in the table of vehicles.
    """
    rule, study = fleet.rule, fleet.study
    groups = sorted({*_labels(fleet, rule.group).values()})
    return FleetDesign(
        switched=rule.switched,
        randomised=rule.randomised or study.randomised,
        baseline_until=rule.baseline_until,
        strata=_labels(fleet, rule.strata),
        period_days=rule.period_days,
        groups=tuple(groups),
        permanent=study.device.carry_over == "permanent",
    )


def _labels(fleet: Fleet, heading: str | None) -> Mapping[str, str]:
    """Each vehicle's label under a heading of the table of vehicles.

    Raises
    ------
    InputError
        If no vehicle has it, or some haven't.
    """
    if heading is None:
        return {}
    found = {
        name: listed.label(heading)
        for name, listed in fleet.listed.items()
        if name in fleet.sources
    }
    bare = [name for name, label in found.items() if not label]
    if bare or not found:
        raise InputError(
            f"{fleet.rule.vehicles} tells no '{heading}' of {bare[0] if bare else 'any vehicle'}, "
            "though [fleet] names it: fill it in"
        )
    return found


def _physics(fleet: Fleet, record: Record) -> FuelPhysics:
    """What this vehicle's driving takes, from its declared data and its idle in both arms."""
    vehicle = _declared(fleet, record)
    own = FUELS[vehicle.fuel]
    return fuel_physics(
        density_kg_m3=own.density_kg_m3,
        lhv_mj_kg=own.lhv_mj_kg,
        diesel=vehicle.fuel == "diesel",
        displacement_l=vehicle.displacement_l,
        idle_g_s=record.idle_g_s,
    )
