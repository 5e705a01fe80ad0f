"""The list of what a study has taken in: `logs/taken.json`, one entry a log with its SHA-256.

It lets `roadlog take` refuse a log that is already there, and `roadlog check` tell whether a file
is still what was taken in.
"""

import datetime as dt
import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from roadlog.errors import InputError
from roadlog.study.durable import atomic_write, json_text

LIST = Path("logs") / "taken.json"
_SCHEMA = 1


@dataclass(frozen=True)
class Taken:
    """One file of the study: where it lies, what it was called, and what was in it.

    `file` is relative to the study; `part_of` names the whole log that a piece was cut from.
    """

    file: str
    sha256: str
    name: str
    taken: str
    kind: str = "run"
    arm: str | None = None
    start: str | None = None
    end: str | None = None
    part_of: str | None = None
    columns: dict[str, str] = field(default_factory=dict)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_taken(folder: Path) -> tuple[Taken, ...]:
    """The study's list; empty if nothing was taken in yet.

    Raises
    ------
    InputError
        If the list can't be read.
    """
    path = folder / LIST
    if not path.is_file():
        return ()
    try:
        data: Any = json.loads(path.read_text(encoding="utf-8"))
        if data["schema"] != _SCHEMA:
            raise ValueError(f"schema {data['schema']}")
        return tuple(Taken(**entry) for entry in data["logs"])
    except (ValueError, KeyError, TypeError) as e:
        raise InputError(
            f"{path} is damaged: move it away; logs taken before are then known only by their files"
        ) from e


def write_taken(folder: Path, entries: Sequence[Taken]) -> None:
    """Replace the study's list in one step."""
    data = {"schema": _SCHEMA, "logs": [asdict(e) for e in entries]}
    text = json_text(data)
    atomic_write(folder / LIST, partial(Path.write_text, data=text, encoding="utf-8"))


def now_utc() -> str:
    """The time of taking in, to the second."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
