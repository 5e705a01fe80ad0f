"""Opens an archive that anybody may have made: a zip in, its files in a folder of ours out.

Nothing that the zip says is believed: names that lead out of the folder, links, copies, bombs and
what isn't whole are refused, each with one sentence; then every byte is held against the manifest.
`roadlog.publish.recheck` computes the results anew from what stands in the folder.
"""

import hashlib
import re
import struct
import unicodedata
import zipfile
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from roadlog.errors import InputError
from roadlog.publish.about import About, read_about

MANIFEST = "MANIFEST.sha256"
ABOUT = "archive.json"
STUDY, RESULTS = "study/", "results/"
KEPT_NETWORK = "computed/network-"  # of a study; made anew from the logs
NO_TIME = (1980, 1, 1, 0, 0, 0)  # every file's time stamp: the first that a zip can tell
FILE_MODE = 0o100644  # a plain file that all may read
MOST_FILES = 10_000
MOST_BYTES = 2_000_000_000  # of all files together: years of logs, and no need of a larger format
MOST_BLOW_UP = 200  # times that a file may be larger than packed; logs are 5 to 30 times
SMALL_BYTES = 10 << 20  # below it, any packing will do
LONGEST_NAME = 240
_WINDOWS = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
_FORBIDDEN = re.compile(r'[\\:*?"<>|\x00-\x1f\x7f]')
_LINE = re.compile(r"([0-9a-f]{64})  (.+)")
_CHUNK = 1 << 20
_LOCAL_HEADER = struct.Struct("<4s5H3L2H")
_LISTED = struct.Struct("<4s2B5H3L5H2L")
_END = struct.Struct("<4s4H2LH")
_FIRST_DAY = 0x21  # 1 January 1980
_ENCRYPTED = 0x1


@dataclass(frozen=True)
class Opened:
    """An archive's files, unpacked, and what the manifest says of them.

    `changed`, `missing` and `added` are names against the manifest; `packing` tells how the zip
    itself isn't as roadlog writes it ("" where it is).
    """

    folder: Path
    sha256: str
    names: tuple[str, ...]
    about: About
    changed: tuple[str, ...]
    missing: tuple[str, ...]
    added: tuple[str, ...]
    packing: str

    @property
    def study(self) -> Path:
        """The study's folder."""
        return self.folder / STUDY

    @property
    def results(self) -> Path:
        """The folder of the published files."""
        return self.folder / RESULTS

    @property
    def whole(self) -> bool:
        """Whether every file is as the manifest says, and none is missing or added."""
        return not (self.changed or self.missing or self.added)


def open_archive(path: Path, into: Path) -> Opened:
    """Unpack an archive into an empty folder and hold every file against the manifest.

    Raises
    ------
    InputError
        If it is none, is damaged, or could harm.
    """
    if not path.is_file():
        raise InputError(f"{path}: no such file: name the archive.zip that roadlog publish wrote")
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            _require_harmless(path, entries)
            digests = _extract(path, archive, entries, into)
            packing = _packing(path, entries)
    except (zipfile.BadZipFile, zlib.error, EOFError, struct.error, NotImplementedError) as e:
        raise InputError(f"{path}: no whole zip file ({e}): download it again") from e
    for name in (MANIFEST, ABOUT, f"{RESULTS}results.json", f"{STUDY}study.toml"):
        if name not in digests:
            raise InputError(f"{path}: no {name} in it: not an archive of roadlog publish")
    listed = _manifest(path, into / MANIFEST)
    with path.open("rb") as file:
        whole = hashlib.file_digest(file, "sha256").hexdigest()
    found = {n: d for n, d in digests.items() if n != MANIFEST}
    return Opened(
        folder=into,
        sha256=whole,
        names=tuple(sorted(digests)),
        about=read_about(_text(path, into / ABOUT), f"{path}: {ABOUT}"),
        changed=tuple(sorted(n for n in found if n in listed and found[n] != listed[n])),
        missing=tuple(sorted(set(listed) - set(found))),
        added=tuple(sorted(set(found) - set(listed))),
        packing=packing,
    )


def fault_of_names(names: Iterable[str]) -> str:
    """What is wrong with the first name that can't stand in a folder of any system, or "".

    >>> fault_of_names(["study/a.csv", "../a.csv"])
    "'../a.csv' leads out of the folder"
    >>> fault_of_names(["a.csv", "A.csv"])
    "'A.csv' is there twice, as 'a.csv' and 'A.csv'"
    """
    seen: dict[str, str] = {}
    folders: dict[str, str] = {}
    for name in names:
        if fault := _fault_of_name(name):
            return f"{name!r} {fault}"
        key = _folded(name)
        if key in seen:
            return f"{name!r} is there twice, as {seen[key]!r} and {name!r}"
        seen[key] = name
        above = key.split("/")[:-1]
        folders |= {"/".join(above[: i + 1]): name for i in range(len(above))}
    both = sorted(set(seen) & set(folders))
    return f"{seen[both[0]]!r} is a file and a folder" if both else ""


def _folded(name: str) -> str:
    """What a system that heeds neither case nor the way of writing an accent takes it for."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def _fault_of_name(name: str) -> str:
    pieces = name.split("/")
    if name.startswith("/") or re.match(r"[A-Za-z]:", name):
        return "is absolute"
    if ".." in pieces:
        return "leads out of the folder"
    if _FORBIDDEN.search(name) or not name.isprintable():
        return "has a character that not every system allows in a name"
    if any(p in ("", ".") or p.endswith((".", " ")) or p.startswith(" ") for p in pieces):
        return "has an empty part, or one that ends in a dot or space"
    if any(_WINDOWS.fullmatch(p) for p in pieces):
        return "is a name that one system keeps for devices"
    if len(name.encode()) > LONGEST_NAME:
        return f"is longer than {LONGEST_NAME} bytes"
    return ""


def _require_harmless(path: Path, entries: list[zipfile.ZipInfo]) -> None:
    """Raise InputError unless every entry is a plain file that may stand in our folder."""
    if len(entries) > MOST_FILES:
        raise InputError(f"{path}: {len(entries)} files, more than {MOST_FILES}: not unpacked")
    files = [e for e in entries if not e.is_dir()]
    if fault := fault_of_names([e.orig_filename for e in files]):
        raise InputError(f"{path}: {fault}: not unpacked")
    size = path.stat().st_size
    for e in entries:
        if not 0 <= e.header_offset <= size - e.compress_size:
            raise InputError(f"{path}: {e.filename!r} lies outside it: download it again")
        kind = (e.external_attr >> 16) & 0o170000
        if kind not in (0, 0o100000) and not (e.is_dir() and kind == 0o040000):
            raise InputError(f"{path}: {e.filename!r} is a link or a device: not unpacked")
        if e.flag_bits & _ENCRYPTED:
            raise InputError(f"{path}: {e.filename!r} is encrypted: ask for one that isn't")
        if e.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise InputError(f"{path}: {e.filename!r} is packed in an unknown way: not unpacked")
        if e.file_size > max(SMALL_BYTES, MOST_BLOW_UP * e.compress_size):
            raise InputError(
                f"{path}: {e.filename!r} would grow {e.file_size / max(e.compress_size, 1):.0f} "
                "times larger, as no log does: not unpacked"
            )
    whole = sum(e.file_size for e in files)
    if whole > MOST_BYTES or whole > max(SMALL_BYTES, MOST_BLOW_UP * size):
        raise InputError(
            f"{path}: its {size / 1e6:.1f} MB would become {whole / 1e6:.0f} MB, "
            "more than any study: not unpacked"
        )


def _extract(
    path: Path, archive: zipfile.ZipFile, entries: list[zipfile.ZipInfo], into: Path
) -> dict[str, str]:
    """Write every file below `into`; SHA-256 by name."""
    digests = {}
    for e in entries:
        if e.is_dir():
            continue
        target = into / e.filename
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            with archive.open(e) as source, target.open("xb") as file:
                digests[e.filename] = _copied(source, file, e.file_size)
        except (zipfile.BadZipFile, zlib.error, EOFError, struct.error, ValueError) as e_:
            raise InputError(
                f"{path}: {e.filename} is damaged and can't be unpacked ({e_}): download it again"
            ) from e_
    return digests


def _copied(source: IO[bytes], target: IO[bytes], size: int) -> str:
    """SHA-256 of what was copied; never more than the zip's directory promised."""
    digest, left = hashlib.sha256(), size
    while chunk := source.read(_CHUNK):
        left -= len(chunk)
        if left < 0:
            raise ValueError("it is larger than it says")
        digest.update(chunk)
        target.write(chunk)
    if left:
        raise ValueError("it is smaller than it says")
    return digest.hexdigest()


def _text(path: Path, file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8")
    except UnicodeDecodeError as e:
        raise InputError(f"{path}: {file.name} is no UTF-8 text: not what roadlog wrote") from e


def _manifest(path: Path, file: Path) -> Mapping[str, str]:
    listed = {}
    for i, line in enumerate(_text(path, file).split("\n")[:-1], start=1):
        found = _LINE.fullmatch(line)
        if found is None or found[2] in listed:
            raise InputError(f"{path}: {MANIFEST}, line {i}: not as roadlog writes it")
        listed[found[2]] = found[1]
    return listed


def _packing(path: Path, entries: list[zipfile.ZipInfo]) -> str:
    """How the zip isn't as roadlog packs it, at its first odd place; "" where it is.

    What stands between the files (time stamps, comments, gaps) is in no manifest, so each byte of
    it is held against the one way in which roadlog writes it.
    """
    at = 0
    directory = b""
    with path.open("rb") as file:
        for e in entries:
            head, listed = _records(e, at)
            file.seek(at)
            if file.read(len(head)) != head:
                return f"{e.filename}: its time, place, kind or size as the zip tells them"
            at += len(head) + e.compress_size
            directory += listed
        end = _END.pack(b"PK\5\6", 0, 0, len(entries), len(entries), len(directory), at, 0)
        file.seek(at)
        if file.read() != directory + end:
            return "its directory"
    names = [e.filename for e in entries]
    return "" if names == sorted(names) else "the order of its files"


def _records(e: zipfile.ZipInfo, at: int) -> tuple[bytes, bytes]:
    """What roadlog writes before a file, and of it in the directory (PKWARE's APPNOTE, 4.3)."""
    name = e.orig_filename.encode()
    utf8 = 0 if name.isascii() else 0x800
    shared = (20, utf8, 8, 0, _FIRST_DAY, e.CRC, e.compress_size, e.file_size, len(name), 0)
    head = _LOCAL_HEADER.pack(b"PK\3\4", *shared) + name
    listed = _LISTED.pack(b"PK\1\2", 20, 3, *shared, 0, 0, 0, FILE_MODE << 16, at) + name
    return head, listed
