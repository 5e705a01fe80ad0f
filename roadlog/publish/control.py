"""The control car's logs as they may be shown: trimmed by the test car's rule, of no arm.

A study's sources and its analysis go in; the control car's drives come out, to be cut together with
the test car's, and are written beside them: logs, notes, fuel filled and weighed, and what the logs
can't tell any more.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from roadlog.analysis.beside_control import CONTROL_PREFIX
from roadlog.analysis.control_car import control_sources, metered_control, with_own_positions
from roadlog.analysis.result import Analysed
from roadlog.closure.ledger import Ledger, read_ledger
from roadlog.publish.clock import PublicClock
from roadlog.publish.ledger import put_ledger, shown_shares, to_published_road
from roadlog.publish.public_logs import PublicCar, csv_text, put, run_list, write_logs, write_notes
from roadlog.publish.shown import CONTROL, Drive, Shown
from roadlog.runs.table import CONTROL_RUN_LIST, Sources, build_runs, read_logs
from roadlog.study.car import Control
from roadlog.study.settings import Study

NO_FUEL = Ledger()


@dataclass(frozen=True)
class ControlLogs:
    """The control car's drives in order, its runs and passes by the whole logs, its notes, and its
    fills and cans where they are held against the test car's."""

    drives: tuple[Drive, ...] = ()
    runs: pd.DataFrame = field(default_factory=pd.DataFrame)
    passes: pd.DataFrame = field(default_factory=pd.DataFrame)
    notes: Path | None = None
    ledger: Ledger = NO_FUEL


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
    return ControlLogs(tuple(drives), runs, passes, of_control.notes, _ledger(whole, sources))


def _ledger(whole: Analysed, sources: Sources) -> Ledger:
    """Fills and cans as far as the analysis reads them: a can of a run or a day."""
    if whole.control is None or not whole.control.used or sources.root is None:
        return NO_FUEL
    found = read_ledger(sources.root, whole.study.of_control_car(), CONTROL_PREFIX)
    fills = (f.model_copy(update={"unit": None, "arm": None}) for f in found.fills)
    days = set(whole.control.runs["day"].astype(str))
    cans = (c for c in found.cans if c.unit is None or str(c.unit) in days)
    return Ledger(tuple(fills), tuple(cans))


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


def write_control_ledger(
    control: ControlLogs,
    whole: Analysed,
    sources: Sources,
    shown: Sequence[Shown],
    names: Mapping[str, str],
    times: Sequence[pd.Timestamp],
    clock: PublicClock,
    into: Path,
) -> None:
    """Write the control car's fills and cans by the test car's rule.

    Parameters
    ----------
    shown : sequence of Shown
        All of its drives.
    times : sequence of Timestamp
        Of its fills, in public.
    """
    if not control.ledger:
        return
    own, of_control = whole.study.of_control_car(), control_sources(whole.study, sources)
    metered = metered_control(own, of_control).metered
    shares = shown_shares(metered, shown).reset_index()
    runs = metered.runs.assign(switch_unit=metered.runs["day"])
    public = to_published_road(control.ledger, runs, shares, names, clock)
    put_ledger(public, times, into, CONTROL_PREFIX)
