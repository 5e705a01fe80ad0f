"""Answers for the pages before the drives: a new study, the plan, the day's notes.

The same functions as `roadlog new`, `plan`, `next` and `note`; text and plain values in and out.
"""

import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

from roadlog.bench.reader import units_in, word_of
from roadlog.plan.questions import (
    answered_at_once,
    asked_at_once,
    study_text,
    symbol_of,
    typed_in_others,
)
from roadlog.study.durable import atomic_write, make_folder
from roadlog.study.lock import one_writer
from roadlog.wording.units import METRIC, SYSTEMS

Answer = dict[str, Any]
LONGEST_FOLDER = 60
_TAKEN = frozenset(
    {"con", "prn", "aux", "nul", *(f"{w}{n}" for w in ("com", "lpt") for n in range(10))}
)  # names that some systems keep for devices


def folder_name(name: str) -> str:
    """A name for a folder on any system, out of whatever a study is called.

    >>> folder_name("Intake collar, März <b>"), folder_name("../../etc"), folder_name("…")
    ('intake_collar_marz_b', 'etc', 'study')
    """
    plain = unicodedata.normalize("NFKD", name[:1000]).encode("ascii", "ignore").decode().lower()
    words = "".join(c if c.isalnum() else " " for c in plain).split()
    short = "_".join(words)[:LONGEST_FOLDER].strip("_") or "study"
    return f"study_{short}" if short in _TAKEN else short


def new_form(*, units: str, typed: dict[str, str] | None = None, asked_in: str = "") -> Answer:
    """The questions of a new study in the reader's units, with what was typed already.

    Parameters
    ----------
    units : that are asked in
    typed, asked_in : what was typed, and in which units it was asked then
    """
    now = units_in(units) or METRIC
    was = units_in(asked_in) or now
    told = typed or {}
    fields = [
        {"name": q.name, "words": q.words, "unit": symbol_of(q, now), "offered": offered,
         "choices": q.choices, "number": q.number,
         "typed": typed_in_others(q, told[q.name], was, now) if q.name in told else None}
        for q, _, offered in asked_at_once(now)
    ]  # fmt: skip
    own = next((name for name, units in SYSTEMS.items() if units == now), "metric")
    return {"fields": fields, "asked_in": word_of(now), "own": own}


def new_study(*, home: str, typed: dict[str, str], folder: str, asked_in: str) -> Answer:
    """Make a study's folder as `roadlog new` does, or say by field why not."""
    answers, faults = answered_at_once(typed, units_in(asked_in) or METRIC)
    if faults:
        return {"faults": faults}
    text = study_text(answers)
    name = folder_name(folder.strip() or answers["name"])
    place = Path(home) / name
    if place.exists() and not place.is_dir():
        return {"faults": {"folder": f"{name} is a file: name another folder"}}
    make_folder(place)
    with one_writer(place, "a new study"):
        path = place / "study.toml"
        if path.exists() and path.read_bytes() != text.encode():
            return {"faults": {"folder": f"there is a study in {name} already: name another"}}
        if not path.exists():
            atomic_write(path, lambda p: p.write_text(text, encoding="utf-8"))
        make_folder(place / "logs")
    return {"study": name}


PLANNING: dict[str, Callable[..., Answer]] = {"new_form": new_form, "new_study": new_study}
