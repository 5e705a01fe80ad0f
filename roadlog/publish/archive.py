"""Writes a study and its results as one archive: the same study gives the same bytes on any day.

A study's folder (already trimmed for the public), the published files and what is to be said of
them go in; a zip with RO-Crate metadata and a manifest of SHA-256 comes out, with a note in plain
words that tells a stranger how to compute the results anew. `roadlog.publish.unpack` reads it.
"""

import datetime as dt
import hashlib
import io
import json
import shutil
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

from roadlog.errors import InputError
from roadlog.publish.about import MOVED, About
from roadlog.publish.crate import LICENCES, METADATA, Part, checked_licence, metadata
from roadlog.publish.private import PRIVATE
from roadlog.publish.unpack import (
    ABOUT,
    FILE_MODE,
    KEPT_NETWORK,
    MANIFEST,
    MOST_BYTES,
    MOST_FILES,
    NO_TIME,
    RESULTS,
    STUDY,
    fault_of_names,
)
from roadlog.study.durable import atomic_write, is_part
from roadlog.wording.numbers import signed
from roadlog.wording.screen import one_line

README = "README.txt"
_LEFT_OUT = ("Thumbs.db", "desktop.ini")
Content = Path | bytes


def write_archive(
    study_folder: Path,
    results: Mapping[str, bytes],
    path: Path,
    *,
    about: About,
) -> str:
    """Write `path` (a zip), whole or not at all.

    Parameters
    ----------
    study_folder : Path
        Already trimmed: everything in it is published, but for hidden files, `results/` (other
        than the trials' results) and the kept network.
    results : mapping
        Name within `results/` -> bytes; with results.json and passes.csv, as the first `analyse` of
        `study_folder` with `now=about.published` gave them (a network kept from an earlier one
        lends its ids, and isn't published).
    about : About

    Returns
    -------
    str
        SHA-256 of the archive, to be shown beside it.

    Raises
    ------
    InputError
        If the licence isn't known, a file's name can't stand on every system, a file is a link, or
        there are too many or too large ones.
    """
    checked_licence(about.licence)
    numbers = json.loads(results["results.json"])
    _require_same_now(numbers, about.published)
    contents: dict[str, Content] = {
        f"{STUDY}{name}": study_folder / name for name in study_files(study_folder)
    }
    contents |= {f"{RESULTS}{name}": data for name, data in results.items()}
    summary = _summary(numbers)
    contents[ABOUT] = about.as_text().encode()
    contents[README] = _readme(about, summary).encode()
    _require_fit(contents)
    parts = [_part(name, content) for name, content in contents.items()]
    described = metadata([*parts, Part(MANIFEST)], about, summary).encode()
    contents[METADATA] = described
    contents[MANIFEST] = _manifest([*parts, _part(METADATA, described)]).encode()
    atomic_write(path, partial(_write, contents=contents))
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def study_files(folder: Path) -> list[str]:
    """Names of a study's files that belong into an archive, sorted.

    Raises
    ------
    InputError
        If one is a link: what it leads to may not be meant for the public; or if the folder holds
        what was drawn for its privacy, so that it is the study itself and not the trimmed one.
    """
    if (folder / PRIVATE).exists():
        raise InputError(f"{folder} holds {PRIVATE}, so it isn't trimmed: archive the trimmed one")
    names = []
    for path in folder.rglob("*"):
        name = path.relative_to(folder)
        shown = name.as_posix()
        if any(p.startswith(".") for p in name.parts) or is_part(path) or path.name in _LEFT_OUT:
            continue
        if shown.startswith(KEPT_NETWORK):
            continue
        if name.parts[0] == "results" and name.parts[:2] != ("results", "trials"):
            continue
        if path.is_symlink():
            raise InputError(f"{path} is a link: put the file itself into the study, or remove it")
        if path.is_file():
            names.append(shown)
    return sorted(names)


def _require_same_now(numbers: Mapping[str, Any], published: dt.datetime) -> None:
    """What was an interim look when it was published is one at every recheck."""
    look = (numbers.get("oversight") or {}).get("look")
    if look is not None and look["time"] != published.isoformat(timespec="seconds"):
        raise ValueError(
            f"results.json was made as of {look['time']}, the archive as of {published}: "
            "give analyse now=about.published"
        )


def _require_fit(contents: Mapping[str, Content]) -> None:
    """Raise InputError unless `open_archive` would take an archive of these files."""
    if len(contents) + 2 > MOST_FILES:
        raise InputError(f"{len(contents)} files are more than an archive may hold ({MOST_FILES})")
    size = sum(c.stat().st_size if isinstance(c, Path) else len(c) for c in contents.values())
    if size > MOST_BYTES:
        raise InputError(f"the files are {size >> 20} MB, more than an archive may hold")
    if fault := fault_of_names([*contents, METADATA, MANIFEST]):
        raise InputError(f"{fault}: rename it")


@contextmanager
def _opened(content: Content) -> Iterator[io.BytesIO | io.BufferedReader]:
    with io.BytesIO(content) if isinstance(content, bytes) else content.open("rb") as file:
        yield file


def _part(name: str, content: Content) -> Part:
    with _opened(content) as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        return Part(name, file.seek(0, io.SEEK_END), digest)


def _manifest(parts: Sequence[Part]) -> str:
    """As `sha256sum -c` reads it."""
    return "".join(f"{p.sha256}  {p.name}\n" for p in sorted(parts, key=lambda p: p.name))


def _write(path: Path, contents: Mapping[str, Content]) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in sorted(contents):
            info = zipfile.ZipInfo(name, NO_TIME)
            info.create_system, info.external_attr = 3, FILE_MODE << 16
            info.compress_type = zipfile.ZIP_DEFLATED
            with _opened(contents[name]) as source:
                info.file_size = source.seek(0, io.SEEK_END)
                source.seek(0)
                with archive.open(info, "w") as target:
                    shutil.copyfileobj(source, target)


def _summary(numbers: Mapping[str, Any]) -> str:
    """What came out, never the estimate alone."""
    change, claim = numbers["fuel_use_change_pct"], numbers["claim"]
    if change["low"] is None:
        said = "No interval for the change of fuel use: too few switch units."
    else:
        low, high = (signed(change[k], 1) for k in ("low", "high"))
        said = f"Change of fuel use with the add-on fitted: {low} to {high} % (95 % interval)."
    if claim is not None:
        said += f" Claimed: {signed(claim['fuel_use_change_pct'], 1)} %."
    return said + (f" Finding: {numbers['finding']}." if numbers["finding"] else "")


def _readme(about: About, summary: str) -> str:
    name, address = LICENCES[about.licence]
    trimmed = ", with the ends of the drives cut off" if about.untrimmed_sha256 else ""
    lines = [
        one_line(about.study) + ": a fuel-economy road test, its data and its results",
        *(["SYNTHETIC DATA, made by a program, not measured."] if about.synthetic else []),
        f"Published {about.published:%Y-%m-%d}{MOVED if about.dates_moved else ''} under "
        f"{about.licence} ({name}, {address}).",
        summary,
        "",
        f"{STUDY:<20}everything that the analysis read: logs{trimmed}, plan, notes",
        f"{RESULTS:<20}the published pages; results.json has every number",
        f"{ABOUT:<20}versions; hashes of untrimmed logs; what trimmed logs can't tell any more",
        "",
        f"To compute every number anew: install roadlog {about.versions.get('roadlog', '')}, then",
        "    roadlog recheck archive.zip",
        f"Without roadlog, `sha256sum -c {MANIFEST}` tells whether the files are whole.",
    ]
    return "\n".join(lines) + "\n"
