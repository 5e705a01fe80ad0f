"""Archives in, one entry or refusal each out: every one opened, held to its manifest, recomputed.

An archive is unpacked twice, so that no more than one lies unpacked at a time: first to see what
it is of, before any long work; then to compute it anew. Whatever is wrong with one is told of it
and costs no other; only what fails on this computer ends the work.
"""

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np

from roadlog import __version__
from roadlog.analysis.answered import claimed
from roadlog.analysis.control_car import control_sources
from roadlog.errors import InputError, RoadlogError
from roadlog.ingest.copied import Marks, changes_of
from roadlog.publish.pool.entry import Entry, Refused, entry_of
from roadlog.publish.recheck import faults_of_files, recheck, require_own_files
from roadlog.publish.unpack import Opened, open_archive
from roadlog.runs.table import read_logs, study_sources
from roadlog.study.durable import disk_failed
from roadlog.study.folder import load_study
from roadlog.wording.answer import Claimed
from roadlog.wording.screen import one_line

_SPEEDS = ("speed_kmh", "gps_speed_kmh")
_LONGEST = 300  # characters of what an archive made go wrong
Told = Callable[[str], None]
T = TypeVar("T")


@dataclass(frozen=True)
class Seen:
    """What an archive is of, before anything was computed; `name` is its path as it is shown."""

    path: Path
    name: str
    device: str
    claim: Claimed | None


def look_into(paths: Sequence[Path]) -> tuple[list[Seen], list[Refused]]:
    """What each archive is of; those that aren't archives or were changed, with why.

    Raises
    ------
    InputError
        If a path leads to nothing at all: a typing slip, not an archive's fault. Or if the disk
        that archives are unpacked on is full.
    """
    for path in paths:
        if not path.exists():
            raise InputError(f"{path}: no such file: name an archive.zip of roadlog publish")
    found = [
        _of_one(path, name, partial(_seen, path, name))
        for path, name in zip(paths, shown(paths), strict=True)
    ]
    return [f for f in found if isinstance(f, Seen)], [f for f in found if isinstance(f, Refused)]


def recheck_all(
    seen: Sequence[Seen],
    roots: frozenset[str],
    plans: frozenset[str],
    told: Told = lambda _: None,
) -> tuple[list[Entry], list[Refused]]:
    """Every archive computed anew.

    Raises
    ------
    InputError
        If the disk that archives are unpacked on is full.
    """
    entries: list[Entry] = []
    out: list[Refused] = []
    for i, each in enumerate(seen, start=1):
        told(f"rechecking {i} of {len(seen)}: {each.name}")
        found = _of_one(each.path, each.name, partial(_entry, each.name, roots, plans))
        if isinstance(found, Entry):
            entries.append(found)
        else:
            out.append(found)
    return entries, out


def _of_one(path: Path, name: str, work: Callable[[Opened], T | Refused]) -> T | Refused:
    """What comes of an archive, unpacked for as long as it takes."""
    if path.is_dir():
        return Refused(name, "", "it is a folder: name the archive.zip in it")
    if not path.is_file():
        return Refused(name, "", "it is no plain file: name an archive.zip of roadlog publish")
    with tempfile.TemporaryDirectory(prefix="roadlog-pool-") as folder:
        try:
            return work(open_archive(path, Path(folder)))
        except RoadlogError as e:
            why = str(e)
        except OSError as e:
            if disk_failed(e):
                raise InputError(
                    f"{tempfile.gettempdir()}: {e.strerror}: archives are unpacked there: make "
                    "room and try again"
                ) from e
            why = f"it can't be read: {e.strerror or e}"
        except MemoryError:
            why = "this computer's memory is too small for it"
        except Exception as e:  # anybody may have made it
            why = f"it makes roadlog fail ({type(e).__name__}: {one_line(str(e))[:_LONGEST]})"
        return Refused(name, "", _without_paths(why, path, folder))


def _seen(path: Path, name: str, opened: Opened) -> Seen | Refused:
    if fault := next(faults_of_files(opened), ""):
        return Refused(name, one_line(opened.about.study), f"it doesn't recheck: {one_line(fault)}")
    try:
        study = load_study(opened.study)
    except InputError as e:
        there = opened.about.versions.get("roadlog", __version__)
        if there == __version__:
            raise
        raise InputError(f"{e} (it was made by roadlog {there}; here is {__version__})") from e
    claim = None if study.claim is None else claimed(study.claim)
    return Seen(path, name, study.device.name, claim)


def _entry(
    name: str, roots: frozenset[str], plans: frozenset[str], opened: Opened
) -> Entry | Refused:
    done = recheck(opened, pages=False)
    marks = [] if done.analysed is None else _marks(opened)
    return entry_of(name, done, marks, roots, plans)


def _marks(opened: Opened) -> list[Marks]:
    """Hashes of each drive's speed, window by window: the same however the log was cut or named."""
    study = load_study(opened.study)
    require_own_files(study)
    found = []
    sources = study_sources(opened.study, study)
    logs = read_logs(study, sources)
    if study.control is not None and sources.control:
        logs += read_logs(study.of_control_car(), control_sources(study, sources))
    for log in logs:
        columns = [changes_of(log.frame[c].to_numpy()) for c in _SPEEDS if c in log.frame]
        if columns:
            found.append(np.unique(np.concatenate(columns)))
    return [m for m in found if len(m)]


def shown(paths: Sequence[Path]) -> list[str]:
    """Archives' paths as they may be shown: no more of their folders than tells them apart.

    >>> shown([Path("/home/anna/pool/1/archive.zip"), Path("/home/anna/pool/2/archive.zip")])
    ['1/archive.zip', '2/archive.zip']
    >>> shown([Path("/home/anna/ben.zip")])
    ['ben.zip']
    """
    every = set(paths)

    def least(path: Path) -> str:
        for n in range(1, len(path.parts)):
            if not any(p.parts[-n:] == path.parts[-n:] for p in every if p != path):
                return "/".join(path.parts[-n:])
        return str(path)

    # a name that is no text of this system's holds what can't be written into any file
    return [one_line(least(p).encode("utf-8", "replace").decode("utf-8")) for p in paths]


def _without_paths(why: str, path: Path, folder: str) -> str:
    """The sentence without the archive's path, which stands beside it, and the folder of ours."""
    text = why.replace(f"{path}: ", "").replace(f"{folder}/", "")
    return one_line(text.replace(folder, "the archive"))
