"""`roadlog plan`: how many days a claim needs, a schedule drawn by chance, and its papers."""

import argparse
import datetime as dt
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roadlog.errors import DesignError, InputError

if TYPE_CHECKING:
    from roadlog.plan.promise import Scatter
    from roadlog.plan.size import Loss, Size, UnitPlan
    from roadlog.study.settings import Schedule, Study

FOLDER = "plan"


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "plan",
        help="how many days a claim needs, a schedule drawn by chance, sheets to print",
        description=(
            "Say what the days available can show, draw by chance which of them are fitted, write "
            "the schedule into study.toml, and register the analysis before any data. Options "
            "override [plan] of study.toml. A study that has a schedule keeps it; its papers are "
            "written anew."
        ),
        epilog=(
            "examples:\n"
            "  roadlog plan my_test --dry-run             # only the numbers\n"
            "  roadlog plan my_test --days 12 --start 2026-03-02\n"
            "  roadlog plan my_test --pilot logs/pilot    # scatter from your own drives\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", type=Path, metavar="STUDY", help="folder with study.toml")
    p.add_argument("--start", type=_date, metavar="DATE", help="first day (default: tomorrow)")
    p.add_argument("--days", type=int, help="driving days available")
    p.add_argument("--runs-per-day", type=int, metavar="N", help="drives a day")
    p.add_argument("--km-per-run", type=float, metavar="KM", help="length of a drive")
    p.add_argument("--road", choices=("motorway", "mixed", "town"), help="where no pilot is there")
    p.add_argument("--block-size", type=int, choices=(2, 4), help="switch units in a block")
    p.add_argument("--days-per-unit", type=int, metavar="N", help="days between switches")
    p.add_argument(
        "--spend-alpha",
        action="store_true",
        help="let analyses before the last day decide, at the price of wider intervals",
    )
    p.add_argument(
        "--pilot", nargs="+", type=Path, metavar="PATH", default=[], help="baseline logs"
    )
    p.add_argument("--seed", type=int, help="default: follows from what the study declares")
    p.add_argument("--dry-run", action="store_true", help="show the numbers, write nothing")
    p.add_argument("--redraw", action="store_true", help="replace the schedule that is there")
    p.add_argument(
        "--register", action="store_true", help="only register the analysis as it stands"
    )
    p.set_defaults(run=_plan)


def _plan(a: argparse.Namespace) -> int:
    from roadlog.effect.design import refuse_mediators
    from roadlog.plan import verdict
    from roadlog.plan.promise import order_of_schedule
    from roadlog.plan.promised import keep_promise, promise_of
    from roadlog.plan.size import losses, size, unit_plan
    from roadlog.study.folder import load_study

    study = _with_options(load_study(a.study), a)
    refuse_mediators((*study.analysis.noted_covariates, *(study.analysis.covariates or ())))
    now = dt.datetime.now().astimezone()
    if a.register:
        return _register(a.study, study, now)
    _refuse_vague_carry_over(study)
    plan, claim = study.plan, study.claim
    if study.device.carry_over == "permanent":
        scatter = _scatter(a, study, unit_plan(plan, 0))
        print("\n".join([study.name, *verdict.permanent_lines(study, plan, scatter)]))
        return 1
    layout = unit_plan(plan, study.device.washout_km)
    scatter = _scatter(a, study, layout)
    kept = study.schedule is not None and bool(study.schedule.unit) and not a.redraw
    schedule, spare = (_kept(study), 0) if kept else _drawn(a, study, now)
    sized = size(order_of_schedule(schedule), scatter, layout, claim)
    lost = [] if claim is None else losses(scatter, layout, claim)
    print("\n".join(_lines(study, schedule, spare, scatter, layout, sized, lost)))
    if kept:
        print("             This is the schedule that the study has; --redraw draws another.")
    if claim is None:
        print("             Add [claim] to study.toml to hold the days against it.")
    if a.dry_run:
        print("Nothing was written (--dry-run).")
        return 0
    loose = verdict.looseness(lost, sized.needed)
    _write(a.study, study.model_copy(update={"schedule": schedule}), kept, now, loose)
    keep_promise(a.study, promise_of(sized, scatter, claim, now))
    return 0


def _lines(
    study: "Study",
    schedule: "Schedule",
    spare: int,
    scatter: "Scatter",
    layout: "UnitPlan",
    s: "Size",
    lost: "list[Loss]",
) -> list[str]:
    import numpy as np

    from roadlog.plan import verdict
    from roadlog.plan.schedule import redraw
    from roadlog.plan.size import refutable_curve
    from roadlog.plan.to_log import log_lines
    from roadlog.wording.screen import paragraph

    claim = study.claim
    lines = [study.name]
    if claim is not None:
        lines += paragraph("Claim", claim.words + ".")
    lines += verdict.days_lines(schedule, study.plan, spare)
    lines += verdict.size_lines(s, scatter)
    lines += verdict.chance_lines(s.chances)
    lines += verdict.verdict_lines(s, scatter, layout, study.plan, claim)
    lines += verdict.curve_lines(
        refutable_curve(scatter, layout, progress=sys.stderr.isatty()), study.plan.days_per_unit
    )
    lines += verdict.loss_lines(lost, s.needed)
    lines += paragraph("To log", " ".join(log_lines(study)))
    drawn = redraw(schedule, [str(u.unit) for u in schedule.unit], np.random.default_rng(1))
    if schedule.randomised and drawn is not None:
        lines += verdict.chance_line(drawn.total)
    if schedule.spending != "none":
        lines += paragraph(
            "Looks",
            "an analysis before the last day may decide, by an interval wide enough that all looks "
            "together are wrong at most 5 times in 100; each is logged.",
        )
    else:
        lines += paragraph(
            "Looks", "an analysis before the last day decides nothing, and is logged."
        )
    return lines


def _drawn(a: argparse.Namespace, study: "Study", now: dt.datetime) -> "tuple[Schedule, int]":
    """A new schedule, and how many of the days it leaves out."""
    from roadlog.plan.schedule import draw_schedule, driving_days, own_seed, switch_units

    plan = study.plan
    days = driving_days(plan, plan.start or now.date() + dt.timedelta(days=1))
    units = switch_units(plan, days)
    declared = (study.name, study.claim, study.device, plan.model_dump_json(), days[0])
    seed = own_seed(*declared) if a.seed is None else a.seed
    schedule = draw_schedule(
        units,
        block_size=plan.block_size,
        seed=seed,
        spending="obrien-fleming" if a.spend_alpha else "none",
    )
    return schedule, len(days) - sum(map(len, units))


def _kept(study: "Study") -> "Schedule":
    from roadlog.plan.schedule import contradictions

    schedule = study.schedule
    assert schedule is not None
    faults = contradictions(schedule, study.plan)
    if faults:
        raise DesignError(
            f"the schedule in study.toml contradicts itself or [plan]: {'; '.join(faults)}: "
            "correct it, or draw a new one with --redraw"
        )
    return schedule


def _write(folder: Path, study: "Study", kept: bool, now: dt.datetime, loose: str | None) -> None:
    from roadlog.plan.calendar import calendar_file
    from roadlog.plan.register import register
    from roadlog.plan.sheet import sheet_page
    from roadlog.plan.studyfile import notes_template, schedule_csv, write_schedule
    from roadlog.study.durable import atomic_write

    assert study.schedule is not None
    claim = None if study.claim is None else study.claim.words
    other = study.plan.switched_by_other
    papers: dict[str, bytes] = {"schedule.csv": schedule_csv(study.schedule).encode()}
    readers: tuple[Any, ...] = ("driver", "switcher") if other else ("everyone",)
    for reader in readers:
        stem = "sheet" if reader == "everyone" else reader
        page = sheet_page(study, reader=reader, claim=claim, loose=loose)
        papers[f"{stem}.html"] = page.encode()
        papers[f"{stem}.ics"] = calendar_file(study, show_arm=reader != "driver", now=now)
    notes = folder / "notes.csv"
    template = notes_template(study.schedule, study.analysis.noted_covariates).encode()
    if not kept:
        write_schedule(folder / "study.toml", study.schedule)
    entry = register(folder, study, now)
    for name, content in papers.items():
        atomic_write(folder / FOLDER / name, lambda p, c=content: p.write_bytes(c))  # type: ignore[misc]
    new_notes = not notes.exists()
    if new_notes:
        atomic_write(notes, lambda p: p.write_bytes(template))
    print(f"{'Kept' if kept else 'Written'}: schedule in {folder / 'study.toml'}")
    print(f"Written: {', '.join(papers)} in {folder / FOLDER}")
    print(f"{'Written' if new_notes else 'Kept'}: {notes} (fill in one row a day)")
    print(f"Registered {entry.at:%Y-%m-%d %H:%M}: {entry.sha256[:16]}…")
    if other:
        print(
            "The driver gets driver.html and driver.ics; schedule.csv, switcher.* and study.toml "
            "tell the arm."
        )
    else:
        print("Somebody else to switch, unseen by the driver, is better: switched_by_other = true.")
    print("Next: print the sheet; log every drive; after the last day, roadlog analyze.")


def _register(folder: Path, study: "Study", now: dt.datetime) -> int:
    from roadlog.plan.register import register

    entry = register(folder, study, now)
    print(f"Registered {entry.at:%Y-%m-%d %H:%M}: {entry.sha256}")
    return 0


def _scatter(a: argparse.Namespace, study: "Study", layout: "UnitPlan") -> "Scatter":
    from roadlog.analysis.pilot import pilot_logs, pilot_scatter
    from roadlog.plan.size import assumed_scatter

    logs = pilot_logs(a.study, a.pilot)
    if logs:
        return pilot_scatter(study, logs)
    return assumed_scatter(study.plan.road, layout.runs_per_unit)


def _with_options(study: "Study", a: argparse.Namespace) -> "Study":
    from pydantic import ValidationError

    from roadlog.study.faults import first_fault
    from roadlog.study.settings import Plan

    given = {
        k: getattr(a, k)
        for k in (
            "start", "days", "runs_per_day", "km_per_run", "road", "block_size", "days_per_unit",
        )
        if getattr(a, k) is not None
    }  # fmt: skip
    try:
        plan = Plan.model_validate({**study.plan.model_dump(), **given})
    except ValidationError as e:
        option = "--" + str(e.errors()[0]["loc"][0]).replace("_", "-")
        raise InputError(f"{option}: {first_fault(e, Plan)}") from e
    return study.model_copy(update={"plan": plan})


def _refuse_vague_carry_over(study: "Study") -> None:
    device = study.device
    if device.carry_over == "washes out" and device.washout_km == 0:
        raise InputError(
            'study.toml: carry_over = "washes out" needs washout_km in [device]: the distance '
            "after which its effect is gone"
        )


def _date(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no date: write YYYY-MM-DD") from None
