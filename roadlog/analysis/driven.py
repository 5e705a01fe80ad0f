"""What was driven: log files go in, runs with their samples, notes and order of arms come out.

The first stage of `roadlog.analysis.analyse`: nothing here looks at fuel.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import pandas as pd

from roadlog.analysis.earlier import NOTHING_EARLIER, Earlier
from roadlog.analysis.metering import judged, sampled
from roadlog.analysis.second import shared_out
from roadlog.analysis.which_car import of_another_vehicle
from roadlog.fuel import ESTIMATORS
from roadlog.ingest import Log
from roadlog.ingest.alike import units_said
from roadlog.ingest.clock.localday import clock_warnings, zone_warning
from roadlog.ingest.copied import copied_signals
from roadlog.ingest.log import read_units
from roadlog.ingest.twice import logged_twice
from roadlog.plan.looks import agreed_notes
from roadlog.quantities.against import Against
from roadlog.quantities.facts import Fact, Veto, Warned
from roadlog.quantities.signals import LAMBDA_MEASURED, TRIMS
from roadlog.runs.deviations import find_deviations, staying_sentences
from roadlog.runs.notes import of_no_drive, read_notes
from roadlog.runs.order import (
    believed_units,
    by_order,
    days_within_periods,
    in_periods,
    order_warnings,
    unknown_order,
)
from roadlog.runs.table import BY_NAME, Sources, build_runs, read_logs, require_both_arms
from roadlog.study.settings import Order, Study, SwitchedBy
from roadlog.wording.progress import bar

# Signals that tell fuel, in one estimator or another; a copy of any other is a warning alone.
TELL_FUEL = frozenset(
    {"lambda_commanded", *LAMBDA_MEASURED}
    | {signal for bank in TRIMS for signal in bank}
    | {signal for e in ESTIMATORS.values() for needed in e.signals for signal in needed}
)


@dataclass(frozen=True)
class Driven:
    """All runs, before their fuel.

    `runs` has `km`, `used` and `reason` of `metering.judged`; `samples` and `units` an entry a run;
    `agreed` is the study with no covariate but those that were agreed beforehand. `in_order` is
    False where names alone told the order; `doubts` forbid a firm word.
    """

    agreed: Study
    runs: pd.DataFrame
    samples: tuple[pd.DataFrame, ...]
    units: tuple[dict[str, str], ...]
    notes: pd.DataFrame | None
    switched_by: SwitchedBy
    set_aside: Mapping[int, Fact]
    in_order: bool
    doubts: tuple[str, ...]
    warnings: tuple[Warned, ...]


def gather(
    study: Study,
    sources: Sources,
    *,
    switched_by: SwitchedBy | None,
    order: Order | None,
    by_chance: bool,
    progress: bool,
    earlier: Earlier = NOTHING_EARLIER,
) -> Driven:
    """Read every log, and say which run it is.

    Parameters
    ----------
    study, sources, switched_by, order, progress
        As for `roadlog.analysis.analyse.analyse`.
    by_chance : bool
        Whether chance decided the order of arms.
    earlier : Earlier, optional
        What earlier analyses computed.

    Raises
    ------
    RoadlogError
        If an arm has no usable run, or a log can't be read.
    """
    require_both_arms(study, sources)
    logs = _logs(study, sources, progress, earlier)
    unit = switched_by or _unit_of(study)
    runs = build_runs(study, sources, logs, unit)
    of_order, in_order = order_warnings(runs), runs.attrs["told_by"] != BY_NAME
    doubts = [*unknown_order(runs, order), *of_another_vehicle(runs)]
    notes = noted_by_driver(study, sources, runs)
    runs = by_order(runs, order, sources, notes)
    runs, unit, of_units = _with_units(study, runs, unit, by_chance)
    deviations = find_deviations(runs, notes, study.analysis.exclude_if)
    of_notes = [
        *(Warned("notes-of-no-drive", w) for w in of_no_drive(notes, runs)),
        *(Warned("deviation-not-applied", d) for d in deviations.doubts),
        *(Warned("deviation-stays", s) for s in staying_sentences(deviations, runs)),
    ]
    logs_of_runs = [logs[i] for i in runs["log"]]

    warnings = [
        *_unit_warnings(study, logs, unit, told=switched_by is not None),
        *(Warned("unit-by-values", w) for w in units_said(logs)),
        *(Warned("clocks", w) for w in clock_warnings(logs, study.time)),
        *of_order,
        *of_units,
    ]
    samples, repairs = sampled(logs_of_runs, progress, earlier)
    twice = logged_twice(runs, samples)
    copied = copied_signals([g.frame for g in logs_of_runs], runs["file"].tolist(), shared_out)
    set_aside = {**twice.set_aside, **deviations.set_aside}
    warnings += [
        *repairs,
        *of_notes,
        *twice.warnings,
        *(Warned("signal-copied", str(c)) for c in copied),
    ]
    runs = judged(runs, samples, set_aside)
    agreed, late_notes = agreed_notes(study, sources.root, runs)
    return Driven(
        agreed=agreed,
        runs=runs,
        samples=tuple(samples),
        units=tuple(read_units(log) for log in logs_of_runs),
        notes=notes,
        switched_by=unit,
        set_aside=set_aside,
        in_order=in_order,
        doubts=(
            *doubts,
            *(Veto(f"undecided: {c}", Against.COPIED()) for c in copied if c.signal in TELL_FUEL),
        ),
        warnings=(*warnings, *late_notes),
    )


def _logs(study: Study, sources: Sources, progress: bool, earlier: Earlier) -> list[Log]:
    shown = partial(bar, what="reading", shown=progress)
    return read_logs(study, sources, shown, earlier.log, earlier.logs, order_settled=True)


def _unit_of(study: Study) -> SwitchedBy:
    """What the study says was switched; without a schedule stretches, or days by a control car."""
    if study.schedule is not None:
        return study.schedule.switched_by
    return "stretch" if study.control is None else "day"


def _with_units(
    study: Study, runs: pd.DataFrame, unit: SwitchedBy, by_chance: bool
) -> tuple[pd.DataFrame, SwitchedBy, list[Warned]]:
    """The runs with the units that can be believed: stretches, or days within them by a control
    car, where the arms came in few of them."""
    if study.control is not None and in_periods(runs, by_chance):
        return days_within_periods(runs), "day", []
    believed, told = believed_units(runs, unit, by_chance)
    return believed, unit, told


def noted_by_driver(
    study: Study, sources: Sources, runs: pd.DataFrame | None
) -> pd.DataFrame | None:
    """The driver's notes, their dates in the order of the logs'."""
    if sources.notes is None:
        return None
    drives = () if runs is None else tuple(runs["day"].astype(str))
    return read_notes(sources.notes, study.time.day_first, drives)


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
