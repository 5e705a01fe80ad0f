"""`roadlog plan`: how many days a claim needs, a schedule drawn by chance, and its papers."""

import argparse
import datetime as dt
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roadlog.commands.sources import opened
from roadlog.errors import DesignError, InputError

if TYPE_CHECKING:
    from roadlog.plan.promise import Scatter
    from roadlog.plan.register import Entry
    from roadlog.plan.size import Loss, Size, UnitPlan
    from roadlog.study.settings import Schedule, Study

FOLDER = "plan"
PAPERS = [f"{who}.{kind}" for who in ("sheet", "driver", "switcher") for kind in ("html", "ics")]


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
            "  roadlog plan my_test --sealed /stick/collar.json   # arms for the switcher alone\n"
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
        "--sealed",
        type=Path,
        metavar="FILE",
        help="with switched_by_other: where the switcher keeps the arms, outside the study; the "
        "switcher's sheet and calendar go beside it",
    )
    p.add_argument(
        "--passphrase",
        action="store_true",
        help="encrypt the sealed file by a passphrase that the switcher types; a copy stays in the "
        "study",
    )
    p.add_argument(
        "--register", action="store_true", help="only register the analysis as it stands"
    )
    p.set_defaults(run=_plan)


def _plan(a: argparse.Namespace) -> int:
    from roadlog.commands import plan_sealed
    from roadlog.effect.design import refuse_mediators
    from roadlog.plan import verdict
    from roadlog.plan.promise import order_of_schedule
    from roadlog.plan.promised import keep_promise, promise_of
    from roadlog.plan.size import losses, size, unit_plan

    study = _with_options(opened(a.study), a)
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
    kept = study.schedule is not None and bool(study.schedule.unit) and not a.redraw
    plan_sealed.refuse(a, study, kept)
    scatter = _scatter(a, study, layout)
    schedule, spare = (_kept(study), 0) if kept else _drawn(a, study, now)
    if kept and schedule.shut:
        schedule = plan_sealed.stand_in(study)  # what is told here must not tell the order
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
    if not kept and study.plan.switched_by_other:
        schedule = plan_sealed.sealed_away(a, study, schedule, now)
    elif kept:
        schedule = _kept(study)
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
    from roadlog.plan.register import choices_of, fingerprint, register
    from roadlog.plan.studyfile import notes_template, write_schedule
    from roadlog.study.durable import atomic_write

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
    print(f"{'Kept' if kept else 'Written'}: schedule in {folder / 'study.toml'}")
    print(f"Written: {', '.join(papers)} in {folder / FOLDER}")
    if stale:
        print(f"Removed: {', '.join(p.name for p in stale)}, papers of an earlier plan")
    print(f"{'Written' if new_notes else 'Kept'}: {notes} (fill in one row a day)")
    _say_registered(entry)
    _say_next(study, kept)


def _papers(study: "Study", sha256: str, now: dt.datetime, loose: str | None) -> "dict[str, bytes]":
    """Name and content of each paper in the study's folder."""
    from roadlog.plan.calendar import calendar_file
    from roadlog.plan.mark import code_png, code_svg
    from roadlog.plan.sheet import sheet_page
    from roadlog.plan.studyfile import schedule_csv

    assert study.schedule is not None
    claim = None if study.claim is None else study.claim.words
    papers: dict[str, bytes] = {"schedule.csv": schedule_csv(study.schedule).encode()}
    readers: tuple[Any, ...] = ("everyone",)
    if study.plan.switched_by_other:
        readers = ("driver",) if study.schedule.sealed else ("driver", "switcher")
    for reader in readers:
        stem = "sheet" if reader == "everyone" else reader
        page = sheet_page(study, reader=reader, claim=claim, loose=loose, sha256=sha256)
        papers[f"{stem}.html"] = page.encode()
        papers[f"{stem}.ics"] = calendar_file(study, show_arm=reader != "driver", now=now)
    return {**papers, "fingerprint.svg": code_svg(sha256), "fingerprint.png": code_png(sha256)}


def _say_registered(entry: "Entry") -> None:
    """The fingerprint in groups of four, at a terminal as a QR code too."""
    from roadlog.plan.mark import code_lines, in_fours

    print(f"Registered {entry.at:%Y-%m-%d %H:%M}, SHA-256:")
    print("\n".join(f"    {line}" for line in in_fours(entry.sha256)))
    if sys.stdout.isatty():
        print("\n".join(code_lines(entry.sha256)))
        print("Film this before the first mile: it shows that the plan came before the data.")


def _say_next(study: "Study", kept: bool) -> None:
    schedule = study.schedule
    assert schedule is not None
    if schedule.sealed:
        print("Sealed: nothing in this folder tells the arms. The switcher keeps the sealed file")
        print("(roadlog unseal opens it after the last drive) and the switcher's sheet beside it.")
        print("The driver notes a guess a day (column guess of notes.csv).")
    elif study.plan.switched_by_other:
        print(
            "The driver gets driver.html and driver.ics; schedule.csv, switcher.* and study.toml "
            "tell the arm."
        )
        print("It isn't sealed, so no report calls it blind: --redraw --sealed FILE would seal it.")
    else:
        print("Somebody else to switch, unseen by the driver, is better: switched_by_other = true.")
    then = "roadlog unseal, roadlog analyze" if schedule.shut else "roadlog analyze"
    print(f"Next: print the sheet; log every drive; after the last day, {then}.")


def _register(folder: Path, study: "Study", now: dt.datetime) -> int:
    from roadlog.plan.register import register

    _say_registered(register(folder, study, now))
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
