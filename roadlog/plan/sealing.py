"""Sealing a schedule: the order drawn for the switcher alone, and the papers that tell it.

A study and a schedule without secrets go in; the schedule without arms for the study, and what the
switcher keeps elsewhere, come out.
"""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from roadlog.errors import InputError
from roadlog.plan.calendar import calendar_file
from roadlog.plan.register import choices_of, fingerprint
from roadlog.plan.schedule import drawn_anew
from roadlog.plan.seal import Sealed, hidden, locked, seal, system_generator
from roadlog.plan.sheet import sheet_page
from roadlog.runs.table import study_sources
from roadlog.study.settings import Schedule, Study


@dataclass(frozen=True)
class SealedPapers:
    """`schedule` without arms; `papers` of the switcher by suffix: .json, .html, .ics."""

    schedule: Schedule
    sealed: Sealed
    papers: Mapping[str, bytes]


def sealed_papers(
    study: Study, stand_in: Schedule, passphrase: str | None, now: dt.datetime
) -> SealedPapers:
    """Draw the order by the system's randomness, and write it down for the switcher.

    Parameters
    ----------
    stand_in : its units and blocks
    passphrase : encrypts the sealed file

    Raises
    ------
    InputError
        If the passphrase is too short.
    """
    rng = system_generator()
    drawn = drawn_anew(stand_in, rng)
    sealed = seal(drawn, study.plan.dummy_days, rng)
    shut = hidden(drawn, sealed)
    text = sealed.text if passphrase is None else locked(sealed, passphrase)
    known = study.model_copy(update={"schedule": drawn})
    sha256 = fingerprint(choices_of(study.model_copy(update={"schedule": shut})))
    dummies = {u.unit for u in sealed.units if u.dummy}
    claim = None if study.claim is None else study.claim.words
    page = sheet_page(known, reader="switcher", claim=claim, sha256=sha256, dummies=dummies)
    papers = {
        ".json": text,
        ".html": page.encode(),
        ".ics": calendar_file(known, show_arm=True, now=now, dummies=dummies),
    }
    return SealedPapers(shut, sealed, papers)


def refuse_logs(folder: Path, study: Study) -> None:
    """A schedule that is drawn among logs would deal out days that are over."""
    try:
        runs = study_sources(folder, study).runs
    except InputError:
        return  # there are none
    if runs:
        raise InputError(
            f"{folder} holds {len(runs)} logs already: a schedule is sealed before the first "
            "drive; put a pilot's logs into logs/pilot, or start a new study"
        )
