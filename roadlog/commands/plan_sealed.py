"""The sealed part of `roadlog plan`: an order that chance draws for the switcher's eyes alone."""

import argparse
import datetime as dt
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.errors import InputError

if TYPE_CHECKING:
    from roadlog.study.settings import Schedule, Study


def refuse(a: argparse.Namespace, study: "Study", kept: bool) -> None:
    """Raise InputError where the options and [plan] contradict each other."""
    other = study.plan.switched_by_other
    if a.passphrase and a.sealed is None:
        raise InputError("--passphrase: say where the switcher's papers go, with --sealed FILE")
    if a.sealed is not None and not other:
        raise InputError(
            "--sealed: a schedule is sealed for somebody else who switches: set "
            "switched_by_other = true in [plan] of study.toml, or leave --sealed out"
        )
    if study.plan.dummy_days and not other:
        raise InputError(
            "dummy_days in [plan]: whoever switches and drives knows them: set "
            "switched_by_other = true, or dummy_days = 0"
        )
    if kept:
        if a.sealed is not None:
            raise InputError(
                "--sealed: the study has a schedule already: add --redraw to draw and seal another"
            )
        return
    if not other:
        return
    if a.seed is not None:
        raise InputError(
            "--seed: a sealed schedule takes no seed, or anyone who knows it could draw it again: "
            "leave it out"
        )
    if a.dry_run:
        return
    if a.sealed is None:
        raise InputError(
            "switched_by_other = true: the arms are for the switcher alone, so say where the "
            "switcher keeps them, outside the study: --sealed FILE, as on a stick"
        )
    _refuse_place(_file(a.sealed), a.study)
    _refuse_logs(a.study, study)


def _file(place: Path) -> Path:
    return place / "sealed.json" if place.is_dir() else place


def _refuse_place(path: Path, study: Path) -> None:
    root = study.resolve()
    if path.resolve().is_relative_to(root):
        raise InputError(
            f"--sealed {path} lies in the study, where the driver looks: name a place outside of it"
        )
    if path.suffix.lower() != ".json":
        raise InputError(f"--sealed {path}: give it the suffix .json")
    for file in (path, *_sheets(path)):
        if file.exists():
            raise InputError(f"--sealed: {file} is there already: name another file")


def _refuse_logs(folder: Path, study: "Study") -> None:
    """A schedule that is drawn among logs would deal out days that are over."""
    from roadlog.runs.table import study_sources

    try:
        runs = study_sources(folder, study).runs
    except InputError:
        return  # there are none
    if runs:
        raise InputError(
            f"{folder} holds {len(runs)} logs already: a schedule is sealed before the first "
            "drive; put a pilot's logs into logs/pilot, or start a new study"
        )


def _sheets(path: Path) -> tuple[Path, Path]:
    return path.with_suffix(".html"), path.with_suffix(".ics")


def stand_in(study: "Study") -> "Schedule":
    """The study's sealed schedule with arms drawn by a seed that everyone knows.

    What the plan says of the order (chances, number of orders) is said of this one.
    """
    import numpy as np

    from roadlog.plan.schedule import drawn_anew, own_seed

    assert study.schedule is not None
    seed = own_seed(study.name, study.claim, study.device, study.schedule.unit[0].unit)
    return drawn_anew(study.schedule, np.random.default_rng(seed))


def sealed_away(
    a: argparse.Namespace, study: "Study", stand_in: "Schedule", now: dt.datetime
) -> "Schedule":
    """Draw the order, write it where the switcher keeps it, and give the schedule without arms."""
    from roadlog.plan.calendar import calendar_file
    from roadlog.plan.register import choices_of, fingerprint
    from roadlog.plan.schedule import drawn_anew
    from roadlog.plan.seal import hidden, locked, seal, system_generator
    from roadlog.plan.seal_log import COPY, SealEvent, log_seal
    from roadlog.plan.sheet import sheet_page
    from roadlog.study.durable import atomic_write

    rng = system_generator()
    drawn = drawn_anew(stand_in, rng)
    sealed = seal(drawn, study.plan.dummy_days, rng)
    shut = hidden(drawn, sealed)
    text = locked(sealed, _new_passphrase()) if a.passphrase else sealed.text
    known = study.model_copy(update={"schedule": drawn})
    sha256 = fingerprint(choices_of(study.model_copy(update={"schedule": shut})))
    dummies = {u.unit for u in sealed.units if u.dummy}
    claim = None if study.claim is None else study.claim.words
    page = sheet_page(known, reader="switcher", claim=claim, sha256=sha256, dummies=dummies)
    path = _file(a.sealed)
    html, ics = _sheets(path)
    papers = {
        path: text,
        html: page.encode(),
        ics: calendar_file(known, show_arm=True, now=now, dummies=dummies),
        **({a.study / COPY: text} if a.passphrase else {}),
    }
    for place, content in papers.items():
        atomic_write(place, lambda p, c=content: p.write_bytes(c))  # type: ignore[misc]
    if not a.passphrase:
        (a.study / COPY).unlink(missing_ok=True)  # an earlier plan's
    log_seal(
        a.study,
        SealEvent("sealed", now.isoformat(timespec="seconds"), sealed.sha256, len(drawn.unit)),
    )
    print(f"For the switcher alone: {path}, {html.name}, {ics.name}")
    if a.passphrase:
        print(f"Encrypted; a copy is {a.study / COPY}. Print the sheet, then take {html} away.")
    return shut


def ask_passphrase(prompt: str = "Passphrase of the switcher: ") -> str:
    """The passphrase as typed, unseen; the next line of input where there is no terminal."""
    import getpass

    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    return getpass.getpass(prompt)


def _new_passphrase() -> str:
    phrase = ask_passphrase("Passphrase for the sealed file (the switcher types it): ")
    if sys.stdin.isatty() and ask_passphrase("Once more: ") != phrase:
        raise InputError("the two passphrases differ, and nothing was written: plan again")
    return phrase
