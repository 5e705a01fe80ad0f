"""What a study wrote down beside its data, as it may be shown.

The study's folder and the public clock go in; its registration, promise, looks and trials come out
as files of the trimmed study, and what can only be told in words: a registration's fingerprint is
of the true dates, so that a shifted clock leaves nothing but the order.
"""

import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from roadlog.analysis.result import Analysed
from roadlog.plan.looks import LOOKS
from roadlog.plan.promised import PROMISES
from roadlog.plan.register import REGISTER, choices_of, read_register
from roadlog.plan.seal_log import OPENED, log_seal, read_seal_log
from roadlog.plan.stamp_file import STAMPS
from roadlog.publish.clock import PublicClock
from roadlog.publish.leaks import PrivateFacts
from roadlog.publish.public_logs import put
from roadlog.runs.table import Sources
from roadlog.study.durable import json_text
from roadlog.study.folder import load_study
from roadlog.trials.result import TrialResult, load_all, save

UNTOLD_DETAILS = frozenset(
    {"file", "path", "log", "time", "times", "start", "date", "at_s", "lat_deg", "lon_deg",
     "scorers", "unit", "day", "switch_unit"}
)  # fmt: skip


def write_records(
    whole: Analysed,
    sources: Sources,
    into: Path,
    names: Mapping[str, str],
    clock: PublicClock,
    private: PrivateFacts,
) -> dict[str, object]:
    """Write what may be shown of the study's records into the trimmed study.

    Returns
    -------
    dict
        `registered` (before, late or none) and `registration_shown`.
    """
    root = sources.root
    if root is None:
        return {"registered": "none", "registration_shown": False}
    for trial in load_all(root):
        save(public_trial(trial, names, private), into)
    first = _first_fitted(whole)
    shown = _write_register(whole, root, into, clock, first)
    _write_promises(root, into, clock, first, _span(whole))
    _write_looks(root, into, clock, _span(whole))
    _write_seal(whole, root, into, clock, shown)
    seen = whole.oversight
    word = "none"
    if seen is not None and seen.registrations:
        word = "late" if seen.registered_late else "before"
    return {"registered": word, "registration_shown": shown}


def public_trial(
    trial: TrialResult, names: Mapping[str, str], private: PrivateFacts
) -> TrialResult:
    """A trial's result without files, times and names of people."""
    details = {k: v for k, v in trial.details.items() if k not in UNTOLD_DETAILS}
    if "scorers" in trial.details and isinstance(trial.details["scorers"], list):
        details["scorers"] = [f"scorer {i + 1}" for i in range(len(trial.details["scorers"]))]
    plain = {k: _public(v, names, private) for k, v in details.items()}
    return replace(
        trial,
        details=plain,
        claimed=_text(trial.claimed, names, private),
        measured=_text(trial.measured, names, private),
        strength=_text(trial.strength, names, private),
        notes=tuple(_text(n, names, private) for n in trial.notes),
    )


def _public(value: object, names: Mapping[str, str], private: PrivateFacts) -> object:
    if isinstance(value, Mapping):
        kept = {k: v for k, v in value.items() if str(k).casefold() not in UNTOLD_DETAILS}
        return {str(k): _public(v, names, private) for k, v in kept.items()}
    if isinstance(value, list | tuple):
        return [_public(v, names, private) for v in value]
    return _text(value, names, private) if isinstance(value, str) else value


def _text(text: str, names: Mapping[str, str], private: PrivateFacts) -> str:
    """A sentence with published names of logs, and without those of others."""
    for name in sorted(private.names, key=len, reverse=True):
        text = text.replace(name, names.get(name, "a log").split("/")[-1])
    for path in sorted(private.paths, key=len, reverse=True):
        text = text.replace(path, "")
    return text


def _first_fitted(whole: Analysed) -> dt.datetime | None:
    fitted = whole.runs.loc[whole.runs["arm"] == "fitted", "start"].dropna()
    return None if fitted.empty else pd.Timestamp(fitted.min()).to_pydatetime()


def _write_register(
    whole: Analysed, root: Path, into: Path, clock: PublicClock, first: dt.datetime | None
) -> bool:
    """The register with whole hours, where its choices can stand as they are.

    Its fingerprint covers the true dates and the names of scheduled logs.
    """
    entries = read_register(root)
    as_now = load_study(into) if (into / "study.toml").is_file() else None
    if not entries or clock.kind != "hours" or as_now is None:
        return False
    if choices_of(as_now) != choices_of(whole.study):
        return False
    rows = [
        {"at": _hour(e.at, first).isoformat(), "sha256": e.sha256, "choices": e.choices}
        for e in entries
    ]
    put(into / REGISTER, json_text({"entries": rows}))
    return True


def _hour(at: dt.datetime, first: dt.datetime | None) -> dt.datetime:
    """A time in whole hours, on the same side of the first fitted run's."""
    hour = at.replace(minute=0, second=0, microsecond=0)
    if first is None:
        return hour
    start = first if first.tzinfo else first.astimezone()
    told = start.replace(minute=0, second=0, microsecond=0)
    if at < start and not hour < told:
        return hour - dt.timedelta(hours=1)
    return hour + dt.timedelta(hours=1) if at >= start and hour < told else hour


def _write_promises(
    root: Path,
    into: Path,
    clock: PublicClock,
    first: dt.datetime | None,
    span: tuple[dt.date, dt.date] | None,
) -> None:
    path = root / PROMISES
    if not path.is_file():
        return
    data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    for row in data["promises"]:
        at = _hour(dt.datetime.fromisoformat(row["made_at"]), first)
        row["made_at"] = _moved(_beside_drives(at, clock, span), clock).isoformat()
        row["scatter_source"] = str(row.get("scatter_source", "")).split("/")[-1]
    put(into / PROMISES, json.dumps(data, indent=1, ensure_ascii=False) + "\n")


def _write_looks(
    root: Path, into: Path, clock: PublicClock, span: tuple[dt.date, dt.date] | None
) -> None:
    path = root / LOOKS
    if not path.is_file():
        return
    lines = []
    for line in path.read_text(encoding="utf-8").splitlines():
        look = json.loads(line)
        at = _hour(dt.datetime.fromisoformat(look["time"]), None)
        look["time"] = _moved(_beside_drives(at, clock, span), clock).isoformat()
        lines.append(json.dumps(look, ensure_ascii=False))
    put(into / LOOKS, "\n".join(lines) + "\n")


def _write_seal(
    whole: Analysed, root: Path, into: Path, clock: PublicClock, registration_shown: bool
) -> None:
    """When the schedule was sealed and opened, in whole hours on the same side of the drives.

    The sealed text and the time-stamps are of the true dates, and go with the registration.
    """
    after = whole.blinding is None or not whole.blinding.after_opening
    for event in read_seal_log(root):
        at = event.time.replace(minute=0, second=0, microsecond=0)
        if event.what == "opened":
            at += dt.timedelta(hours=1 if after else -1)
        days = tuple(
            f"{_moved(dt.datetime.fromisoformat(d), clock):%Y-%m-%d}" for d in event.to_come
        )
        at = _beside_drives(at, clock, _span(whole))
        log_seal(into, replace(event, at=_moved(at, clock).isoformat(), to_come=days))
    if not registration_shown:
        return
    for name in (OPENED, STAMPS):
        if (root / name).is_file():
            put(into / name, (root / name).read_text(encoding="utf-8"))


def _span(whole: Analysed) -> tuple[dt.date, dt.date] | None:
    """First and last day of the drives, None without dates."""
    starts = whole.runs["start"].dropna()
    if starts.empty:
        return None
    return pd.Timestamp(starts.min()).date(), pd.Timestamp(starts.max()).date()


def _beside_drives(
    at: dt.datetime, clock: PublicClock, span: tuple[dt.date, dt.date] | None
) -> dt.datetime:
    """A time that a shifted clock may tell: at most a day from the drives.

    When the plan was made or the last look taken may be known from elsewhere, from a video or the
    day of publication; held against the moved date, it would give away by how much all are moved.
    """
    if clock.kind != "shifted" or span is None:
        return at
    day = dt.timedelta(days=1)
    kept = min(max(at.date(), span[0] - day), span[1] + day)
    return at if kept == at.date() else dt.datetime.combine(kept, dt.time(12), at.tzinfo)


def _moved(at: dt.datetime, clock: PublicClock) -> dt.datetime:
    return at + dt.timedelta(weeks=clock.weeks)
