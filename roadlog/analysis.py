"""The whole analysis, from log files to an `Analysed`: the pipeline's stages in their order.

`roadlog.runs` says which file belongs to which arm; `analyse` takes it from there: ingest, time
base, fuel, road, conditions, passes, effect, finding.
"""

import dataclasses
import datetime as dt
import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial
from typing import TypeVar

import numpy as np
import pandas as pd

from roadlog import closure, fuel, passes, road, timebase
from roadlog.coastdown import with_coastdown
from roadlog.conditions import add_conditions, wind_share
from roadlog.effect import ambiguity_pct, decide, estimate_effect, require_replication
from roadlog.errors import DesignError
from roadlog.fuels import Fuel
from roadlog.ingest import Log
from roadlog.ingest.localday import zone_warning
from roadlog.ingest.notebook import read_notes
from roadlog.ingest.weather import study_weather, weather_file
from roadlog.plan.looks import FULL_LEVEL, at_level, hold_back, oversee, oversight_warnings
from roadlog.plan.schedule import redraw
from roadlog.results import Analysed, ArmSummary, Warned
from roadlog.runs import Sources, build_runs, read_logs, require_both_arms
from roadlog.station import locate, network_positions, station_warnings
from roadlog.study import ARMS, Study, SwitchedBy
from roadlog.tables import RUNS

T = TypeVar("T")

SHORTEST_RUN_KM = 0.5


def analyse(
    study: Study,
    sources: Sources,
    *,
    switched_by: SwitchedBy | None = None,
    randomised: bool | None = None,
    progress: bool = False,
    now: dt.datetime | None = None,
) -> Analysed:
    """Run every stage.

    Parameters
    ----------
    switched_by : {"day", "run", "stretch"}, optional
        What was assigned independently; by default the schedule's, or `stretch` without one.
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
    if sources.root is not None:
        study, _ = with_coastdown(sources.root, study)
    ledger = closure.Ledger() if sources.root is None else closure.read_ledger(sources.root, study)
    if study.analysis.estimator == "ledger" or (ledger and not sources.runs):
        return _by_ledger(study, ledger, sources, switched_by, randomised, now)
    require_both_arms(study, sources)
    warnings: list[Warned] = []
    logs = read_logs(study, sources, partial(_bar, what="reading", progress=progress))
    unit = switched_by or (study.schedule.switched_by if study.schedule else "stretch")
    if unit == "day" and (doubt := zone_warning(logs, study.time)):
        warnings.append(Warned("day-in-doubt", doubt))
    if switched_by is None and study.schedule is None:
        warnings.append(
            Warned(
                "no-schedule",
                "no schedule was given, so each unbroken stretch of runs in one arm counts as one "
                "switch unit: say --switched-by day if the add-on was switched daily",
            )
        )
    runs = build_runs(study, sources, logs, unit)
    logs = [logs[i] for i in runs["log"]]
    samples = _samples(logs, warnings, progress)
    runs = _judged(runs, samples)
    good = [s for s, used in zip(samples, runs["used"], strict=True) if used]
    if ledger and not fuel.computable_estimators(good, study):
        return _by_ledger(study, ledger, sources, switched_by, randomised, now)
    estimator = fuel.choose_estimator(good, study)
    require_replication(runs)
    base = [s for s, arm in zip(good, runs.loc[runs["used"], "arm"], strict=True) if arm == ARMS[0]]
    calibration = fuel.calibrate(
        base, study, baseline_fuel_l=closure.weighed_baseline_l(ledger, runs, study)
    )
    warnings += [Warned("fuel", w) for w in calibration.warnings]
    notes = None if sources.notes is None else read_notes(sources.notes)
    batches = fuel.fuels_by_run(runs, study, ledger.fills, notes)
    flows = [
        fuel.fuel_flow(s, study, estimator, calibration, batch)
        for s, batch in zip(_bar(samples, "fuel", progress), batches, strict=True)
    ]
    runs = _with_totals(runs, flows, study, batches)
    usable = {
        int(r): f for r, f, used in zip(runs["run"], flows, runs["used"], strict=True) if used
    }
    arms = {int(r): str(a) for r, a in zip(runs["run"], runs["arm"], strict=True)}
    network = _network(study, sources, usable, arms, warnings)
    weather = None if sources.root is None else study_weather(sources.root, study, runs["start"])
    station = locate(weather, weather_file(study), network_positions(network))
    warnings += [Warned("weather-station", w) for w in station_warnings(station)]
    starts = {int(r): pd.Timestamp(t) for r, t in zip(runs["run"], runs["start"], strict=True)}
    wind = wind_share(study.weather.shelter, study.weather.wind_height_m)
    tracks = {
        r: add_conditions(
            road.match(f, network, r),
            study.vehicle,
            start=starts[r],
            weather=weather,
            wind_at_car=wind,
        )
        for r, f in _bar(usable.items(), "road", progress)
    }
    table = passes.build_passes(tracks, runs, network, study, notes, weather)
    warnings += [Warned("ambient-source", w) for w in passes.source_warnings(table)]
    by_chance = _was_randomised(study, randomised)
    effect = estimate_effect(
        table,
        randomised=by_chance,
        modes=passes.mode_table(tracks, table),
        covariates=study.analysis.covariates,
        seed=(study.schedule.seed if study.schedule and study.schedule.seed else 1),
        redraw=None if study.schedule is None else partial(redraw, study.schedule),
    )
    runs = RUNS.check(_with_pass_reasons(runs.drop(columns="log"), table))
    at = now or dt.datetime.now().astimezone()
    oversight = None if sources.root is None else oversee(study, sources.root, runs, at)
    level = FULL_LEVEL if oversight is None else oversight.look.level
    if oversight is not None:
        warnings += oversight_warnings(oversight, study, runs)
    closed = closure.close(ledger, runs, study, effect.smallest_detectable_pct)
    evidence = closure.evidence_by_arm(
        [closure.run_evidence(f, study, calibration) for f in flows], runs
    )
    warnings += evidence.warnings
    primary = at_level(effect.primary, level)
    blocking = list(closed.blocking if closed else ())
    if closed is None or closed.verdict != "agrees":
        blocking += closure.untrimmed_blocking(evidence, estimator, primary, study.claim)
    finding = decide(
        primary,
        at_level(effect.total, level),
        effect.randomisation,
        effect.outcomes_by_arm,
        study.claim,
        blocking,
    )
    used = table[table["used"].astype(bool)]
    return Analysed(
        study=study,
        switched_by=unit,
        runs=runs,
        passes=table,
        network=network,
        effect=effect,
        finding=hold_back(finding, oversight),
        baseline=_arm_summary(used, "baseline"),
        fitted=_arm_summary(used, "fitted"),
        fuel_estimator=estimator,
        estimators=_estimators(samples, runs, study, calibration, batches),
        ambiguity_pct=ambiguity_pct(table, study.analysis.covariates, randomised=by_chance),
        closure=None if closed is None else closed.values,
        warnings=tuple(warnings),
        oversight=oversight,
        closed=closed,
        evidence=evidence,
        station=station,
    )


def _by_ledger(
    study: Study,
    ledger: closure.Ledger,
    sources: Sources,
    switched_by: SwitchedBy | None,
    randomised: bool | None,
    now: dt.datetime | None,
) -> Analysed:
    """The analysis of measured fuel alone, under the same oversight as one with logs."""
    told = [
        Warned("no-fuel-signal", "the logs carry no fuel signal: only measured fuel was analysed")
        for _ in sources.runs[:1]
        if study.analysis.estimator != "ledger"
    ]
    result = closure.analyse_ledger(
        study,
        ledger,
        switched_by=switched_by,
        randomised=_was_randomised(study, randomised),
        warnings=told,
    )
    if sources.root is None:
        return result
    oversight = oversee(study, sources.root, result.runs, now or dt.datetime.now().astimezone())
    level, effect = oversight.look.level, result.effect
    finding = decide(
        at_level(effect.primary, level),
        at_level(effect.total, level),
        effect.randomisation,
        effect.outcomes_by_arm,
        study.claim,
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
    tracks: Mapping[int, pd.DataFrame],
    arms: Mapping[int, str],
    warnings: list[Warned],
) -> road.Network:
    """The study's segments: by its gates and raster if it has them, under the ids they had.

    A study folder keeps the network in `computed/`, one file for each set of choices, so that
    segments keep their names when runs are added.
    """
    root, rule = sources.root, study.road
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


def _samples(logs: Sequence[Log], warnings: list[Warned], progress: bool) -> list[pd.DataFrame]:
    """Samples of every run, positions brought onto the wheel-speed clock where they correlate."""
    out = []
    for log in _bar(logs, "time base", progress):
        samples = timebase.resample(log.frame)
        if {"lat_deg", "gps_speed_kmh", "speed_kmh"} <= set(samples.columns):
            scale = timebase.speed_scale(samples)
            if scale.aligned and abs(scale.lag_s) >= 1:
                samples = timebase.shift_positions(samples, scale.lag_s)
                warnings.append(
                    Warned(
                        "clock-offset",
                        f"{log.path.name}: the position clock was {scale.lag_s:+.0f} s off the "
                        "car's and was put right",
                    )
                )
        out.append(samples)
        warnings += [Warned("log-repaired", f"{log.path.name}: {n}") for n in log.notes]
    return out


def _judged(runs: pd.DataFrame, samples: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Add `km`, `used` and `reason`: a run without speed, or hardly driven, is set aside first.

    Raises
    ------
    DesignError
        If no run of an arm is left.
    """
    km = [timebase.distance_km(s) if "speed_kmh" in s else np.nan for s in samples]
    reason = [
        "no vehicle speed in the log"
        if np.isnan(d)
        else (f"only {d:.2f} km driven" if d < SHORTEST_RUN_KM else "")
        for d in km
    ]
    judged = runs.assign(km=np.nan_to_num(km), reason=reason, used=[r == "" for r in reason])
    for arm in ARMS:
        mine = judged[judged["arm"] == arm]
        if not mine["used"].any():
            raise DesignError(
                f"no usable run of the {arm} arm: {mine['file'].iloc[0]}: {mine['reason'].iloc[0]}"
            )
    return judged


def _with_totals(
    runs: pd.DataFrame,
    flows: Sequence[pd.DataFrame],
    study: Study,
    batches: Sequence[Fuel | None],
) -> pd.DataFrame:
    """Add distance and fuel over the time in which both fuel and speed are known.

    `fuel_l` and its bounds are litres of the declared fuel with the same energy, `l_per_g` what
    makes them; `burned_l`, `burned_kg` are volume at 15 °C and mass as burned.
    """
    each = list(zip(flows, batches, strict=True))
    per_gram = np.array([fuel.litres_per_gram(f, study, b) for f, b in each])
    columns: dict[str, Sequence[float] | np.ndarray] = {
        "km": [timebase.distance_km(f, also=("fuel_flow_g_s",)) for f in flows],
        "hours": [float(f["dt_s"].sum()) / 3600 for f in flows],
        "l_per_g": per_gram,
    }
    for column, source in (
        ("fuel_l", "fuel_flow_g_s"),
        ("fuel_low_l", "fuel_flow_low_g_s"),
        ("fuel_high_l", "fuel_flow_high_g_s"),
    ):
        grams = np.array([timebase.integrate(f, source, also=("speed_kmh",)) for f in flows])
        columns[column] = per_gram * grams
        if column == "fuel_l":
            density = [fuel.fuel_of(f, study, b).density_kg_m3 for f, b in each]
            columns |= {"burned_l": grams / np.array(density), "burned_kg": grams / 1000}
    totals = runs.assign(**columns)
    no_fuel = totals["used"] & ~(totals["fuel_l"] > 0)
    return totals.assign(
        used=totals["used"] & ~no_fuel,
        reason=totals["reason"].where(~no_fuel, "no fuel flow could be computed"),
    )


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


def _estimators(
    samples: Sequence[pd.DataFrame],
    runs: pd.DataFrame,
    study: Study,
    calibration: fuel.Calibration,
    batches: Sequence[Fuel | None],
) -> pd.DataFrame:
    """Every estimator side by side: litres per 100 km by arm and the plain change."""
    tables = []
    for s, arm, km, used, batch in zip(
        samples, runs["arm"], runs["km"], runs["used"], batches, strict=True
    ):
        if used:
            tables.append(fuel.fuel_variants(s, study, calibration, batch).assign(arm=arm, km=km))
    every = pd.concat(tables, ignore_index=True)
    rows = []
    for name in every["estimator"].unique():
        mine = every[every["estimator"] == name]
        sums = mine.groupby("arm")[["fuel_l", "km"]].sum()
        use = 100 * sums["fuel_l"] / sums["km"]
        by_arm = {arm: float(use.get(arm, np.nan)) for arm in ARMS}
        rows.append(
            {
                "name": name,
                "available": bool(np.isfinite(list(by_arm.values())).all()),
                "expected_error_pct": fuel.ESTIMATORS[name].expected_error_pct,
                "unshared_error_pct": fuel.ESTIMATORS[name].unshared_error_pct,
                "baseline_l_per_100km": by_arm["baseline"],
                "fitted_l_per_100km": by_arm["fitted"],
                "change_pct": 100 * (by_arm["fitted"] / by_arm["baseline"] - 1),
            }
        )
    return pd.DataFrame(rows)


def _was_randomised(study: Study, override: bool | None) -> bool:
    if override is not None:
        return override
    return bool(study.schedule and study.schedule.randomised)


def _bar(items: Iterable[T], what: str, progress: bool) -> Iterator[T]:
    from tqdm import tqdm

    yield from tqdm(items, desc=f"{what:<10}", disable=not progress, leave=False, unit="run")
