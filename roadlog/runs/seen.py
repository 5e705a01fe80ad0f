"""What is known of each log without reading it again: its day, and what a check said of it.

`computed/checked.json` keeps it by the log's SHA-256 and by whatever of study.toml a check depends
on; a log that changed, or a study that did, is looked at anew. The file may be deleted at any time.
"""

import datetime as dt
import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

from roadlog import __version__
from roadlog.study.durable import atomic_write, json_text
from roadlog.study.settings import Study

KEPT = Path("computed") / "checked.json"
_OF_STUDY = {"vehicle", "device", "columns", "time", "road", "analysis", "batches"}


@dataclass(frozen=True)
class LogSeen:
    """One log: its day if it has a date, and what a check says of it ("" where none was made).

    `told` if the tester has read the verdict in `roadlog check`.
    """

    file: str
    day: dt.date | None = None
    usable: bool | None = None
    verdict: str = ""
    told: bool = False


def read_seen(folder: Path, study: Study) -> dict[str, LogSeen]:
    """What is kept, by SHA-256; empty if it is damaged or of other settings."""
    try:
        data = json.loads((folder / KEPT).read_text(encoding="utf-8"))
        if data["of"] != _key(study):
            return {}
        return {
            sha: LogSeen(**{**row, "day": row["day"] and dt.date.fromisoformat(row["day"])})
            for sha, row in data["logs"].items()
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def keep_seen(folder: Path, study: Study, logs: Mapping[str, LogSeen]) -> None:
    """Replace what is kept; a folder that can't be written to keeps nothing."""
    rows = {
        sha: {**asdict(log), "day": None if log.day is None else f"{log.day}"}
        for sha, log in logs.items()
    }
    text = json_text({"of": _key(study), "logs": rows})
    try:
        atomic_write(folder / KEPT, partial(Path.write_text, data=text, encoding="utf-8"))
    except OSError:
        return


def _key(study: Study) -> str:
    told = study.model_dump_json(include=_OF_STUDY)
    return hashlib.sha256(f"{__version__}|{told}".encode()).hexdigest()
