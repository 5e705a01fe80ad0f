"""The whole analysis, from log files to an `Analysed`: the pipeline's stages in their order.

`roadlog.runs.table` says which file belongs to which arm, `roadlog.analysis.metering` what each run
drove and burned; `analyse` takes it from there: road, conditions, passes, effect, finding.
"""

import dataclasses
import datetime as dt
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from roadlog import closure, fuel, road
from roadlog.analysis.accessory_time import (
    accessory_blocking,
    accessory_time,
    other_effect,
    with_accessory,
)
from roadlog.analysis.by_ledger import analyse_ledger
from roadlog.analysis.coastdown import with_coastdown
from roadlog.analysis.doubts import fuel_doubts
from roadlog.analysis.metering import (
    Metered,
    estimators_beside,
    judged,
    meter,
    sampled,
    usable_samples,
)
from roadlog.analysis.result import Analysed, ArmSummary
from roadlog.closure.result import Closure, Evidence
from roadlog.effect import (
    ONE_CHANGE,
    FuelPhysics,
    ambiguity_pct,
    changed_once,
    decide,
    estimate_effect,
    estimates_only,
    forbidden_by_order,
    fuel_physics,
    without_intervals,
)
from roadlog.effect.crosschecks import disagreement_warnings
from roadlog.effect.result import EffectResult
from roadlog.errors import InputError, Warned
from roadlog.fuel.outliers import outlying_signals
from roadlog.ingest import Log
from roadlog.ingest.alike import units_said
from roadlog.ingest.clock.localday import clock_warnings, zone_warning
from roadlog.ingest.log import read_units
from roadlog.passes import table as passes
from roadlog.passes.cautions import datum_warnings, source_warnings
from roadlog.passes.conditions import add_conditions, usual_level
from roadlog.passes.modes import mode_table
from roadlog.passes.road_use import RoadUse, lost_blocking, lost_warnings, road_use, uneven_wheels
from roadlog.physics.air import wind_share
from roadlog.plan.looks import (
    FULL_LEVEL,
    agreed_notes,
    at_level,
    hold_back,
    oversee,
    oversight_warnings,
)
from roadlog.plan.result import Oversight
from roadlog.plan.schedule import redraw
from roadlog.quantities.fuels import FUELS
from roadlog.quantities.tables import RUNS
from roadlog.runs.deviations import find_deviations, staying_sentences
from roadlog.runs.notes import of_no_drive, read_notes
from roadlog.runs.order import (
    believed_units,
    by_order,
    drawn_by_chance,
    order_warnings,
    unknown_order,
)
from roadlog.runs.routes import routes_of
from roadlog.runs.table import (
    BY_NAME,
    Sources,
    build_runs,
    read_logs,
    require_both_arms,
    with_day_order,
)
from roadlog.runs.twice import logged_twice
from roadlog.stats.interval import Finding
from roadlog.study.settings import Order, Study, SwitchedBy
from roadlog.weather.reports import study_weather, weather_file
from roadlog.weather.station import locate, network_positions, station_warnings
from roadlog.wording.progress import bar


def analyse(
    study: Study,
    sources: Sources,
    *,
    switched_by: SwitchedBy | None = None,
    order: Order | None = None,
    randomised: bool | None = None,
    progress: bool = False,
    now: dt.datetime | None = None,
) -> Analysed:
    """Run every stage.

    Parameters
    ----------
    switched_by : {"day", "run", "stretch"}, optional
        What was assigned independently; by default the schedule's, or `stretch` without one.
    order : {"lots", "pairs", "blocks", "turns", "none"}, optional
        How the order of arms came about, where no schedule says so (`order_of_runs.by_order`).
    randomised : bool, optional
        Overrides the schedule's word on whether chance decided the order.
    progress : bool
        Show progress bars on standard error.
    now : aware datetime, optional
        When this look happens, by default now: before the schedule's last day it is an interim one.

    Raises
    ------
    RoadlogError
        With one sentence that says what is wrong, where, and what to do.
    """
    study = with_day_order(study, sources)
    if sources.root is not None:
        study, _ = with_coastdown(sources.root, study)
    by_chance = drawn_by_chance(study, order, randomised)
    ledger = closure.Ledger() if sources.root is None else closure.read_ledger(sources.root, study)
    if study.analysis.estimator == "ledger" or (ledger and not sources.runs):
        return _by_ledger(study, ledger, sources, switched_by, by_chance, now)
    require_both_arms(study, sources)
    logs = read_logs(study, sources, partial(bar, what="reading", shown=progress))
    unit = switched_by or (study.schedule.switched_by if study.schedule else "stretch")
    warnings = _unit_warnings(study, logs, unit, told=switched_by is not None)
    warnings += [Warned("unit-by-values", w) for w in units_said(logs)]
    warnings += [Warned("clocks", w) for w in clock_warnings(logs, study.time)]
    runs = build_runs(study, sources, logs, unit)
    warnings += order_warnings(runs)
    in_order = runs.attrs["told_by"] != BY_NAME
    of_order = unknown_order(runs, order)
    notes = _notes(sources, study, runs)
    runs = by_order(runs, order, sources, notes)
    runs, doubts = believed_units(runs, unit, by_chance)
    warnings += doubts
    samples, repairs = sampled([logs[i] for i in runs["log"]], progress)
    warnings += repairs
    warnings += [Warned("notes-of-no-drive", w) for w in of_no_drive(notes, runs)]
    deviations = find_deviations(runs, notes, study.analysis.exclude_if)
    warnings += [Warned("deviation-not-applied", d) for d in deviations.doubts]
    warnings += [Warned("deviation-stays", s) for s in staying_sentences(deviations, runs)]
    twice = logged_twice(runs, samples)
    warnings += twice.warnings
    set_aside = {**twice.set_aside, **deviations.set_aside}
    runs = judged(runs, samples, set_aside)
    if ledger and not fuel.computable_estimators(usable_samples(runs, samples), study):
        return _by_ledger(study, ledger, sources, switched_by, by_chance, now)
    units = [read_units(logs[i]) for i in runs["log"]]
    metered = meter(study, runs, samples, ledger, notes, progress, units)
    warnings += [Warned("fuel", w) for w in metered.warnings]
    counted = metered.runs[metered.runs["used"].astype(bool)]
    warnings += outlying_signals(
        [metered.samples[i] for i in counted.index],
        counted["file"].tolist(),
        counted["arm"].tolist(),
        petrol=study.vehicle.fuel != "diesel",
    )
    network = _network(study, sources, metered, notes, warnings)
    if network.altitude_lag_s:
        warnings.append(
            Warned(
                "altitude-lag",
                f"altitudes come {network.altitude_lag_s:.0f} s later than positions, as drives "
                "there and back show: put right for the road's grade",
            )
        )
    weather = None if sources.root is None else study_weather(sources.root, study, runs["start"])
    station = locate(weather, weather_file(study), network_positions(network))
    warnings += [Warned("weather-station", w) for w in station_warnings(station)]
    tracks = _tracks(study, metered, network, weather, progress)
    model, told = agreed_notes(study, sources.root, runs)
    warnings += told
    table = passes.build_passes(tracks, metered.runs, network, model, notes, weather)
    warnings += [Warned("ambient-source", w) for w in source_warnings(table)]
    warnings += [Warned("altitude-datum", w) for w in datum_warnings(table, runs)]
    by_chance = study.randomised if randomised is None else randomised
    physics = _physics(study, metered)
    whole_runs = network.kind == "run"
    aid = accessory_time(
        study, metered, table, notes, randomised=by_chance, can_note=sources.root is not None
    )
    warnings += aid.warnings
    if aid.enters:
        table = with_accessory(table, aid)
    effect = estimate_effect(
        table,
        randomised=by_chance,
        physics=physics,
        whole_runs=whole_runs,
        modes=mode_table(tracks, table),
        covariates=model.analysis.covariates,
        seed=study.seed,
        redraw=None if study.schedule is None else partial(redraw, study.schedule),
    )
    beside = other_effect(table, aid, randomised=by_chance, physics=physics, whole_runs=whole_runs)
    use = road_use(
        metered.runs,
        samples,
        tracks,
        table,
        network,
        set_aside=list(set_aside),
        min_runs_per_arm=study.analysis.min_runs_per_arm,
    )
    warnings += lost_warnings(use)
    runs = RUNS.check(_with_pass_reasons(metered.runs.drop(columns="log"), table))
    once = changed_once(runs, by_chance, in_order=in_order)
    if beside is not None:
        effect = dataclasses.replace(effect, forest=(*effect.forest, beside))
    if once:
        effect = without_intervals(effect)
    ambiguity = ambiguity_pct(table, randomised=by_chance, physics=physics, whole_runs=whole_runs)
    in_fuel = [
        *([ONE_CHANGE] if once and runs["start"].isna().any() else ()),
        *of_order,
        *fuel_doubts(study, metered, effect.primary, ambiguity, units),
        *accessory_blocking(aid, effect.primary, beside, study),
    ]
    held = _held_against(
        study, sources, ledger, metered, runs, effect, by_chance, use, table, now, in_fuel
    )
    measured = () if held.closed is None else held.closed.measured
    if once:
        measured = estimates_only(measured)
    used = table[table["used"].astype(bool)]
    return Analysed(
        study=study,
        switched_by=unit,
        runs=runs,
        passes=table,
        network=network,
        effect=dataclasses.replace(effect, forest=(*effect.forest, *measured)),
        finding=held.finding,
        baseline=_arm_summary(used, "baseline"),
        fitted=_arm_summary(used, "fitted"),
        fuel_estimator=metered.estimator,
        estimators=estimators_beside(metered, runs, study),
        ambiguity_pct=ambiguity,
        closure=None if held.closed is None else held.closed.values,
        warnings=(*warnings, *held.warnings, *disagreement_warnings(effect.primary, measured)),
        oversight=held.oversight,
        closed=held.closed,
        evidence=held.evidence,
        station=station,
        road_use=use,
        accessory=aid,
    )


def _notes(sources: Sources, study: Study, runs: pd.DataFrame | None) -> pd.DataFrame | None:
    """The driver's notes, their dates in the order of the logs'."""
    if sources.notes is None:
        return None
    drives = () if runs is None else tuple(runs["day"].astype(str))
    return read_notes(sources.notes, study.time.day_first, drives)


def _physics(study: Study, metered: Metered) -> FuelPhysics:
    """What this car's driving takes, from its declared data and its idle in both arms."""
    own = FUELS[study.vehicle.fuel]
    idle = [fuel.idle_flow_g_s(f) for f in metered.usable.values()]
    known = [x for x in idle if np.isfinite(x)]
    return fuel_physics(
        density_kg_m3=own.density_kg_m3,
        lhv_mj_kg=own.lhv_mj_kg,
        diesel=study.vehicle.fuel == "diesel",
        displacement_l=study.vehicle.displacement_l,
        idle_g_s=float(np.median(known)) if known else None,
    )


def _unit_warnings(
    study: Study, logs: Sequence[Log], unit: SwitchedBy, *, told: bool
) -> list[Warned]:
    """Doubts about what a switch unit is; `told` if the command line said it."""
    found = []
    if unit == "day" and (doubt := zone_warning(logs, study.time)):
        found.append(Warned("day-in-doubt", doubt))
    if not told and study.schedule is None:
        found.append(
            Warned(
                "no-schedule",
                "no schedule was given, so each unbroken stretch of runs in one arm counts as one "
                "switch unit: say --switched-by day if the add-on was switched daily",
            )
        )
    return found


def _tracks(
    study: Study,
    metered: Metered,
    network: road.Network,
    weather: pd.DataFrame | None,
    progress: bool,
) -> dict[int, pd.DataFrame]:
    """The usable runs on the network, with air, wind and demand."""
    runs = metered.runs
    starts = {int(r): pd.Timestamp(t) for r, t in zip(runs["run"], runs["start"], strict=True)}
    wind = wind_share(study.weather.shelter, study.weather.wind_height_m)
    matched = {
        r: road.match(f, network, r) for r, f in bar(metered.usable.items(), "road", progress)
    }
    usual = usual_level(metered.usable.values())
    return {
        r: add_conditions(
            track,
            study.vehicle,
            start=starts[r],
            weather=weather,
            wind_at_car=wind,
            usual=usual,
        )
        for r, track in road.bridged(matched, network).items()
    }


@dataclass(frozen=True)
class _Held:
    """The effect held against claim, plan and measured fuel."""

    finding: Finding
    oversight: Oversight | None
    closed: Closure | None
    evidence: Evidence
    warnings: tuple[Warned, ...]


def _held_against(
    study: Study,
    sources: Sources,
    ledger: closure.Ledger,
    metered: Metered,
    runs: pd.DataFrame,
    effect: EffectResult,
    by_chance: bool,
    use: RoadUse,
    table: pd.DataFrame,
    now: dt.datetime | None,
    in_fuel: Sequence[str],
) -> _Held:
    """The finding, as plan, measured fuel and the car's own signals allow it."""
    at = now or dt.datetime.now().astimezone()
    oversight = None if sources.root is None else oversee(study, sources.root, runs, at)
    level = FULL_LEVEL if oversight is None else oversight.look.level
    noted = () if oversight is None else oversight_warnings(oversight, study, runs)
    closed = closure.close(ledger, runs, study, effect.smallest_detectable_pct)
    evidence = closure.evidence_by_arm(
        [closure.run_evidence(f, study, metered.calibration) for f in metered.flows], runs
    )
    primary = at_level(effect.primary, level)
    blocking = [
        *forbidden_by_order(study.device, runs, by_chance),
        *lost_blocking(use),
        *uneven_wheels(table),
        *in_fuel,
        *(closed.blocking if closed else ()),
        *closure.bend_blocking(
            study,
            metered.estimator,
            closure.trims_seen(metered.flows, runs),
            evidence,
            closed,
            primary,
            effect.smallest_detectable_pct,
        ),
    ]
    finding = decide(
        primary,
        study.claim,
        held=effect.held,
        orders=effect.orders,
        one_stage=None if effect.one_stage is None else at_level(effect.one_stage, level),
        blocking=blocking,
    )
    warnings = (*noted, *evidence.warnings)
    return _Held(hold_back(finding, oversight), oversight, closed, evidence, warnings)


def _by_ledger(
    study: Study,
    ledger: closure.Ledger,
    sources: Sources,
    switched_by: SwitchedBy | None,
    by_chance: bool,
    now: dt.datetime | None,
) -> Analysed:
    """The analysis of measured fuel alone, under the same oversight as one with logs."""
    told = [
        Warned("no-fuel-signal", "the logs carry no fuel signal: only measured fuel was analysed")
        for _ in sources.runs[:1]
        if study.analysis.estimator != "ledger"
    ]
    result = analyse_ledger(
        study,
        ledger,
        switched_by=switched_by,
        randomised=by_chance,
        warnings=told,
        notes=_notes(sources, study, None),
    )
    if sources.root is None:
        return result
    oversight = oversee(study, sources.root, result.runs, now or dt.datetime.now().astimezone())
    level, effect = oversight.look.level, result.effect
    finding = decide(
        at_level(effect.primary, level),
        study.claim,
        orders=effect.orders,
        blocking=forbidden_by_order(study.device, result.runs, by_chance),
    )
    return dataclasses.replace(
        result,
        finding=hold_back(finding, oversight),
        warnings=(*result.warnings, *oversight_warnings(oversight, study, result.runs)),
        oversight=oversight,
    )


def _network(
    study: Study,
    sources: Sources,
    metered: Metered,
    notes: pd.DataFrame | None,
    warnings: list[Warned],
) -> road.Network:
    """The study's segments: by its gates and raster if it has them, under the ids they had.

    Without positions they are pieces by distance, if the study says that runs share a route.

    A study folder keeps the network in `computed/`, one file for each set of choices, so that
    segments keep their names when runs are added.
    """
    root, rule, runs = sources.root, study.road, metered.runs
    arms = {int(r): str(a) for r, a in zip(runs["run"], runs["arm"], strict=True)}
    tracks = metered.usable
    located = any("lat_deg" in t and t["lat_deg"].notna().any() for t in tracks.values())
    if rule.same_route and not located:
        return road.find_pieces(
            tracks,
            arms,
            routes_of(rule, runs, notes),
            segment_length_km=study.analysis.segment_length_km,
            min_runs_per_arm=study.analysis.min_runs_per_arm,
        )
    if far := road.elsewhere(tracks):
        files = dict(zip(runs["run"], runs["file"], strict=True))
        raise InputError(
            f"{files[far.run]}: its positions lie {far.apart_km:,.0f} km from those of "
            f"{files[far.other]}, and beside them if {far.why} in one of the two: correct the "
            "column, or leave the log out"
        )
    if rule.same_route:
        warnings.append(
            Warned(
                "same-route-unused",
                "there are positions, so segments come from them and [road] same_route is not used",
            )
        )
    gates = () if root is None or rule.gates is None else road.read_gates(root / rule.gates)
    raster = (
        None if root is None or rule.elevation is None else road.read_raster(root / rule.elevation)
    )
    choices = repr((study.analysis.segment_length_km, study.analysis.min_runs_per_arm, gates))
    kept = (
        None
        if root is None
        else root / "computed" / f"network-{hashlib.sha256(choices.encode()).hexdigest()[:8]}.json"
    )
    network = road.find_network(
        tracks,
        {r: arms[r] for r in tracks},
        segment_length_km=study.analysis.segment_length_km,
        min_runs_per_arm=study.analysis.min_runs_per_arm,
        gates=gates,
        raster=raster,
        known=road.load_network(kept) if kept is not None and kept.is_file() else None,
    )
    if kept is not None and network.kind == "road":
        try:
            road.save_network(network, kept)
        except OSError as e:
            warnings.append(
                Warned("network-not-kept", f"segments can't keep their names: {kept}: {e.strerror}")
            )
    return network


def _with_pass_reasons(runs: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """A run none of whose passes was used is marked so, with the commonest reason."""
    runs = runs.copy()
    used = set(table.loc[table["used"].astype(bool), "run"])
    for i, row in enumerate(runs.itertuples()):
        if row.used and row.run not in used:
            reasons = table.loc[table["run"] == row.run, "reason"]
            runs.loc[runs.index[i], "used"] = False
            runs.loc[runs.index[i], "reason"] = (
                f"no usable pass: {reasons.mode().iloc[0]}"
                if len(reasons)
                else "drives none of the study's segments"
            )
    return runs


def _arm_summary(used: pd.DataFrame, arm: str) -> ArmSummary:
    mine = used[used["arm"] == arm]
    km = float(mine["distance_km"].sum())
    return ArmSummary(
        l_per_100km=float(mine["fuel_ml"].sum() / 1000 / km * 100),
        km=km,
        runs=int(mine["run"].nunique()),
        switch_units=int(mine["switch_unit"].nunique()),
    )
