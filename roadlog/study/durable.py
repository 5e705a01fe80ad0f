"""Files that come to be whole or not at all, whatever ends the program or the power.

In comes a way to fill a file; it is filled under a name that no reader lists, brought to the disk,
and only then given its own name. What a kill left behind is told by its name and can be cleaned.
"""

import errno
import hashlib
import json
import os
import re
import shutil
import socket
import tempfile
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from pathlib import Path

_DISK = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EFBIG)
_MARK = ".roadlog-part-"
_LEFT = re.compile(re.escape(_MARK) + r"(\d+)-(?:([0-9a-f]{8})-)?")
# A process's number says nothing on another computer that writes into the same folder.
_HERE = hashlib.sha256(socket.gethostname().encode()).hexdigest()[:8]


def disk_failed(error: OSError) -> bool:
    """Whether the disk is full or can't be written: whatever is tried next fails too.

    >>> disk_failed(OSError(errno.ENOSPC, "No space left on device"))
    True
    """
    return error.errno in _DISK


def atomic_write(path: Path, write: Callable[[Path], object], mode: int | None = None) -> None:
    """Let `write` fill a temporary file beside `path`, then rename it over `path`.

    File and folder are on the disk when it returns. A failure leaves whatever was at `path`
    before; a kill leaves that too, and perhaps a hidden part (`clean_parts`).

    Parameters
    ----------
    mode : int, optional
        Permissions of the file; by default those of any new file.
    """
    temporary = _filled(path, write, mode)
    try:
        temporary.replace(path)
        sync_folder(path.parent)
    finally:
        temporary.unlink(missing_ok=True)


def _filled(path: Path, write: Callable[[Path], object], mode: int | None = None) -> Path:
    """A part beside `path`, filled and on the disk."""
    make_folder(path.parent)
    _clean(path.parent.glob(f"{_MARK}*"))
    handle, temporary = new_part(path.parent, path.suffix)
    os.close(handle)
    try:
        write(temporary)
        if mode is None:
            umask = os.umask(0)
            os.umask(umask)
            mode = 0o666 & ~umask
        _sync_file(temporary)
        temporary.chmod(mode)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return temporary


def write_files(folder: Path, contents: Mapping[str, bytes]) -> None:
    """Write files that belong together into a folder by their names: all of them, or none.

    All are on the disk under hidden names before the first one gets its own. A failure leaves the
    files that were there before; so does a kill, but for one between two renames, which stand
    together at the end.
    """
    parts: dict[Path, Path] = {}
    before: dict[Path, Path | None] = {}
    try:
        for name, data in contents.items():
            path = folder / name
            parts[path] = _filled(path, partial(Path.write_bytes, data=data))
        for path in parts:
            before[path] = _second_name(path)
        _renamed_together(parts, before)
    finally:
        for left in (*parts.values(), *before.values()):
            if left is not None:
                left.unlink(missing_ok=True)


def _renamed_together(parts: Mapping[Path, Path], before: Mapping[Path, Path | None]) -> None:
    """Give each part its name, or, where one can't have it, each name what it had `before`."""
    done: list[Path] = []
    try:
        for path, part in parts.items():
            part.replace(path)
            done.append(path)
    except BaseException:
        for path in done:
            old = before[path]
            if old is None:
                path.unlink(missing_ok=True)
            else:
                old.replace(path)
        raise
    finally:
        for parent in {p.parent for p in parts}:
            sync_folder(parent)


def _second_name(path: Path) -> Path | None:
    """A hidden name for what is at `path`, or a copy where a file has but one name."""
    if not path.is_file():
        return None
    handle, second = new_part(path.parent, path.suffix)
    os.close(handle)
    second.unlink()
    try:
        second.hardlink_to(path)
    except OSError:
        try:
            shutil.copy2(path, second)
        except BaseException:
            second.unlink(missing_ok=True)
            raise
    return second


def json_text(data: object, indent: int = 1) -> str:
    """Data as our files of JSON have it: letters as they are, every number finite.

    >>> print(json_text({"word": "né"}), end="")
    {
     "word": "né"
    }
    """
    return json.dumps(data, indent=indent, ensure_ascii=False, allow_nan=False) + "\n"


def new_part(folder: Path, suffix: str = "") -> tuple[int, Path]:
    """An open, empty part in a folder: its number and its path."""
    handle, name = tempfile.mkstemp(
        prefix=f"{_MARK}{os.getpid()}-{_HERE}-", suffix=suffix, dir=folder
    )
    return handle, Path(name)


def make_folder(folder: Path) -> None:
    """Make a folder with those above it, each on the disk before what goes into it."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    sync_folder(folder.parent)


def is_part(path: Path) -> bool:
    """Whether a file is one that is being written, or that a kill left half written."""
    return path.name.startswith(_MARK)


def clean_parts(folder: Path) -> None:
    """Take away the parts that ended programs left in a folder and below."""
    _clean(folder.rglob(f"{_MARK}*"))


def _clean(parts: Iterable[Path]) -> None:
    for path in parts:
        left = _LEFT.match(path.name)
        if left and left[2] in (None, _HERE) and not _runs(int(left[1])):
            path.unlink(missing_ok=True)


def sync_folder(folder: Path, sync: Callable[[int], None] = os.fsync) -> None:
    """Bring a folder's list of names to the disk, where the system can."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return  # a system that can't open folders needs no sync of them
    try:
        sync(handle)
    except OSError:
        pass  # some file systems can't sync a folder; the file itself is synced
    finally:
        os.close(handle)


def _sync_file(path: Path) -> None:
    handle = os.open(path, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _runs(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def written_at_once(path: Path, data: bytes, mode: int = 0o600) -> None:
    """Put bytes under a name in one step, not brought to the disk: for what can be made again.

    Whoever ends the program leaves the name as it was; a power cut may leave anything.
    """
    handle, temporary = new_part(path.parent, path.suffix)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        temporary.chmod(mode)
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)
