"""One writer at a time: a lock on a folder that the system takes back when its holder ends.

Commands and the bench hold it while they write into a study. It is the system's own lock on an
open file, so a crash or a power cut leaves nothing to clear away.
"""

import contextlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from roadlog.errors import InputError

LOCK = ".roadlog.lock"


@contextmanager
def one_writer(folder: Path, what: str) -> Iterator[None]:
    """Hold the lock of a study's folder.

    Parameters
    ----------
    folder : Path
        There already; one that can't be written to is left to whoever writes.
    what : str
        What is being done, for whoever has to wait ("the analysis").

    Raises
    ------
    InputError
        If another process holds it.
    """
    try:
        handle = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    except OSError:
        yield
        return
    try:
        if not _take(handle):
            holder = os.read(handle, 200).decode(errors="replace").strip() or "another program"
            raise InputError(f"{folder}: {holder} is writing here: wait until that is done")
        os.ftruncate(handle, 0)
        os.pwrite(handle, what.encode(), 0)
        yield
    finally:
        os.close(handle)


def is_held(path: Path) -> bool:
    """Whether a living process holds the lock on a file."""
    try:
        handle = os.open(path, os.O_RDWR)
    except OSError:
        return False
    try:
        return not _take(handle)
    finally:
        os.close(handle)


def hold(path: Path) -> int:
    """Lock a file for as long as this process lives; the open file's number."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    os.set_inheritable(handle, False)
    if not _take(handle):
        os.close(handle)
        raise InputError(f"{path}: another process holds it")
    return handle


def _take(handle: int) -> bool:
    """Lock an open file if nobody else has; the system gives it back when the file is closed."""
    if os.name == "nt":
        import msvcrt

        with contextlib.suppress(OSError):
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
            return True
        return False
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
