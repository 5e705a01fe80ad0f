"""The study's inbox: what a browser sent, whole and under a safe name, until it is taken in.

Files come in pieces and go straight to the disk under a hidden name; only a whole one gets its own
name, which no other file there has. Nothing here reads what is in them.
"""

import contextlib
import errno
import hashlib
import os
import shutil
import unicodedata
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from roadlog.errors import InputError
from roadlog.study.durable import clean_parts, is_part, make_folder, new_part, sync_folder

STUDY_FILE = "study.toml"
INBOX = Path(".roadlog") / "inbox"
MOST_FILES = 500  # that wait at once: a test of a year has fewer
MOST_BYTES = 1 << 30  # of one file: days of ten readings a second
MOST_BYTES_TOGETHER = 1 << 33
SPARE_BYTES = 1 << 26  # left free on the disk
LONGEST_NAME = 120  # bytes; file systems allow 255, and a drive's number may follow
_DEVICES = frozenset(
    {"con", "prn", "aux", "nul", *(f"{d}{i}" for d in ("com", "lpt") for i in range(1, 10))}
)
_FORBIDDEN = frozenset('<>:"|?*')
NO_SPACE = "'{name}' wasn't kept: the disk is full. Make room and send it again"


def safe_name(name: str) -> str:
    """A file's name as it may stand on any disk: no folders, no hidden or reserved name.

    >>> safe_name("../../etc/passwd"), safe_name("CON.csv"), safe_name("Monday 1.csv")
    ('passwd', 'log-CON.csv', 'Monday 1.csv')
    """
    last = name.replace("\\", "/").rstrip("/").rpartition("/")[2]
    plain = unicodedata.normalize("NFC", last.encode("utf-8", "replace").decode("utf-8"))
    kept = "".join(
        "_" if c in _FORBIDDEN else c for c in plain if unicodedata.category(c)[0] != "C"
    )
    kept = kept.strip().lstrip(".").rstrip(". ").strip() or "log"
    path = PurePosixPath(kept)
    suffix = path.suffix if len(path.suffix.encode()) <= 16 else ""
    stem = kept[: len(kept) - len(suffix)]
    if stem.partition(".")[0].strip().casefold() in _DEVICES:
        stem = f"log-{stem}"
    room = LONGEST_NAME - len(suffix.encode())
    return stem.encode()[:room].decode(errors="ignore").rstrip(". ") + suffix


@dataclass(frozen=True)
class Inbox:
    """The inbox of a study's folder."""

    study: Path

    @property
    def place(self) -> Path:
        """Where the files wait.

        Raises
        ------
        InputError
            If something made the place lead out of the study.
        """
        place = self.study / INBOX
        if not place.resolve().is_relative_to(self.study.resolve()):
            raise InputError(f"{place} leads out of the study: remove it")
        return place

    def waiting(self) -> list[Path]:
        """Whole files, by name."""
        if not self.place.is_dir():
            return []
        return sorted(
            p
            for p in self.place.iterdir()
            if p.is_file() and not p.is_symlink() and not p.name.startswith(".")
        )

    def find(self, name: str) -> Path:
        """A file that waits.

        Raises
        ------
        InputError
            If none has this name.
        """
        found = next((p for p in self.waiting() if p.name == name), None)
        if found is None:
            raise InputError(f"no file '{name[:80]}' waits here (any more)")
        return found

    def state(self) -> str:
        """Changes when a file comes or goes, or study.toml does."""
        told = hashlib.sha256()
        for path in (self.study / STUDY_FILE, *self.waiting()):
            with contextlib.suppress(OSError):
                s = path.stat()
                told.update(
                    f"{path.name}\0{s.st_size}\0{s.st_mtime_ns}\0".encode("utf-8", "replace")
                )
        return told.hexdigest()[:16]

    def begin(self, name: str, size: int | None) -> "Arriving":
        """Begin to take a file from a browser.

        Parameters
        ----------
        size : int, optional
            Bytes, as the browser says; None if it doesn't.

        Raises
        ------
        InputError
            If it is too large, too many wait, or the disk has no room.
        """
        name = safe_name(name)
        place = self.place
        make_folder(place)
        clean_parts(place)
        if size is not None and size > MOST_BYTES:
            raise InputError(_too_large(name))
        sizes = [p.stat().st_size for p in place.iterdir() if p.is_file() and _counts(p)]
        if len(sizes) >= MOST_FILES:
            raise InputError(
                f"'{name}' wasn't kept: {MOST_FILES} files wait here, which is the most: take "
                "these in, then send the others"
            )
        if sum(sizes) + (size or 0) > MOST_BYTES_TOGETHER:
            raise InputError(
                f"'{name}' wasn't kept: more than {MOST_BYTES_TOGETHER >> 30} GB would wait here: "
                "take the others in first"
            )
        if shutil.disk_usage(place).free < (size or 0) + SPARE_BYTES:
            raise InputError(NO_SPACE.format(name=name))
        try:
            handle, part = new_part(place)
        except OSError as e:
            raise InputError(_not_written(name, e)) from e
        return Arriving(name, place, part, handle)


class Arriving:
    """A file that is being sent: hidden until it is whole."""

    def __init__(self, name: str, place: Path, part: Path, handle: int) -> None:
        self.name, self.place, self.part, self.size = name, place, part, 0
        self._handle: int | None = handle

    def write(self, piece: bytes) -> None:
        """Put the next piece on the disk.

        Raises
        ------
        InputError
            If the file has grown too large or the disk is full; nothing of it is kept then.
        """
        assert self._handle is not None
        self.size += len(piece)
        try:
            if self.size > MOST_BYTES:
                raise InputError(_too_large(self.name))
            left = memoryview(piece)
            while left:
                left = left[os.write(self._handle, left) :]
        except OSError as e:
            self.drop()
            raise InputError(_not_written(self.name, e)) from e
        except InputError:
            self.drop()
            raise

    def keep(self) -> Path:
        """Give the whole file its name, or one with a number if another file has it."""
        assert self._handle is not None
        try:
            os.fsync(self._handle)
            os.close(self._handle)
            self._handle = None
            self.part.chmod(0o600)
            path = self._named()
            sync_folder(self.place)
        except OSError as e:
            self.drop()
            raise InputError(_not_written(self.name, e)) from e
        return path

    def _named(self) -> Path:
        whole = PurePosixPath(self.name)
        number = 1
        while True:
            name = self.name if number == 1 else f"{whole.stem}-{number}{whole.suffix}"
            number += 1
            there = {unicodedata.normalize("NFC", p.name).casefold() for p in self.place.iterdir()}
            if name.casefold() in there:
                continue
            try:
                os.link(self.part, self.place / name)  # never over another file
            except FileExistsError:
                continue
            except OSError:
                self.part.replace(self.place / name)  # a disk without links
                return self.place / name
            self.part.unlink()
            return self.place / name

    def drop(self) -> None:
        """Keep nothing of it."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None
        self.part.unlink(missing_ok=True)


def _counts(path: Path) -> bool:
    return is_part(path) or not path.name.startswith(".")


def _too_large(name: str) -> str:
    return f"'{name}' wasn't kept: a file of more than {MOST_BYTES >> 30} GB is no drive log"


def _not_written(name: str, error: OSError) -> str:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return NO_SPACE.format(name=name)
    return f"'{name}' wasn't kept ({error.strerror}): nothing else was changed"
