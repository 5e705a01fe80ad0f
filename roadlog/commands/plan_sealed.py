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
    from roadlog.plan.sealing import refuse_logs

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
    refuse_logs(a.study, study)


def refuse_periods(a: argparse.Namespace, study: "Study") -> None:
    """Raise InputError where a schedule of periods, which everybody knows, is to be sealed."""
    if a.sealed is not None or a.passphrase or study.plan.dummy_days:
        raise InputError(
            "--sealed and dummy_days hide an order that chance draws: days without, then with the "
            "add-on are known to everybody, so leave them out"
        )


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


def _sheets(path: Path) -> tuple[Path, Path]:
    return path.with_suffix(".html"), path.with_suffix(".ics")


def sealed_away(
    a: argparse.Namespace, study: "Study", stand_in: "Schedule", now: dt.datetime
) -> "Schedule":
    """Draw the order, write it where the switcher keeps it, and give the schedule without arms."""
    from roadlog.plan.seal_log import COPY, SealEvent, log_seal
    from roadlog.plan.sealing import sealed_papers
    from roadlog.study.durable import atomic_write

    made = sealed_papers(study, stand_in, _new_passphrase() if a.passphrase else None, now)
    path = _file(a.sealed)
    html, ics = _sheets(path)
    papers = {
        path: made.papers[".json"],
        html: made.papers[".html"],
        ics: made.papers[".ics"],
        **({a.study / COPY: made.papers[".json"]} if a.passphrase else {}),
    }
    for place, content in papers.items():
        atomic_write(place, lambda p, c=content: p.write_bytes(c))  # type: ignore[misc]
    if not a.passphrase:
        (a.study / COPY).unlink(missing_ok=True)  # an earlier plan's
    log_seal(
        a.study,
        SealEvent(
            "sealed", now.isoformat(timespec="seconds"), made.sealed.sha256, len(made.schedule.unit)
        ),
    )
    print(f"For the switcher alone: {path}, {html.name}, {ics.name}")
    if a.passphrase:
        print(f"Encrypted; a copy is {a.study / COPY}. Print the sheet, then take {html} away.")
    return made.schedule


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
