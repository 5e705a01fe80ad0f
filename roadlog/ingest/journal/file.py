"""The journal of a run: append-only, flushed twice a second, on the disk every five seconds.

In come entries, out comes one file a run, made of parts: each start of the recorder within the run
begins a new one. Whatever byte the power fails at, what was flushed before stays readable, and what
was synced before survives the loss of power itself.
"""

import errno
import json
import os
import threading
from collections.abc import Callable, Mapping
from pathlib import Path

from roadlog.ingest.journal.lines import FORMAT, Entry, Kind, decode, encode
from roadlog.study.durable import sync_folder

FLUSH_S = 0.5
SYNC_S = 5.0
_TAIL_BYTES = 1 << 18  # some minutes


class Journal:
    """An open journal; one thread adds, a second one syncs, so that a slow disk delays no reading.

    Parameters
    ----------
    path : Path
        Made if it isn't there; else a new part is appended to it.
    header : mapping
        What the part says of itself: boot id, wall clock, arm, vehicle ...
    t_s : float
        Seconds since boot [s].
    sync : callable
        `os.fsync`, or a test's stand-in.

    Raises
    ------
    OSError
        From any method, if the file can't be written (disk full, card gone).
    """

    def __init__(
        self,
        path: Path,
        header: Mapping[str, object],
        t_s: float,
        *,
        sync: Callable[[int], None] = os.fsync,
    ) -> None:
        self.path = path
        self._sync = sync
        self._pending = bytearray()
        self._flushed_s = t_s
        self._dirty = threading.Event()
        self._closing = threading.Event()
        self._failure: OSError | None = None
        before = last_line(path)
        self.number = 0 if before is None else before.number + 1
        part = 1 if before is None else _parts(path) + 1
        path.parent.mkdir(parents=True, exist_ok=True)
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        if os.fstat(self._file).st_size:
            self._pending += b"\n"  # ends a line that the last part left torn
        self.add("part", t_s, json.dumps({"format": FORMAT, "part": part, **header}))
        self.flush(t_s)
        self._sync(self._file)
        sync_folder(path.parent, sync)
        self._syncer = threading.Thread(target=self._keep_synced, name="journal-sync", daemon=True)
        self._syncer.start()

    def add(self, kind: Kind, t_s: float, text: str) -> int:
        """Append an entry; return its number. It is committed once `flush` has returned."""
        self._pending += encode(self.number, t_s, kind, text)
        self.number += 1
        return self.number - 1

    def flush_if_due(self, t_s: float) -> bool:
        """Hand the pending entries to the system if the last time is half a second ago."""
        if not self._pending or t_s - self._flushed_s < FLUSH_S:
            return False
        self.flush(t_s)
        return True

    def flush(self, t_s: float) -> None:
        """Hand the pending entries to the system: no end of this process loses them any more."""
        if self._failure is not None:
            raise self._failure
        while self._pending:
            try:
                written = os.write(self._file, self._pending)
            except OSError as e:
                e.filename = str(self.path)
                raise
            del self._pending[:written]
        self._flushed_s = t_s
        self._dirty.set()

    def close(self, t_s: float) -> None:
        """Flush, sync, close."""
        try:
            self.flush(t_s)
        finally:
            self._closing.set()
            self._dirty.set()
            self._syncer.join()
            try:
                self._sync(self._file)
            finally:
                os.close(self._file)

    def _keep_synced(self) -> None:
        while not self._closing.wait(SYNC_S):
            if self._dirty.is_set():
                self._dirty.clear()
                try:
                    self._sync(self._file)
                except OSError as e:
                    e.filename = str(self.path)
                    self._failure = e
                    return
                except Exception as e:  # the run must learn that nothing reaches the disk any more
                    self._failure = OSError(errno.EIO, f"syncing ended ({type(e).__name__})")
                    return


def last_line(path: Path) -> Entry | None:
    """The last whole line of a journal, None if there is none."""
    return next((line for raw in reversed(tail(path)) if (line := decode(raw))), None)


def first_header(path: Path) -> dict[str, object] | None:
    """What the first part of a journal says of itself, None if the file is no journal."""
    try:
        with path.open("rb") as f:
            head = f.read(_TAIL_BYTES)
    except OSError:
        return None
    for raw in head.split(b"\n"):
        line = decode(raw)
        if line is not None and line.kind == "part":
            return header_of(line)
    return None


def header_of(line: Entry) -> dict[str, object]:
    """The header that a `part` line holds ({} if it is of an unknown format)."""
    try:
        header = json.loads(line.text)
    except ValueError:
        return {}
    return header if isinstance(header, dict) and header.get("format") == FORMAT else {}


def tail(path: Path) -> list[bytes]:
    """The last lines of a journal, the first of them perhaps cut; none if there is no file."""
    try:
        with path.open("rb") as f:
            f.seek(0, os.SEEK_END)
            f.seek(max(0, f.tell() - _TAIL_BYTES))
            return f.read().split(b"\n")
    except FileNotFoundError:
        return []


def _parts(path: Path) -> int:
    with path.open("rb") as f:
        return sum(1 for raw in f if b" part {" in raw and decode(raw.rstrip(b"\n")))
