"""Which file a reading goes to: a new run's journal, or the one that a restart interrupted.

In come the study's folder, the clocks and the engine's run time; out come a path, and whether the
last journal goes on. Part of recording; the analysis takes every journal as one run.
"""

import datetime as dt
import json
import time
from dataclasses import dataclass
from pathlib import Path

from roadlog.ingest.journal.clock import EARLIEST_UTC_S
from roadlog.ingest.journal.file import first_header, tail
from roadlog.ingest.journal.lines import decode
from roadlog.recorder.ignition import engine_restarted
from roadlog.study.settings import Study

RESUME_WITHIN_S = 900.0
PREFIX = "run_"
SUFFIX = ".log"


@dataclass(frozen=True)
class Interrupted:
    """A journal without an end: where it stopped, on which clock, at what engine run time."""

    path: Path
    boot_id: str
    t_s: float
    wall_s: float | None
    engine_runtime_s: float | None
    vehicle: str = ""


def interrupted(folder: Path) -> Interrupted | None:
    """The newest journal of a folder, if it has no end."""
    found = [p for p in folder.glob(f"**/{PREFIX}*{SUFFIX}") if p.is_file()]
    if not found:
        return None
    path = max(found, key=lambda p: p.stat().st_mtime_ns)
    boot, last = "", None
    wall_at_boot_s: float | None = None
    runtime: float | None = None
    vehicle = str((first_header(path) or {}).get("vehicle", ""))
    for raw in tail(path):
        line = decode(raw)
        if line is None:
            continue
        last = line
        if line.kind in ("part", "clock"):
            stamp = json.loads(line.text)
            boot, stamped_s = str(stamp["boot_id"]), float(stamp["wall_utc_s"])
            wall_at_boot_s = stamped_s - line.t_s if stamped_s >= EARLIEST_UTC_S else None
        if line.kind == "obd" and "engine_runtime_s=" in line.text:
            runtime = float(line.text.split("engine_runtime_s=")[1].split()[0])
    if last is None or last.kind == "end":
        return None
    wall_s = None if wall_at_boot_s is None else wall_at_boot_s + last.t_s
    return Interrupted(path, boot, last.t_s, wall_s, runtime, vehicle)


def goes_on(
    before: Interrupted,
    *,
    boot: str,
    t_s: float,
    wall_s: float,
    engine_runtime_s: float | None,
    vehicle: str = "",
) -> bool:
    """Whether the run that was interrupted is still going on.

    It is if the vehicle is the same, as far as known, no more than a quarter of an hour has passed
    and the engine wasn't started anew in between, as far as its run time tells; with no clock to
    go by, only if the run time says so.
    """
    if vehicle and before.vehicle and vehicle != before.vehicle:
        return False
    elapsed: float | None = None
    if boot == before.boot_id:
        elapsed = t_s - before.t_s
    elif before.wall_s is not None and wall_s >= before.wall_s:
        elapsed = wall_s - before.wall_s
    restarted = None
    if engine_runtime_s is not None:
        restarted = engine_restarted(before.engine_runtime_s, engine_runtime_s, elapsed or 0.0)
    if elapsed is None:
        return restarted is False
    return 0 <= elapsed <= RESUME_WITHIN_S and restarted is not True


def new_path(folder: Path, wall_s: float) -> Path:
    """A free name for a new run: its local date and time, or a number if no clock was set."""
    if wall_s >= EARLIEST_UTC_S:
        stem = f"{PREFIX}{dt.datetime.fromtimestamp(wall_s):%Y-%m-%d_%H-%M-%S}"
    else:
        stem = f"{PREFIX}undated"
    path, n = folder / f"{stem}{SUFFIX}", 1
    while path.exists():
        n += 1
        path = folder / f"{stem}_{n}{SUFFIX}"
    return path


def utc_offset_s(wall_s: float) -> int:
    """Local time minus UTC at that instant [s]."""
    return time.localtime(wall_s).tm_gmtoff


def arm_of(study: Study, wall_s: float) -> str | None:
    """The arm that the study's schedule gives to the local day, None if it gives none."""
    if study.schedule is None or wall_s < EARLIEST_UTC_S:
        return None
    day = dt.datetime.fromtimestamp(wall_s).date()
    for unit in study.schedule.unit:
        if day == unit.unit or day in unit.also:
            return unit.arm
    return None


def place_for(folder: Path, study: Study, arm: str | None) -> Path:
    """The folder of journals: `logs`, or the arm's own where the study names no logs."""
    named = study.logs.baseline or study.logs.fitted
    if not named and study.schedule is None and arm is not None:
        return folder / "logs" / arm
    return folder / "logs"


def is_named(folder: Path, study: Study, path: Path, arm: str | None) -> bool:
    """Whether the study's `[logs]` will find this journal."""
    logs = study.logs
    mine = logs.any + (logs.baseline if arm == "baseline" else ())
    mine += logs.fitted if arm == "fitted" else ()
    in_its_folder = arm is not None and path.parent == folder / "logs" / arm
    if in_its_folder and not (logs.baseline or logs.fitted):
        return True
    return any(path.relative_to(folder).match(pattern) for pattern in mine)
