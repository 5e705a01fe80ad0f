"""A sealed study in the demo's logs: planned before its first day, driven, opened after the last.

The demo's logs don't know their arm, so any order can be drawn for them: an add-on that does
nothing.
"""

import datetime as dt
import re
import shutil
from pathlib import Path

import numpy as np

from roadlog.plan.register import register
from roadlog.plan.schedule import drawn_anew
from roadlog.plan.seal import Sealed, hidden, opened, seal
from roadlog.plan.seal_log import SEAL_LOG, SealEvent, keep_opened, log_seal
from roadlog.plan.studyfile import write_schedule
from roadlog.runs.guesses import guesses_sha256
from roadlog.runs.notes import read_notes
from roadlog.study.folder import load_study

PLANNED = dt.datetime(2026, 2, 27, 18, 0, tzinfo=dt.UTC)
FIRST_RUN = dt.datetime(2026, 3, 2, 6, 0, tzinfo=dt.UTC)
HALF_WAY = dt.datetime(2026, 3, 9, 20, 0, tzinfo=dt.UTC)
LEFT_OUT = ("computed", "results", "plan", "truth.json")
AFTERWARDS = dt.datetime(2026, 3, 20, 20, 0, tzinfo=dt.UTC)


def sealed_copy(
    demo: Path, folder: Path, *, seed: int = 5, dummies: int = 0, at: dt.datetime = PLANNED
) -> Sealed:
    """Copy the demo's study without its own arms, seal a new order, and register it."""
    shutil.copytree(demo, folder, ignore=shutil.ignore_patterns(*LEFT_OUT))
    rows = [line.split(",") for line in (folder / "notes.csv").read_text().splitlines()]
    (folder / "notes.csv").write_text("\n".join(",".join([r[0], *r[2:]]) for r in rows) + "\n")
    text = (folder / "study.toml").read_text()
    plan = f"[plan]\nswitched_by_other = true\ndummy_days = {dummies}\n"
    text = re.sub("driver_knew_arm = true", "driver_knew_arm = false", text)
    (folder / "study.toml").write_text(f"{text}\n{plan}")
    study = load_study(folder)
    assert study.schedule is not None
    rng = np.random.default_rng(seed)
    drawn = drawn_anew(study.schedule, rng)
    sealed = seal(drawn, dummies, rng)
    shut = hidden(drawn, sealed)
    write_schedule(folder / "study.toml", shut)
    log_seal(folder, SealEvent("sealed", at.isoformat(), sealed.sha256, len(shut.unit)))
    register(folder, load_study(folder), at)
    return sealed


def open_at(folder: Path, sealed: Sealed, at: dt.datetime) -> None:
    """Open it as `roadlog unseal` does, on another day."""
    study = load_study(folder)
    assert study.schedule is not None
    known = opened(study.schedule, sealed)
    keep_opened(folder, sealed)
    notes = guesses_sha256(read_notes(folder / "notes.csv"), {})
    event = SealEvent("opened", at.isoformat(), sealed.sha256, len(known.unit), 12, (), notes)
    log_seal(folder, event)
    write_schedule(folder / "study.toml", known)


def guess(folder: Path, said: dict[str, str], *, before_opening: bool = True) -> None:
    """Write a day's guess into notes.csv, in a column of its own."""
    lines = (folder / "notes.csv").read_text().splitlines()
    rows = [f"{lines[0]},guess", *(f"{row},{said.get(row[:10], '')}" for row in lines[1:])]
    (folder / "notes.csv").write_text("\n".join(rows) + "\n")
    path = folder / SEAL_LOG
    if before_opening and path.is_file():
        now = guesses_sha256(read_notes(folder / "notes.csv"), {})
        path.write_text(
            re.sub(r'"guesses_sha256": "\w+"', f'"guesses_sha256": "{now}"', path.read_text())
        )


def words_of_arms(folder: Path, *but: str) -> list[str]:
    """Files of a study that tell an arm beside a day: what a driver could find by searching."""
    found = []
    for path in sorted(p for p in folder.rglob("*") if p.is_file() and p.name not in but):
        text = path.read_bytes().decode("utf-8", "replace")
        if re.search(r"20\d\d-\d\d-\d\d\D{1,40}(fitted|baseline)", text):
            found.append(path.relative_to(folder).as_posix())
    return found
