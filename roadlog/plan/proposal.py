"""A plan as a whole: what the days can show, the schedule proposed, and what is written of it.

A study and the scatter go in; a `Proposal` comes out, the same for `roadlog plan` and the bench,
and `write_plan` puts schedule, registration, papers and an empty notes.csv into the folder.
"""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from roadlog.errors import DesignError, InputError
from roadlog.plan.calendar import calendar_file
from roadlog.plan.mark import code_png, code_svg
from roadlog.plan.promise import Scatter, order_of_schedule
from roadlog.plan.register import Entry, choices_of, fingerprint, register
from roadlog.plan.schedule import (
    contradictions,
    draw_schedule,
    drawn_anew,
    driving_days,
    own_seed,
    switch_units,
)
from roadlog.plan.sheet import Reader, sheet_page
from roadlog.plan.size import Loss, Size, UnitPlan, losses, size, unit_plan
from roadlog.plan.studyfile import notes_template, schedule_csv, write_schedule
from roadlog.study.durable import atomic_write
from roadlog.study.faults import first_fault
from roadlog.study.settings import Plan, Schedule, Study

FOLDER = "plan"
PAPERS = [f"{who}.{kind}" for who in ("sheet", "driver", "switcher") for kind in ("html", "ics")]
OPTIONS = (
    "start", "days", "runs_per_day", "km_per_run", "road", "block_size", "days_per_unit", "order",
)  # fmt: skip


@dataclass(frozen=True)
class Proposal:
    """What a plan says before anything is written.

    `schedule` is what is told of; under a seal its arms are a stand-in's. `kept` if the study has a
    schedule already; `spare` days of a new one stay out.
    """

    study: Study
    schedule: Schedule
    spare: int
    kept: bool
    scatter: Scatter
    layout: UnitPlan
    sized: Size
    lost: list[Loss]


@dataclass(frozen=True)
class Written:
    """What was written: the registration, the papers, those of an earlier plan taken away."""

    entry: Entry
    papers: list[str]
    stale: list[str]
    new_notes: bool


def with_options(study: Study, given: Mapping[str, Any]) -> Study:
    """The study with other values in [plan].

    Raises
    ------
    InputError
        If one is impossible, named as the command's option.
    """
    try:
        plan = Plan.model_validate({**study.plan.model_dump(), **given})
    except ValidationError as e:
        option = "--" + str(e.errors()[0]["loc"][0]).replace("_", "-")
        raise InputError(f"{option}: {first_fault(e, Plan)}") from e
    return study.model_copy(update={"plan": plan})


def refuse_vague_carry_over(study: Study) -> None:
    """Raise InputError if the effect washes out over no distance."""
    device = study.device
    if device.carry_over == "washes out" and device.washout_km == 0:
        raise InputError(
            'study.toml: carry_over = "washes out" needs washout_km in [device]: the distance '
            "after which its effect is gone"
        )


def in_periods(study: Study) -> bool:
    """Whether chance can't deal out the days: the add-on stays, or comes and goes once.

    Raises
    ------
    InputError
        If it stays and is to be taken out again.
    """
    stays = study.device.carry_over == "permanent"
    back = study.plan.order == "there-and-back"
    if stays and back:
        raise InputError(
            'study.toml: order = "there-and-back" in [plan] takes the add-on out again, and '
            'carry_over = "permanent" in [device] says that what it does then stays: correct one'
        )
    return stays or back


def has_schedule(study: Study) -> bool:
    """Whether switch units are drawn."""
    return study.schedule is not None and bool(study.schedule.unit)


def propose(
    study: Study,
    scatter: Scatter,
    now: dt.datetime,
    *,
    kept: bool,
    seed: int | None = None,
    spend_alpha: bool = False,
) -> Proposal:
    """What the study's days can show: by its own schedule if that is `kept`, else by a new one.

    Raises
    ------
    DesignError
        If the days can't give an interval, or the schedule contradicts itself.
    """
    layout = unit_plan(study.plan, study.device.washout_km)
    schedule, spare = (
        (kept_schedule(study), 0) if kept else new_schedule(study, now, seed, spend_alpha)
    )
    if kept and schedule.shut:
        schedule = stand_in(study)  # what is told here must not tell the order
    sized = size(order_of_schedule(schedule), scatter, layout, study.claim)
    lost = [] if study.claim is None else losses(scatter, layout, study.claim)
    return Proposal(study, schedule, spare, kept, scatter, layout, sized, lost)


def new_schedule(
    study: Study, now: dt.datetime, seed: int | None = None, spend_alpha: bool = False
) -> tuple[Schedule, int]:
    """A new schedule, and how many of the days it leaves out."""
    plan = study.plan
    days = driving_days(plan, plan.start or now.date() + dt.timedelta(days=1))
    units = switch_units(plan, days)
    declared = (
        study.name,
        study.claim,
        study.device,
        plan.model_dump_json(exclude={"order"}),
        days[0],
    )
    schedule = draw_schedule(
        units,
        block_size=plan.block_size,
        seed=own_seed(*declared) if seed is None else seed,
        spending="obrien-fleming" if spend_alpha else "none",
    )
    return schedule, len(days) - sum(map(len, units))


def kept_schedule(study: Study) -> Schedule:
    """The study's schedule.

    Raises
    ------
    DesignError
        If it contradicts itself or [plan].
    """
    schedule = study.schedule
    assert schedule is not None
    faults = contradictions(schedule, study.plan)
    if faults:
        raise DesignError(
            f"the schedule in study.toml contradicts itself or [plan]: {'; '.join(faults)}: "
            "correct it, or draw a new one with --redraw"
        )
    return schedule


def stand_in(study: Study) -> Schedule:
    """The study's sealed schedule with arms drawn by a seed that everyone knows.

    What the plan says of the order (chances, number of orders) is said of this one.
    """
    assert study.schedule is not None
    seed = own_seed(study.name, study.claim, study.device, study.schedule.unit[0].unit)
    return drawn_anew(study.schedule, np.random.default_rng(seed))


def write_plan(
    folder: Path, study: Study, now: dt.datetime, loose: str | None, *, kept: bool
) -> Written:
    """Write the study's schedule unless it is `kept`, register the analysis, write its papers."""
    assert study.schedule is not None
    papers = _papers(study, fingerprint(choices_of(study)), now, loose)
    notes = folder / "notes.csv"
    template = notes_template(study.schedule, study.analysis.noted_covariates, study.units).encode()
    if not kept:
        write_schedule(folder / "study.toml", study.schedule)
    entry = register(folder, study, now)
    for name, content in papers.items():
        atomic_write(folder / FOLDER / name, lambda p, c=content: p.write_bytes(c))  # type: ignore[misc]
    stale = [p for n in PAPERS if n not in papers and (p := folder / FOLDER / n).is_file()]
    for path in stale:
        path.unlink()
    new_notes = not notes.exists()
    if new_notes:
        atomic_write(notes, lambda p: p.write_bytes(template))
    return Written(entry, list(papers), [p.name for p in stale], new_notes)


def _papers(study: Study, sha256: str, now: dt.datetime, loose: str | None) -> dict[str, bytes]:
    """Name and content of each paper in the study's folder."""
    assert study.schedule is not None
    claim = None if study.claim is None else study.claim.words
    papers: dict[str, bytes] = {"schedule.csv": schedule_csv(study.schedule).encode()}
    readers: tuple[Reader, ...] = ("everyone",)
    if study.plan.switched_by_other:
        readers = ("driver",) if study.schedule.sealed else ("driver", "switcher")
    for reader in readers:
        stem = "sheet" if reader == "everyone" else reader
        page = sheet_page(study, reader=reader, claim=claim, loose=loose, sha256=sha256)
        papers[f"{stem}.html"] = page.encode()
        papers[f"{stem}.ics"] = calendar_file(study, show_arm=reader != "driver", now=now)
    return {**papers, "fingerprint.svg": code_svg(sha256), "fingerprint.png": code_png(sha256)}
