"""`roadlog unseal`: after the last drive, the switcher's file tells the arms."""

import argparse
import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.errors import InputError, RoadlogError

if TYPE_CHECKING:
    from roadlog.plan.seal import Sealed
    from roadlog.plan.seal_log import SealEvent
    from roadlog.study.settings import Schedule, Study

LISTED = 6


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "unseal",
        help="after the last drive: put the arms of a sealed schedule into the study",
        description=(
            "Open the sealed schedule of a STUDY with the FILE that the switcher kept: its hash "
            "has to be the one that was registered, its days those of the study. The arms go into "
            "study.toml, and computed/seal.jsonl says when. From then on no drive is blind."
        ),
        epilog="example:\n  roadlog unseal my_test /media/stick/collar.json\n",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", type=Path, metavar="STUDY", help="folder with study.toml")
    p.add_argument(
        "file",
        type=Path,
        nargs="?",
        metavar="FILE",
        help="the sealed file (default: the encrypted copy in the study)",
    )
    p.add_argument(
        "--early",
        action="store_true",
        help="open it though scheduled days are still to be driven: they won't be blind",
    )
    p.set_defaults(run=_unseal)


def _unseal(a: argparse.Namespace) -> int:
    from roadlog.plan.register import read_register
    from roadlog.plan.seal import opened
    from roadlog.plan.seal_log import keep_opened, log_seal, opening
    from roadlog.plan.studyfile import write_schedule
    from roadlog.study.folder import load_study

    study = load_study(a.study)
    schedule = study.schedule
    if schedule is None or schedule.sealed is None:
        raise InputError(f"{a.study / 'study.toml'}: its schedule isn't sealed: nothing to open")
    sealed = _read(a)
    known = opened(schedule, sealed)
    registered = [e.choices["schedule"].get("sealed") for e in read_register(a.study)]
    if sealed.sha256 not in registered:
        print("Note: no registration here holds this seal, so no report will call the test blind.")
    before = opening(a.study, sealed.sha256)
    if before is not None and not schedule.shut:
        print(f"Opened already, {before.at[:16].replace('T', ' ')}: nothing was changed.")
        return 0
    event = before or _event(a, study, schedule, sealed)
    keep_opened(a.study, sealed)
    if before is None:
        log_seal(a.study, event)
    if schedule.shut:
        write_schedule(a.study / "study.toml", known)
    _say(a, event, len(sealed.units), sum(u.dummy for u in sealed.units))
    return 0


def _read(a: argparse.Namespace) -> "Sealed":
    from roadlog.commands.plan_sealed import COPY, ask_passphrase
    from roadlog.plan.seal import read_sealed
    from roadlog.plan.seal_log import read_file

    path = a.file or a.study / COPY
    if a.file is None and not path.is_file():
        raise InputError("name the sealed FILE that the switcher kept: the study has no copy of it")
    return read_sealed(read_file(path), str(path), ask_passphrase)


def _event(
    a: argparse.Namespace, study: "Study", schedule: "Schedule", sealed: "Sealed"
) -> "SealEvent":
    """The opening as it is logged.

    Raises
    ------
    InputError
        If days are still to be driven and nobody said --early.
    """
    from roadlog.plan.seal_log import SealEvent
    from roadlog.runs.guesses import guesses_sha256
    from roadlog.runs.notes import read_notes

    now = dt.datetime.now().astimezone()
    logged = _days_with_logs(a.study, study)
    to_come = [d for d in schedule.days if d >= now.date() and d not in logged]
    if to_come and not a.early:
        raise InputError(
            f"{len(to_come)} scheduled days are still to be driven, the last on {to_come[-1]}: "
            "after opening they can't be blind; wait, or say --early to open it all the same"
        )
    path = a.study / "notes.csv"
    notes = read_notes(path, study.time.day_first, [*map(str, logged)]) if path.is_file() else None
    units = sum(any(d in logged for d in (u.unit, *u.also)) for u in schedule.unit)
    return SealEvent(
        "opened",
        now.isoformat(timespec="seconds"),
        sealed.sha256,
        len(schedule.unit),
        units,
        tuple(map(str, to_come)),
        guesses_sha256(notes, {str(k): v for k, v in study.labels.items()}),
    )


def _days_with_logs(folder: Path, study: "Study") -> set[dt.date]:
    from roadlog.runs.table import read_logs, study_sources

    try:
        logs = read_logs(study, study_sources(folder, study))
    except RoadlogError as e:
        print(f"Note: the logs can't be read yet ({e}), so none counts as driven.")
        return set()
    return {log.start.date() for log in logs if log.start is not None}


def _say(a: argparse.Namespace, event: "SealEvent", units: int, dummies: int) -> None:
    print(f"Opened {event.at[:16].replace('T', ' ')}: SHA-256 {event.sha256[:16]}… as registered.")
    print(f"{event.units} of {units} switch units had logs by then; {dummies} were dummies.")
    if event.to_come:
        shown = ", ".join(event.to_come[:LISTED]) + (", …" if len(event.to_come) > LISTED else "")
        print(f"NOT BLIND from here on: {len(event.to_come)} days are still to come ({shown}).")
    print("The guesses in notes.csv are fixed by their hash: a later change takes the word away.")
    print(f"The arms are in {a.study / 'study.toml'} now. Next: roadlog analyze {a.study}")
