"""Photographs of the inspection: taken from a browser, laid out nameless, scored, unblinded.

What a browser sends is not trusted: names are made safe, sizes and numbers limited, and the sheet
may name nothing but the pictures that came with it. The pictures are opened by a worker alone; what
is kept of them are the copies without camera data that `roadlog inspect prepare` makes.
"""

import contextlib
import datetime as dt
import secrets
import shutil
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

from roadlog.bench.inbox import safe_name
from roadlog.errors import InputError
from roadlog.study.durable import atomic_write, make_folder
from roadlog.study.lock import one_writer

Tell = Callable[..., None]
MOST_FILES = 200
MOST_BYTES = 60 << 20  # of one file: the largest pictures of a camera
MOST_BYTES_TOGETHER = 1 << 30
FOLDER = "inspection"  # of a study: what is laid out
FOR_SCORERS = "for_scorers.zip"
NO_SHEET = "send one table (.csv) with the columns pair, before, after, and the pictures it names"


class Arrived:
    """A folder of its own for the files of one form; gone with `drop`."""

    def __init__(self, hidden: Path) -> None:
        self.folder = hidden / f"sent-{secrets.token_hex(8)}"
        self.size = self.count = 0
        make_folder(self.folder)

    def begin(self, name: str) -> "Arriving":
        """Begin to take a file."""
        self.count += 1
        if self.count > MOST_FILES:
            raise InputError(f"more than {MOST_FILES} files came at once: send fewer")
        path = self.folder / safe_name(name)
        if any(p.name.casefold() == path.name.casefold() for p in self.folder.iterdir()):
            raise InputError(f"two files are called '{path.name}': rename one, and send all again")
        try:
            return Arriving(self, path, path.open("xb"))
        except OSError as e:
            raise InputError(f"'{path.name}' wasn't kept ({e.strerror})") from e

    def drop(self) -> None:
        """Keep nothing."""
        shutil.rmtree(self.folder, ignore_errors=True)


class Arriving:
    """One file on its way into the folder."""

    def __init__(self, into: Arrived, path: Path, body: IO[bytes]) -> None:
        self.into, self.path, self.body, self.size = into, path, body, 0

    def write(self, piece: bytes) -> None:
        """Take the next bytes."""
        self.size += len(piece)
        self.into.size += len(piece)
        if self.size > MOST_BYTES:
            raise InputError(
                f"'{self.path.name}' is larger than {MOST_BYTES >> 20} MB: save it smaller"
            )
        if self.into.size > MOST_BYTES_TOGETHER:
            raise InputError(
                f"all files are larger than {MOST_BYTES_TOGETHER >> 30} GB: send fewer"
            )
        try:
            self.body.write(piece)
        except OSError as e:
            raise InputError(f"'{self.path.name}' wasn't kept ({e.strerror})") from e

    def keep(self) -> None:
        """It is whole."""
        self.body.close()

    def drop(self) -> None:
        """Keep nothing of it."""
        self.body.close()
        self.path.unlink(missing_ok=True)


def photos(*, study: str, folder: str, tell: Tell) -> dict[str, Any]:
    """Lay out the pictures that came, as `roadlog inspect prepare` does; what came is removed."""
    from roadlog.trials.inspection import prepare_photos

    sent, out = Path(folder), Path(study) / FOLDER
    try:
        sheets = sorted(p for p in sent.iterdir() if p.suffix.lower() == ".csv")
        if len(sheets) != 1:
            raise InputError(NO_SHEET)
        tell("step", name="copying the pictures")
        with one_writer(Path(study), "a trial"), _plain(sent):
            _inside(Path(study), out)
            count = prepare_photos(sheets[0], out, seed=secrets.randbelow(2**31), within=True)
            atomic_write(out / FOR_SCORERS, lambda p: _pack(out / "for_scorers", p))
    finally:
        shutil.rmtree(sent, ignore_errors=True)
    return {"code": 0, "text": f"{count} pairs are ready."}


def scores(*, study: str, folder: str, given: dict[str, Any], tell: Tell) -> dict[str, Any]:
    """Open the key and test the score sheets that came, as `roadlog inspect unblind` does."""
    from roadlog.trials.inspection import unblind_scores
    from roadlog.trials.result import save

    sent = Path(folder)
    try:
        sheets = sorted(sent.iterdir())
        if not sheets:
            raise InputError("send the filled score sheets, one of each scorer")
        tell("step", name="opening the key")
        with one_writer(Path(study), "a trial"), _plain(sent):
            done = unblind_scores(
                Path(study) / FOLDER, sheets, meaning=given["meaning"], claim=given["claim"],
                wanted=given["wanted"], now=dt.datetime.now(dt.UTC),
            )  # fmt: skip
            save(done, Path(study))
    finally:
        shutil.rmtree(sent, ignore_errors=True)
    return {"code": 0, "text": done.measured}


def _inside(study: Path, out: Path) -> None:
    if not out.resolve().is_relative_to(study.resolve()):
        raise InputError(f"{out} leads out of the study: remove it")


@contextlib.contextmanager
def _plain(sent: Path) -> Iterator[None]:
    """Sentences name the files alone: where they lay for a moment is nobody's business."""
    try:
        yield
    except InputError as e:
        raise InputError(str(e).replace(f"{sent}/", "")) from e


def _pack(folder: Path, path: Path) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
        for each in sorted(folder.iterdir()):
            archive.write(each, f"for_scorers/{each.name}")


PHOTOS: dict[str, Callable[..., dict[str, Any]]] = {"photos": photos, "scores": scores}
