"""`roadlog plan`: how many days a claim needs, a schedule drawn by chance, and its papers."""

import argparse
import datetime as dt
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.commands.sources import held, opened

if TYPE_CHECKING:
    from roadlog.plan.promise import Scatter
    from roadlog.plan.proposal import Proposal, Written
    from roadlog.plan.register import Entry
    from roadlog.plan.size import UnitPlan
    from roadlog.plan.together import Together
    from roadlog.study.settings import Study


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
            "  roadlog plan my_test --order there-and-back   # beside a control car\n"
            "  roadlog plan my_fleet                      # sizes and schedule of a fleet\n"
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
    _add_pilots(p)
    p.add_argument("--seed", type=int, help="default: follows from what the study declares")
    p.add_argument("--spread", type=float, metavar="PCT", help="of a fleet: standard deviation of "
                   "the vehicles' own effects (default: 1)")  # fmt: skip
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
    p.set_defaults(run=held(_plan, "roadlog plan"))


def _add_pilots(p: argparse.ArgumentParser) -> None:
    p.add_argument(
        "--pilot", nargs="+", type=Path, metavar="PATH", default=[], help="baseline logs"
    )
    p.add_argument(
        "--control-pilot", nargs="+", type=Path, metavar="PATH", default=[],
        help="the control car's baseline logs on the pilot's days (default: logs/control_pilot)",
    )  # fmt: skip
    p.add_argument(
        "--order", choices=("chance", "there-and-back"),
        help="there-and-back: without, with, without again, beside a control car",
    )  # fmt: skip


def _plan(a: argparse.Namespace) -> int:
    from roadlog.commands import plan_sealed
    from roadlog.commands.plan_fleet import plan_fleet
    from roadlog.effect.design import refuse_mediators
    from roadlog.errors import InputError
    from roadlog.plan import verdict
    from roadlog.plan.promised import keep_promise, promise_of
    from roadlog.plan.proposal import (
        OPTIONS,
        has_schedule,
        in_periods,
        kept_schedule,
        propose,
        refuse_vague_carry_over,
        with_options,
        write_plan,
    )
    from roadlog.plan.size import unit_plan
    from roadlog.plan.two_cars import two_car_sizes

    given = {k: v for k in OPTIONS if (v := getattr(a, k)) is not None}
    study = with_options(opened(a.study, fleet=True), given)
    if study.fleet is not None:
        return plan_fleet(a, study)
    if a.spread is not None:
        raise InputError("--spread is for a fleet: study.toml has no [fleet]")
    refuse_mediators((*study.analysis.noted_covariates, *(study.analysis.covariates or ())))
    now = dt.datetime.now().astimezone()
    if a.register:
        return _register(a.study, study, now)
    refuse_vague_carry_over(study)
    plan, claim = study.plan, study.claim
    if in_periods(study):
        plan_sealed.refuse_periods(a, study)
        sizes = two_car_sizes(study, *_scatter(a, study, unit_plan(plan, 0)))
        print("\n".join([study.name, *verdict.period_lines(study, sizes)]))
        return 1 if study.control is None else _plan_two_cars(a, study, now)
    layout = unit_plan(plan, study.device.washout_km)
    kept = has_schedule(study) and not a.redraw
    plan_sealed.refuse(a, study, kept)
    scatter, together = _scatter(a, study, layout)
    p = propose(study, scatter, now, kept=kept, seed=a.seed, spend_alpha=a.spend_alpha)
    print("\n".join(_lines(p, together)))
    if kept:
        print("             This is the schedule that the study has; --redraw draws another.")
    if claim is None:
        print("             Add [claim] to study.toml to hold the days against it.")
    if a.dry_run:
        print("Nothing was written (--dry-run).")
        return 0
    loose = verdict.looseness(p.lost, p.sized.needed)
    schedule = p.schedule
    if not kept and study.plan.switched_by_other:
        schedule = plan_sealed.sealed_away(a, study, schedule, now)
    elif kept:
        schedule = kept_schedule(study)
    whole = study.model_copy(update={"schedule": schedule})
    _say_written(a.study, write_plan(a.study, whole, now, loose, kept=kept), kept)
    _say_next(whole, kept)
    keep_promise(a.study, promise_of(p.sized, scatter, claim, now))
    return 0


def _plan_two_cars(a: argparse.Namespace, study: "Study", now: dt.datetime) -> int:
    """The schedule of both cars: without, then on the test car, then without again if it goes."""
    from roadlog.plan import verdict
    from roadlog.plan.proposal import has_schedule, write_plan
    from roadlog.plan.two_cars import planned_periods

    kept = has_schedule(study) and not a.redraw
    if kept:
        assert study.schedule is not None
        schedule = study.schedule
    else:
        schedule = planned_periods(study, now.date())
    print("\n".join(verdict.both_cars_lines(study, schedule)))
    if a.dry_run:
        print("Nothing was written (--dry-run).")
        return 0
    whole = study.model_copy(update={"schedule": schedule})
    _say_written(a.study, write_plan(a.study, whole, now, None, kept=kept), kept)
    print("Next: print the sheet; log every drive of both cars; then roadlog analyze.")
    return 0


def _lines(p: "Proposal", together: "Together | None") -> list[str]:
    import numpy as np

    from roadlog.plan import verdict
    from roadlog.plan.schedule import redraw
    from roadlog.plan.size import refutable_curve
    from roadlog.plan.to_log import log_lines
    from roadlog.wording.screen import paragraph

    study, claim, schedule, s = p.study, p.study.claim, p.schedule, p.sized
    scatter, layout = p.scatter, p.layout
    lines = [study.name]
    if claim is not None:
        lines += paragraph("Claim", claim.words + ".")
    lines += verdict.days_lines(schedule, study.plan, p.spare)
    lines += verdict.size_lines(s, scatter)
    lines += verdict.chance_lines(s.chances)
    lines += verdict.verdict_lines(s, scatter, layout, study.plan, claim)
    lines += verdict.curve_lines(
        refutable_curve(scatter, layout, progress=sys.stderr.isatty()), study.plan.days_per_unit
    )
    lines += verdict.loss_lines(p.lost, s.needed)
    lines += verdict.control_lines(study, together)
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


def _say_written(folder: Path, w: "Written", kept: bool) -> None:
    from roadlog.plan.proposal import FOLDER

    print(f"{'Kept' if kept else 'Written'}: schedule in {folder / 'study.toml'}")
    print(f"Written: {', '.join(w.papers)} in {folder / FOLDER}")
    if w.stale:
        print(f"Removed: {', '.join(w.stale)}, papers of an earlier plan")
    notes = folder / "notes.csv"
    print(f"{'Written' if w.new_notes else 'Kept'}: {notes} (fill in one row a day)")
    _say_registered(w.entry)


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


def _scatter(
    a: argparse.Namespace, study: "Study", layout: "UnitPlan"
) -> "tuple[Scatter, Together | None]":
    """The scatter from day to day, and of two cars together where a pilot of both is there."""
    from roadlog.analysis.pilot import CONTROL_PILOT_FOLDER, pilot_logs, scatter_for_plan

    logs = pilot_logs(a.study, a.pilot)
    control = pilot_logs(
        a.study, a.control_pilot, place=CONTROL_PILOT_FOLDER, option="--control-pilot"
    )
    return scatter_for_plan(study, logs, control, layout.runs_per_unit)


def _date(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no date: write YYYY-MM-DD") from None
