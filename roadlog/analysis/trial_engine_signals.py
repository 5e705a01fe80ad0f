"""What the engine's own sensors say by arm: a study's logs in, the trial's result out and kept."""

from dataclasses import dataclass
from pathlib import Path

from roadlog.ingest.timebase import resample
from roadlog.runs.deviations import find_deviations
from roadlog.runs.notes import of_no_drive, read_notes
from roadlog.runs.table import build_runs, open_study, read_logs, with_day_order
from roadlog.study.settings import Study
from roadlog.trials.engine_signals import compare_engine_signals
from roadlog.trials.result import TrialResult, save


@dataclass(frozen=True)
class Compared:
    """The result and its file; `said` are warnings and which runs were set aside."""

    study: Study
    result: TrialResult
    saved: Path
    said: tuple[str, ...]


def reckon_engine_signals(folder: Path) -> Compared:
    """Compare trims, lambda and catalyst temperature between a study's arms.

    Raises
    ------
    RoadlogError
        If the study or its logs can't be read, or no such signal is in them.
    """
    study, sources = open_study(folder)
    study = with_day_order(study, sources)
    logs = read_logs(study, sources)
    unit = study.schedule.switched_by if study.schedule else "stretch"
    runs = build_runs(study, sources, logs, unit)
    said: list[str] = []
    notes = None
    if sources.notes is not None:
        notes = read_notes(sources.notes, study.time.day_first, tuple(runs["day"]))
    for warning in of_no_drive(notes, runs):
        said.append(f"Warning: {warning}.")
    set_aside = find_deviations(runs, notes, study.analysis.exclude_if).set_aside
    for run, file in zip(runs["run"], runs["file"], strict=True):
        if run in set_aside:
            said.append(f"Set aside: {file}: {set_aside[run]}")
    runs = runs[~runs["run"].isin(list(set_aside))].reset_index(drop=True)
    samples = [resample(logs[i].frame) for i in runs["log"]]
    result = compare_engine_signals(samples, runs, notes, device=study.device.name)
    return Compared(study, result, save(result, folder), tuple(said))
