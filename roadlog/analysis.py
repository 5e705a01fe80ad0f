"""The whole analysis, from log files to an `Analysed`: the pipeline's stages in their order.

`study_runs` and `pile_runs` say which file belongs to which arm (from a study folder, or from two
piles of files); `analyse` takes it from there: ingest, time base, fuel, road, conditions, passes,
effect, finding.
"""

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np
import pandas as pd

from roadlog import fuel, passes, road, timebase
from roadlog.conditions import add_conditions
from roadlog.effect import ambiguity_pct, decide, estimate_effect, require_replication
from roadlog.errors import DesignError, InputError
from roadlog.fuels import FUELS
from roadlog.ingest import Log, join_positions, read_log
from roadlog.ingest.notebook import read_notes, read_weather
from roadlog.results import Analysed, ArmSummary, Warned
from roadlog.study import ARMS, Study, SwitchedBy, log_files
from roadlog.tables import PASSES, RUNS

T = TypeVar("T")

LOG_SUFFIXES = (".csv", ".tsv", ".txt", ".log", ".asc", ".dat")
TRACK_SUFFIXES = (".gpx",)
SHORTEST_RUN_KM = 0.5


@dataclass(frozen=True)
class Sources:
    """Which files to analyse: (path, arm or None where the schedule tells), and position tracks."""

    runs: tuple[tuple[Path, str | None], ...]
    tracks: tuple[Path, ...] = ()
    notes: Path | None = None
    weather: Path | None = None
    root: Path | None = None

    def shown(self, path: Path) -> str:
        """The file's name as the report shows it: relative to the study where possible."""
        if self.root is not None and path.is_relative_to(self.root):
            return path.relative_to(self.root).as_posix()
        return path.name


def study_sources(folder: Path, study: Study) -> Sources:
    """The files of a study folder: `[logs]`, or `logs/baseline` and `logs/fitted` without it.

    Raises
    ------
    InputError
        If a pattern matches nothing, no log is found, or one file is in both arms.
    """
    logs = study.logs
    if not (logs.baseline or logs.fitted or logs.any):
        found: list[tuple[Path, str | None]] = []
        for arm in ARMS:
            place = folder / "logs" / arm
            found += [(p, arm) for p in _logs_in(place)] if place.is_dir() else []
        if not found:
            raise InputError(
                f"{folder}: no logs: name them in [logs] of study.toml, or put them into "
                "logs/baseline and logs/fitted"
            )
    else:
        found = [(p, "baseline") for p in log_files(folder, logs.baseline)]
        found += [(p, "fitted") for p in log_files(folder, logs.fitted)]
        found += [(p, None) for p in log_files(folder, logs.any)]
    _refuse_twice(found)
    return Sources(
        runs=tuple(found),
        tracks=tuple(log_files(folder, logs.positions)),
        notes=_if_there(folder / "notes.csv"),
        weather=_if_there(folder / "weather.csv"),
        root=folder,
    )


def pile_sources(baseline: Sequence[Path], fitted: Sequence[Path]) -> Sources:
    """Two piles of log files or folders; GPX files among them supply positions.

    Raises
    ------
    InputError
        If a path is missing, a pile is empty, or one file is in both piles.
    """
    runs: list[tuple[Path, str | None]] = []
    tracks: list[Path] = []
    for arm, pile in zip(ARMS, (baseline, fitted), strict=True):
        files = [f for p in pile for f in _files_of(p)]
        tracks += [f for f in files if f.suffix.lower() in TRACK_SUFFIXES]
        logs = [f for f in files if f.suffix.lower() not in TRACK_SUFFIXES]
        if not logs:
            raise InputError(f"--{arm}: no log file in {', '.join(map(str, pile)) or 'nothing'}")
        runs += [(f, arm) for f in logs]
    _refuse_twice(runs)
    return Sources(runs=tuple(runs), tracks=tuple(dict.fromkeys(tracks)))


def analyse(
    study: Study,
    sources: Sources,
    *,
    switched_by: SwitchedBy | None = None,
    randomised: bool | None = None,
    progress: bool = False,
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

    Raises
    ------
    RoadlogError
        With one sentence that says what is wrong, where, and what to do.
    """
    _require_both_arms(study, sources)
    warnings: list[Warned] = []
    logs = _read_all(study, sources, progress)
    unit = switched_by or (study.schedule.switched_by if study.schedule else "stretch")
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
    estimator = fuel.choose_estimator(good, study)
    require_replication(runs)
    base = [s for s, arm in zip(good, runs.loc[runs["used"], "arm"], strict=True) if arm == ARMS[0]]
    calibration = fuel.calibrate(base, study)
    warnings += [Warned("fuel", w) for w in calibration.warnings]
    flows = [
        fuel.fuel_flow(s, study, estimator, calibration) for s in _bar(samples, "fuel", progress)
    ]
    runs = _with_totals(runs, flows, study)
    usable = {
        int(r): f for r, f, used in zip(runs["run"], flows, runs["used"], strict=True) if used
    }
    arms = {int(r): str(a) for r, a in zip(runs["run"], runs["arm"], strict=True)}
    network = road.find_network(
        usable,
        {r: arms[r] for r in usable},
        segment_length_km=study.analysis.segment_length_km,
        min_runs_per_arm=study.analysis.min_runs_per_arm,
    )
    weather = None if sources.weather is None else read_weather(sources.weather)
    starts = {int(r): pd.Timestamp(t) for r, t in zip(runs["run"], runs["start"], strict=True)}
    tracks = {
        r: add_conditions(
            road.match(f, network, r), study.vehicle, start=starts[r], weather=weather
        )
        for r, f in _bar(usable.items(), "road", progress)
    }
    notes = None if sources.notes is None else read_notes(sources.notes)
    table = PASSES.check(passes.build_passes(tracks, runs, network, study, notes, weather))
    effect = estimate_effect(
        table,
        randomised=_was_randomised(study, randomised),
        modes=passes.mode_table(tracks, table),
        covariates=study.analysis.covariates,
        seed=(study.schedule.seed if study.schedule and study.schedule.seed else 1),
    )
    finding = decide(
        effect.primary,
        effect.total,
        effect.randomisation,
        effect.outcomes_by_arm,
        study.claim,
    )
    used = table[table["used"].astype(bool)]
    return Analysed(
        study=study,
        switched_by=unit,
        runs=RUNS.check(_with_pass_reasons(runs.drop(columns="log"), table)),
        passes=table,
        network=network,
        effect=effect,
        finding=finding,
        baseline=_arm_summary(used, "baseline"),
        fitted=_arm_summary(used, "fitted"),
        fuel_estimator=estimator,
        estimators=_estimators(samples, runs, study, calibration),
        ambiguity_pct=ambiguity_pct(table, study.analysis.covariates),
        closure=None,
        warnings=tuple(warnings),
    )


def build_runs(
    study: Study, sources: Sources, logs: Sequence[Log], switched_by: SwitchedBy
) -> pd.DataFrame:
    """The run table: arm, day, switch unit and block of each log, in order of start.

    Raises
    ------
    InputError
        If a log has no date where the schedule needs one, or falls on a day that isn't scheduled.
    """
    rows = []
    scheduled = {str(u.unit): u for u in study.schedule.unit} if study.schedule else {}
    for i, (log, (path, arm)) in enumerate(zip(logs, sources.runs, strict=True)):
        start = pd.NaT if log.start is None else log.start.tz_localize(None)
        day = "" if log.start is None else f"{start:%Y-%m-%d}"
        name = sources.shown(path)
        entry = scheduled.get(day) or scheduled.get(name) or scheduled.get(path.name)
        if arm is None and entry is None:
            where = f"on {day}" if day else "which has no date"
            raise InputError(
                f"{name}: its arm is unknown: the schedule has no switch unit for this log "
                f"({where}); add one, or list the file under [logs] baseline or fitted"
            )
        if arm is not None and entry is not None and entry.arm != arm:
            raise InputError(
                f"{name}: listed as {arm} but scheduled as {entry.arm} on {day}: correct one"
            )
        rows.append(
            {
                "log": i,
                "file": name,
                "arm": arm or (entry.arm if entry else ""),
                "start": start,
                "day": day,
                "block": "" if entry is None or entry.block is None else str(entry.block),
                "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
            }
        )
    runs = pd.DataFrame(rows)
    runs["start"] = pd.to_datetime(runs["start"])
    _refuse_copies(runs)
    keys = ["start", "file"] if runs["start"].notna().all() else ["file"]
    if len(keys) == 1 and switched_by != "run" and runs["start"].isna().any():
        first = runs.loc[runs["start"].isna(), "file"].iloc[0]
        raise InputError(
            f"{first}: no date in this log, so its {switched_by} is unknown: log date and time, or "
            "say --switched-by run if the add-on was switched between runs"
        )
    runs = runs.sort_values(keys, kind="stable", ignore_index=True)
    runs.insert(0, "run", np.arange(len(runs)))
    stretch = (runs["arm"] != runs["arm"].shift()).cumsum()
    if switched_by == "day":
        runs["switch_unit"] = runs["day"]
    elif switched_by == "run":
        runs["switch_unit"] = runs["file"]
    else:
        runs["switch_unit"] = [f"stretch {n}" for n in stretch]
    _refuse_mixed_units(runs, switched_by)
    runs["day"] = runs["day"].where(runs["day"] != "", runs["switch_unit"])
    return runs


def _require_both_arms(study: Study, sources: Sources) -> None:
    known = {arm for _, arm in sources.runs if arm is not None}
    if any(arm is None for _, arm in sources.runs) and study.schedule:
        known |= {u.arm for u in study.schedule.unit}
    for arm in ARMS:
        if arm not in known:
            raise DesignError(
                f"no log of the {arm} arm: an effect needs runs with the add-on in and out"
            )


def _read_all(study: Study, sources: Sources, progress: bool) -> list[Log]:
    tracks = [read_log(p, columns=study.columns, time=study.time) for p in sources.tracks]
    logs = []
    for path, _ in _bar(sources.runs, "reading", progress):
        log = read_log(path, columns=study.columns, time=study.time)
        logs.append(join_positions(log, tracks) if tracks else log)
    return logs


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


def _with_totals(runs: pd.DataFrame, flows: Sequence[pd.DataFrame], study: Study) -> pd.DataFrame:
    """Add distance and litres over the time in which both fuel and speed are known."""
    density = FUELS[study.vehicle.fuel].density_kg_m3
    columns: dict[str, list[float]] = {
        "km": [timebase.distance_km(f, also=("fuel_flow_g_s",)) for f in flows],
        "hours": [float(f["dt_s"].sum()) / 3600 for f in flows],
    }
    for column, source in (
        ("fuel_l", "fuel_flow_g_s"),
        ("fuel_low_l", "fuel_flow_low_g_s"),
        ("fuel_high_l", "fuel_flow_high_g_s"),
    ):
        columns[column] = [
            timebase.integrate(f, source, also=("speed_kmh",)) / density for f in flows
        ]
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
    samples: Sequence[pd.DataFrame], runs: pd.DataFrame, study: Study, calibration: fuel.Calibration
) -> pd.DataFrame:
    """Every estimator side by side: litres per 100 km by arm and the plain change."""
    tables = []
    for s, arm, km, used in zip(samples, runs["arm"], runs["km"], runs["used"], strict=True):
        if used:
            tables.append(fuel.fuel_variants(s, study, calibration).assign(arm=arm, km=km))
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
                "expected_error_pct": float(fuel.ESTIMATORS[name].expected_error_pct),
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


def _refuse_mixed_units(runs: pd.DataFrame, switched_by: SwitchedBy) -> None:
    mixed = runs.groupby("switch_unit")["arm"].nunique()
    if (mixed > 1).any():
        raise InputError(
            f"both arms were driven on {mixed.index[mixed > 1][0]}, though the study says that the "
            f"add-on was switched by {switched_by}: say --switched-by run, or correct the arms"
        )


def _refuse_twice(runs: Iterable[tuple[Path, str | None]]) -> None:
    seen: dict[Path, str | None] = {}
    for path, arm in runs:
        key = path.resolve()
        if key in seen:
            raise InputError(f"{path} is given twice ({seen[key]} and {arm}): list it once")
        seen[key] = arm


def _refuse_copies(runs: pd.DataFrame) -> None:
    twice = runs[runs["sha256"].duplicated(keep=False)]
    if not twice.empty:
        same = twice[twice["sha256"] == twice["sha256"].iloc[0]]["file"].tolist()
        raise InputError(f"{same[0]} and {same[1]} are the same log: remove one of them")


def _files_of(path: Path) -> list[Path]:
    if path.is_dir():
        return [*_logs_in(path), *_with_suffix(path, TRACK_SUFFIXES)]
    if not path.exists():
        raise InputError(f"{path} doesn't exist: name a log file or a folder of logs")
    return [path]


def _logs_in(folder: Path) -> list[Path]:
    return _with_suffix(folder, LOG_SUFFIXES)


def _with_suffix(folder: Path, suffixes: Sequence[str]) -> list[Path]:
    return sorted(
        p
        for p in folder.rglob("*")
        if p.is_file() and p.suffix.lower() in suffixes and not p.name.startswith(".")
    )


def _if_there(path: Path) -> Path | None:
    return path if path.is_file() else None


def _bar(items: Iterable[T], what: str, progress: bool) -> Iterator[T]:
    from tqdm import tqdm

    yield from tqdm(items, desc=f"{what:<10}", disable=not progress, leave=False, unit="run")
