"""How a study stands on a day: what is driven, noted, filled, registered, looked at, published.

A study's folder goes in, the facts of `roadlog.plan.today` come out; no effect is computed.
"""

import datetime as dt
import json
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

import pandas as pd

from roadlog.check import check_run
from roadlog.closure.fuelbook import read_fills
from roadlog.errors import InputError, RoadlogError
from roadlog.ingest import read_log
from roadlog.plan.looks import read_looks
from roadlog.plan.register import Entry, changes, choices_of, fingerprint, read_register
from roadlog.plan.result import Look
from roadlog.plan.today import Standing
from roadlog.runs.accessory_notes import accessory_noted
from roadlog.runs.notes import read_notes, says_something
from roadlog.runs.seen import LogSeen, keep_seen, read_seen
from roadlog.runs.table import Sources, study_sources, with_day_order
from roadlog.runs.taken import read_taken, sha256_of
from roadlog.study.folder import load_study, log_files
from roadlog.study.settings import Study

T = TypeVar("T")
Days = frozenset[dt.date]
CHECKING_S = 1.0  # so long may logs be checked that no check has seen
COPIED_S = 120.0  # files that were copied together differ by less


def now_of(study: Study) -> dt.datetime:
    """This computer's time, in the zone of the study's logs where study.toml names it."""
    now, zone = dt.datetime.now().astimezone(), study.time.zone
    if zone is None:
        return now
    try:
        return now.astimezone(ZoneInfo(zone))
    except (ValueError, OSError, KeyError) as e:
        raise InputError(
            f"study.toml: [time] zone '{zone}' is not known: write one such as 'Europe/Paris'"
        ) from e


def gather(folder: Path, date: dt.date | None) -> Standing:
    """The facts of a study on a day; what can't be read is among its faults."""
    faults: list[str] = []

    def read(what: Callable[[], T], instead: T) -> T:
        try:
            return what()
        except RoadlogError as e:
            faults.append(str(e))
        except OSError as e:
            faults.append(f"{e.filename}: {e.strerror}: let the file be read")
        return instead

    study = load_study(folder)
    sources = read(lambda: _sources(folder, study), None)
    if sources is not None:
        found = sources
        study = read(lambda: with_day_order(study, found), study)
    entries: list[Entry] = read(lambda: read_register(folder), [])
    looks: list[Look] = read(lambda: read_looks(folder), [])
    logs: Sequence[LogSeen] = ()
    if sources is not None:
        logs = read(lambda: _logs(folder, study, found), ())
    driven = frozenset(log.day for log in logs if log.day is not None)
    noted, accessory = read(lambda: _notes(folder, study, logs), (driven, driven))
    fills: Days = read(lambda: _fills(folder, study), driven)
    last = looks[-1] if looks else None
    edited = last is not None and last.choices_sha256 != fingerprint(choices_of(study))
    return Standing(
        study=study,
        folder=str(folder),
        today=date or now_of(study).date(),
        told_date=date is not None,
        papers=(folder / "plan").is_dir(),
        registered=entries[-1].at if entries else None,
        changed=changes(entries[-1].choices, choices_of(study)) if entries else (),
        logs=logs,
        noted=noted,
        accessory=accessory,
        fills=fills,
        faults=faults,
        looks=looks,
        analysed=_analysed(folder),
        stale="study.toml" if edited else _stale(folder),
        published=_published(folder),
        sealed=study.shut,
    )


def with_logs_order(folder: Path, study: Study) -> Study:
    """The study with the order of day and month that its logs settle, if it has any."""
    sources = _sources(folder, study)
    return study if sources is None else with_day_order(study, sources)


def _sources(folder: Path, study: Study) -> Sources | None:
    """The study's logs, None before the first: patterns that match nothing yet are no fault."""
    patterns = (*study.logs.any, *study.logs.baseline, *study.logs.fitted)
    found = False
    for pattern in patterns:
        try:
            found |= bool(log_files(folder, [pattern]))
        except InputError as e:
            if "matches" not in str(e):
                raise
    arms = (folder / "logs" / arm for arm in ("baseline", "fitted"))
    if not found and not any(p.is_dir() and any(p.iterdir()) for p in arms):
        return None
    return study_sources(folder, study)


def _logs(folder: Path, study: Study, sources: Sources) -> Sequence[LogSeen]:
    """What is known of each log; those that no check has seen are checked, newest first."""
    kept = read_seen(folder, study)
    taken = {e.file: e.start for e in read_taken(folder)}
    sha = {path: sha256_of(path) for path, _ in sources.runs}
    seen: dict[Path, LogSeen] = {}
    new = False
    began = time.monotonic()
    starts = {p: taken.get(sources.shown(p)) or "" for p in sha}
    for path in sorted(sha, key=lambda p: (starts[p], p.name), reverse=True):
        name = sources.shown(path)
        if sha[path] in kept and kept[sha[path]].usable is not None:
            seen[path] = replace(kept[sha[path]], file=name)
            continue
        hurried = time.monotonic() - began > CHECKING_S
        if hurried and starts[path]:
            seen[path] = LogSeen(name, dt.datetime.fromisoformat(starts[path]).date())
            continue
        seen[path] = _looked_at(path, name, study, verdict=not hurried)
        new = True
    if new:
        keep_seen(folder, study, {sha[p]: log for p, log in seen.items()})
    return tuple(seen[p] for p in sorted(seen, key=lambda p: (f"{seen[p].day}", seen[p].file)))


def _looked_at(path: Path, name: str, study: Study, *, verdict: bool) -> LogSeen:
    """A log's day, and whether it can be used if there is time to say so."""
    try:
        log = read_log(path, columns=study.columns, time=study.time, alone=False)
    except RoadlogError as e:
        return LogSeen(name, None, False, str(e).removeprefix(f"{path}: "))
    day = None if log.start is None else log.start.tz_localize(None).date()
    if not verdict:
        return LogSeen(name, day)
    run = check_run(log, study, file=name)
    return LogSeen(name, day, run.usable, run.verdict)


def _notes(folder: Path, study: Study, logs: Sequence[LogSeen]) -> tuple[Days, Days]:
    """Days that the notes tell something of, and those on which they tell of the accessory."""
    path = folder / "notes.csv"
    if not path.is_file():
        return frozenset(), frozenset()
    dated = [log for log in logs if log.day is not None]
    runs = pd.DataFrame(
        [(i, log.file, f"{log.day}") for i, log in enumerate(dated)],
        columns=["run", "file", "day"],
    )
    notes = read_notes(path, study.time.day_first, tuple(runs["day"]))
    said = accessory_noted(notes, runs).answered
    every = said.groupby(runs["day"].to_numpy()).all()
    answered = (dt.date.fromisoformat(str(day)) for day, all_runs in every.items() if all_runs)
    return says_something(notes, runs), frozenset(answered)


def _fills(folder: Path, study: Study) -> Days:
    path = folder / "fills.csv"
    fills = read_fills(path, study.time.day_first) if path.is_file() else ()
    times = [f.time for f in (*fills, *study.fills)]
    return frozenset(t.date() if isinstance(t, dt.datetime) else t for t in times)


def _analysed(folder: Path) -> frozenset[str] | None:
    """The logs of the last analysis; None if there is none that can be read."""
    try:
        runs = json.loads((folder / "results" / "results.json").read_text("utf-8"))["runs"]
        return frozenset(str(r["file"]) for r in runs)
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _published(folder: Path) -> bool:
    return (folder / "published" / "index.html").is_file()


def _stale(folder: Path) -> str:
    """A table that is newer than the results."""
    results = folder / "results" / "results.json"
    if not results.is_file():
        return ""
    made = results.stat().st_mtime
    for name in ("notes.csv", "fills.csv", "cans.csv", "weather.csv"):
        path = folder / name
        if path.is_file() and path.stat().st_mtime > made + COPIED_S:
            return name
    return ""
