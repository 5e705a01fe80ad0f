"""Archives in, one entry or refusal each out: every one opened, held to its manifest, recomputed.

An archive is unpacked twice, so that no more than one lies unpacked at a time: first to see what
it is of, before any long work; then to compute it anew.
"""

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from roadlog.analysis.answered import claimed
from roadlog.errors import InputError, RoadlogError
from roadlog.ingest.copied import Marks, changes_of
from roadlog.publish.pool.entry import Entry, Refused, entry_of
from roadlog.publish.recheck import recheck, require_own_files
from roadlog.publish.unpack import Opened, open_archive
from roadlog.runs.table import read_logs, study_sources
from roadlog.study.folder import load_study
from roadlog.wording.answer import Claimed
from roadlog.wording.screen import one_line

_SPEEDS = ("speed_kmh", "gps_speed_kmh")
Told = Callable[[str], None]


@dataclass(frozen=True)
class Seen:
    """What an archive is of, before anything was computed."""

    path: Path
    device: str
    claim: Claimed | None


def look_into(paths: Sequence[Path]) -> tuple[list[Seen], list[Refused]]:
    """What each archive is of; those that aren't archives, with why.

    Raises
    ------
    InputError
        If a path leads to nothing at all: a typing slip, not an archive's fault.
    """
    seen: list[Seen] = []
    out: list[Refused] = []
    for path in paths:
        if not path.exists():
            raise InputError(f"{path}: no such file: name an archive.zip of roadlog publish")
        if path.is_dir():
            out.append(Refused(shown(path), "", "it is a folder: name the archive.zip in it"))
            continue
        with _unpacked() as folder:
            try:
                study = load_study(open_archive(path, Path(folder)).study)
            except (RoadlogError, OSError) as e:
                out.append(Refused(shown(path), "", _why(e, path, folder)))
                continue
        claim = None if study.claim is None else claimed(study.claim)
        seen.append(Seen(path, study.device.name, claim))
    return seen, out


def recheck_all(
    seen: Sequence[Seen],
    roots: frozenset[str],
    plans: frozenset[str],
    told: Told = lambda _: None,
) -> tuple[list[Entry], list[Refused]]:
    """Every archive computed anew."""
    entries: list[Entry] = []
    out: list[Refused] = []
    for i, each in enumerate(seen, start=1):
        told(f"rechecking {i} of {len(seen)}: {each.path}")
        with _unpacked() as folder:
            try:
                found = _entry(each.path, open_archive(each.path, Path(folder)), roots, plans)
            except (RoadlogError, OSError) as e:
                found = Refused(shown(each.path), "", _why(e, each.path, folder))
        if isinstance(found, Entry):
            entries.append(found)
        else:
            out.append(found)
    return entries, out


def _entry(
    path: Path, opened: Opened, roots: frozenset[str], plans: frozenset[str]
) -> Entry | Refused:
    done = recheck(opened, pages=False)
    marks = [] if done.analysed is None else _marks(opened)
    return entry_of(shown(path), done, marks, roots, plans)


def _marks(opened: Opened) -> list[Marks]:
    """Hashes of each drive's speed, window by window: the same however the log was cut or named."""
    study = load_study(opened.study)
    require_own_files(study)
    found = []
    for log in read_logs(study, study_sources(opened.study, study)):
        columns = [changes_of(log.frame[c].to_numpy()) for c in _SPEEDS if c in log.frame]
        if columns:
            found.append(np.unique(np.concatenate(columns)))
    return [m for m in found if len(m)]


def _unpacked() -> "tempfile.TemporaryDirectory[str]":
    return tempfile.TemporaryDirectory(prefix="roadlog-pool-")


def shown(path: Path) -> str:
    """An archive's path as it may be shown: without what lies above its folder.

    >>> shown(Path("/home/anna/pool/ben/archive.zip"))
    'ben/archive.zip'
    """
    return "/".join(path.parts[-2:]).lstrip("/")


def _why(error: Exception, path: Path, folder: str) -> str:
    """The sentence without the archive's path, which stands beside it, and the folder of ours."""
    text = str(error).replace(f"{path}: ", "").replace(f"{folder}/", "")
    return one_line(text.replace(folder, "the archive"))
