"""Standing starts timed and compared: a study's logs or two piles in, the trial's result out.

What isn't given comes from the study's [standing_start]; a study keeps the result.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest import Log
from roadlog.physics.air import wind_share
from roadlog.runs.table import Sources, build_runs, read_logs, study_sources, with_day_order
from roadlog.study.settings import Study, override
from roadlog.trials.declared import Declared, read_declared
from roadlog.trials.result import TrialResult, save
from roadlog.trials.standing_start import ClaimKind, gather_starts, standing_start_result
from roadlog.weather.reports import study_weather, weather_file
from roadlog.weather.station import about, drive_positions, locate, station_warnings


@dataclass(frozen=True)
class Given:
    """What the command's options of the same names say; None where the study is asked."""

    study: Path | None = None
    target: float | None = None
    claim_quicker: float | None = None
    claim_seconds: float | None = None
    claim_power: float | None = None
    switched_by: Literal["day", "run", "stretch"] | None = None
    randomised: bool | None = None
    alternating: bool = False
    starts: Path | None = None
    only_starts: bool = False
    grade: float | None = None
    mass: float | None = None
    turbo: bool = False

    def __post_init__(self) -> None:
        if self.target is not None and not 30 <= self.target <= 250:
            raise InputError(f"--target {self.target:g} km/h: choose a speed from 30 to 250")


@dataclass(frozen=True)
class Timed:
    """The result; `saved` is its file, None without a study."""

    result: TrialResult
    synthetic: bool
    saved: Path | None


def time_starts(a: Given, study: Study, sources: Sources) -> Timed:
    """Time every start and compare the arms.

    Raises
    ------
    InputError
        If an option, a table or a log is wrong.
    """
    changes = {"mass_kg": a.mass, "aspiration": "turbo" if a.turbo else None}
    study = override(study, vehicle={k: v for k, v in changes.items() if v is not None}, device={})
    plan = study.standing_start
    study = with_day_order(study, sources)
    logs = read_logs(study, sources)
    unit = a.switched_by or plan.switched_by
    if unit is None:
        unit = study.schedule.switched_by if study.schedule else "stretch"
    runs = build_runs(study, sources, logs, unit)
    weather, said = _weather(study, sources, runs, logs)
    starts = gather_starts(
        logs,
        runs,
        study.vehicle,
        target_kmh=a.target or plan.target_kmh,
        grade_out=(plan.grade_out_pct if a.grade is None else a.grade) / 100,
        weather=weather,
        wind_at_car=wind_share(study.weather.shelter, study.weather.wind_height_m),
        alternating=a.alternating or plan.alternating,
        declared=_declared(a, study),
    )
    starts = replace(starts, notes=(*starts.notes, *said))
    result = standing_start_result(
        starts,
        claim=_claim(a, study),
        randomised=_randomised(a, study),
        device=study.device.name,
        labels=(study.label("baseline"), study.label("fitted")),
    )
    saved = None if a.study is None else save(result, a.study)
    return Timed(result, study.synthetic, saved)


def _declared(a: Given, study: Study) -> Declared:
    path = a.starts
    if path is None and study.standing_start.starts_file is not None and a.study is not None:
        path = a.study / study.standing_start.starts_file
    return Declared(
        {} if path is None else read_declared(path),
        a.only_starts or study.standing_start.only_starts,
    )


def start_sources(folder: Path, study: Study) -> Sources:
    """The logs that [standing_start] names, else the study's."""
    plan = study.standing_start
    if plan.baseline or plan.fitted or plan.any:
        logs = study.logs.model_copy(
            update={"baseline": plan.baseline, "fitted": plan.fitted, "any": plan.any}
        )
        study = study.model_copy(update={"logs": logs})
    return study_sources(folder, study)


def _weather(
    study: Study, sources: Sources, runs: pd.DataFrame, logs: Sequence[Log]
) -> tuple[pd.DataFrame | None, list[str]]:
    """The study's weather, and sentences on how far its station is from the course."""
    if sources.root is None:
        return None, []
    weather = study_weather(sources.root, study, runs["start"])
    station = locate(weather, weather_file(study), drive_positions(log.frame for log in logs))
    if station is None:
        return None, []
    return weather, [about(station), *(f"{w}." for w in station_warnings(station))]


def _claim(a: Given, study: Study) -> tuple[ClaimKind, float] | None:
    plan = study.standing_start
    given: list[tuple[ClaimKind, float | None]] = [
        ("time_pct", a.claim_quicker),
        ("time_s", a.claim_seconds),
        ("power_pct", a.claim_power),
    ]
    if sum(v is not None for _, v in given) > 1:
        raise InputError("several claims are given: give one, of less time or of more power")
    if all(v is None for _, v in given):
        given = [
            ("time_pct", plan.claim_quicker_pct),
            ("time_s", plan.claim_quicker_s),
            ("power_pct", plan.claim_power_pct),
        ]
    for kind, value in given:
        if value is not None:
            if not value > 0 or (kind == "time_pct" and value >= 100):
                raise InputError(f"claim {value:g}: give what is promised as a positive number")
            return kind, value
    return None


def _randomised(a: Given, study: Study) -> bool:
    plan = study.standing_start.randomised
    if a.randomised is not None or plan is not None:
        return bool(a.randomised or plan)
    return study.randomised
