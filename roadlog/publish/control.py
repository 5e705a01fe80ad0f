"""The control car's logs as they may be shown: trimmed by the test car's rule, of no arm.

A study's sources and its analysis go in; the control car's drives come out, to be cut together with
the test car's, and are written beside them: logs, notes, and what they can't tell any more.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from roadlog.analysis.control_car import control_sources, with_own_positions
from roadlog.analysis.result import Analysed
from roadlog.publish.clock import PublicClock
from roadlog.publish.public_logs import PublicCar, csv_text, put, run_list, write_logs, write_notes
from roadlog.publish.shown import CONTROL, Drive
from roadlog.runs.table import CONTROL_RUN_LIST, Sources, build_runs, read_logs
from roadlog.study.car import Control
from roadlog.study.settings import Study


@dataclass(frozen=True)
class ControlLogs:
    """The control car's drives in order, its runs and passes by the whole logs, and its notes."""

    drives: tuple[Drive, ...] = ()
    runs: pd.DataFrame = field(default_factory=pd.DataFrame)
    passes: pd.DataFrame = field(default_factory=pd.DataFrame)
    notes: Path | None = None


def control_logs(whole: Analysed, sources: Sources) -> ControlLogs:
    """The control car's logs; nothing where none is declared or none is there.

    Raises
    ------
    InputError
        If one can't be read.
    """
    if whole.study.control is None or not sources.control:
        return ControlLogs()
    own, of_control = whole.study.of_control_car(), control_sources(whole.study, sources)
    logs, _ = with_own_positions(read_logs(own, of_control))
    runs = build_runs(own, of_control, logs, "day")
    drives = [
        Drive(logs[i], int(run), CONTROL, str(file))
        for i, run, file in zip(runs["log"], runs["run"], runs["file"], strict=True)
    ]
    passes = pd.DataFrame() if whole.control is None else whole.control.passes
    return ControlLogs(tuple(drives), runs, passes, of_control.notes)


def write_control(
    control: ControlLogs,
    study: Study,
    car: PublicCar,
    clock: PublicClock,
    vehicles: Mapping[str, str],
    into: Path,
) -> None:
    """Write the control car's part of the trimmed study; `vehicles` as for `run_list`."""
    if not car.there:
        return
    write_logs(car, into)
    notes = into / str(Control.model_fields["notes"].default)
    write_notes(control.notes, study, control.runs, car, clock, notes)
    listed = run_list(control.runs, control.passes, car, clock, washout=False, vehicles=vehicles)
    if len(listed.columns) > 1:
        put(into / CONTROL_RUN_LIST, csv_text(listed))
