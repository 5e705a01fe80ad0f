"""The sealed schedule opened after the last drive: the arms go into the study, and when is logged.

Its hash has to be the one that was registered and its days the study's; opening before the last
scheduled day is refused unless it is asked for, because the days to come would no longer be blind.
"""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from roadlog.errors import InputError, RoadlogError
from roadlog.plan.register import read_register
from roadlog.plan.seal import Sealed, opened, read_sealed
from roadlog.plan.seal_log import COPY, SealEvent, keep_opened, log_seal, opening, read_file
from roadlog.plan.studyfile import write_schedule
from roadlog.runs.guesses import guesses_sha256
from roadlog.runs.notes import read_notes
from roadlog.runs.table import read_logs, study_sources
from roadlog.study.folder import load_study
from roadlog.study.settings import Schedule, Study

LISTED = 6
Asked = Callable[[], str]


@dataclass(frozen=True)
class Unsealed:
    """What an opening did, in the sentences to show; `changed` is False if it was open already."""

    said: tuple[str, ...]
    changed: bool


def unseal(
    folder: Path,
    file: tuple[bytes, str] | None,
    passphrase: Asked,
    *,
    early: bool = False,
) -> Unsealed:
    """Open the sealed schedule of a study.

    Parameters
    ----------
    file : (bytes, str), optional
        The switcher's file and its name for messages; by default the encrypted copy in the study.
    passphrase : callable
        Asked if the file is encrypted.
    early : bool
        Open it though scheduled days are still to be driven.

    Raises
    ------
    InputError
        If nothing is sealed, the file isn't the one that was registered, the passphrase is wrong,
        or days are still to be driven.
    """
    study = load_study(folder)
    schedule = study.schedule
    if schedule is None or schedule.sealed is None:
        raise InputError(f"{folder / 'study.toml'}: its schedule isn't sealed: nothing to open")
    sealed = read_sealed(*(_copy(folder) if file is None else file), passphrase)
    known = opened(schedule, sealed)
    registered = [e.choices["schedule"].get("sealed") for e in read_register(folder)]
    notes: list[str] = []
    if sealed.sha256 not in registered:
        notes.append(
            "Note: no registration here holds this seal, so no report will call the test blind."
        )
    before = opening(folder, sealed.sha256)
    if before is not None and not schedule.shut:
        at = before.at[:16].replace("T", " ")
        return Unsealed((*notes, f"Opened already, {at}: nothing was changed."), changed=False)
    event = before or _event(folder, study, schedule, sealed, notes, early=early)
    keep_opened(folder, sealed)
    if before is None:
        log_seal(folder, event)
    if schedule.shut:
        write_schedule(folder / "study.toml", known)
    said = _said(event, len(sealed.units), sum(u.dummy for u in sealed.units))
    return Unsealed((*notes, *said), changed=True)


def _copy(folder: Path) -> tuple[bytes, str]:
    path = folder / COPY
    if not path.is_file():
        raise InputError("name the sealed FILE that the switcher kept: the study has no copy of it")
    return read_file(path), str(path)


def _event(
    folder: Path, study: Study, schedule: Schedule, sealed: Sealed, told: list[str], *, early: bool
) -> SealEvent:
    """The opening as it is logged.

    Raises
    ------
    InputError
        If days are still to be driven and nobody asked for it early.
    """
    now = dt.datetime.now().astimezone()
    logged = _days_with_logs(folder, study, told)
    to_come = [d for d in schedule.days if d >= now.date() and d not in logged]
    if to_come and not early:
        raise InputError(
            f"{len(to_come)} scheduled days are still to be driven, the last on {to_come[-1]}: "
            "after opening they can't be blind; wait, or say --early to open it all the same"
        )
    path = folder / "notes.csv"
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


def _days_with_logs(folder: Path, study: Study, told: list[str]) -> set[dt.date]:
    try:
        logs = read_logs(study, study_sources(folder, study))
    except RoadlogError as e:
        told.append(f"Note: the logs can't be read yet ({e}), so none counts as driven.")
        return set()
    return {log.start.date() for log in logs if log.start is not None}


def _said(event: SealEvent, units: int, dummies: int) -> list[str]:
    at = event.at[:16].replace("T", " ")
    said = [
        f"Opened {at}: SHA-256 {event.sha256[:16]}… as registered.",
        f"{event.units} of {units} switch units had logs by then; {dummies} were dummies.",
    ]
    if event.to_come:
        shown = ", ".join(event.to_come[:LISTED]) + (", …" if len(event.to_come) > LISTED else "")
        said.append(
            f"NOT BLIND from here on: {len(event.to_come)} days are still to come ({shown})."
        )
    said.append(
        "The guesses in notes.csv are fixed by their hash: a later change takes the word away."
    )
    return said
