"""When a schedule was sealed and when it was opened, kept in the study's folder.

`computed/seal.jsonl` gets a line for each and is only ever appended to; `computed/sealed.json` is
the sealed text, put there when it is opened so that anyone can hold it against the hash. The times
are this computer's own.
"""

import datetime as dt
import json
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Literal

from roadlog.errors import InputError
from roadlog.plan.seal import Sealed, read_sealed
from roadlog.study.durable import atomic_write

SEAL_LOG = "computed/seal.jsonl"
OPENED = "computed/sealed.json"
COPY = "plan/sealed.json"  # of an encrypted file, so that it can't be lost


@dataclass(frozen=True)
class SealEvent:
    """One line: `units` switch units had logs then, of `planned`; `to_come` days hadn't come.

    `guesses_sha256` is of the driver's guesses as they stood at an opening.
    """

    what: Literal["sealed", "opened"]
    at: str  # ISO 8601 with zone
    sha256: str
    planned: int
    units: int = 0
    to_come: tuple[str, ...] = ()
    guesses_sha256: str | None = None

    @property
    def time(self) -> dt.datetime:
        """When, with zone."""
        return dt.datetime.fromisoformat(self.at)


def read_seal_log(folder: Path) -> list[SealEvent]:
    """All lines in order, none if nothing was sealed.

    Raises
    ------
    InputError
        If a line can't be read.
    """
    path = folder / SEAL_LOG
    if not path.is_file():
        return []
    events = []
    for i, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        try:
            row = json.loads(line)
            event = SealEvent(**{**row, "to_come": tuple(row.get("to_come", ()))})
            if event.time.tzinfo is None or event.what not in ("sealed", "opened"):
                raise ValueError
            events.append(event)
        except (ValueError, TypeError, AttributeError) as e:
            raise InputError(
                f"{path}: line {i} can't be read: put back the copy that roadlog wrote"
            ) from e
    return events


def log_seal(folder: Path, event: SealEvent) -> None:
    """Append one line."""
    path = folder / SEAL_LOG
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a", encoding="utf-8") as f:
        f.write(json.dumps(asdict(event)) + "\n")


def opening(folder: Path, sha256: str) -> SealEvent | None:
    """The first opening of this sealed schedule, None as long as it is shut."""
    return next(
        (e for e in read_seal_log(folder) if e.what == "opened" and e.sha256 == sha256), None
    )


def keep_opened(folder: Path, sealed: Sealed) -> None:
    """Keep the sealed text beside the study."""
    atomic_write(folder / OPENED, partial(Path.write_bytes, data=sealed.text))


def opened_text(folder: Path) -> Sealed | None:
    """The sealed text that was opened, None if it isn't there.

    Raises
    ------
    InputError
        If it was damaged.
    """
    path = folder / OPENED
    if not path.is_file():
        return None
    return read_sealed(path.read_bytes(), str(path), str)


def read_file(path: Path) -> bytes:
    """A sealed file's bytes, wherever the switcher kept it.

    Raises
    ------
    InputError
        If it isn't there.
    """
    if not path.is_file():
        raise InputError(f"{path} doesn't exist: name the file that roadlog plan --sealed wrote")
    return path.read_bytes()
