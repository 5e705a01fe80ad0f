"""Tables computed from a study's logs, kept so that the next analysis needn't compute them again.

In comes a key of all that a table depends on (`roadlog.study.keys`); out comes the table as it was
computed, or nothing. The folder belongs to the user of the machine and not to the study, so it is
never copied, synced or published with one, and may be deleted at any time. Each file's name holds a
code of its contents made with a secret of this folder: one that is cut off, altered, renamed or
from elsewhere is no table, and goes.
"""

import hashlib
import hmac
import json
import os
import re
import secrets
import sys
from collections.abc import Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from roadlog.study.durable import clean_parts, make_folder, written_at_once

PLACE = "ROADLOG_CACHE"  # variable of the environment: where the folder is, "" for nowhere
MOST_BYTES = 2 << 30  # of all studies together; the least lately used go first
MOST_VALUES = 8_000_000  # of one table: a longer one would fill the memory to be kept
_SECRET, _TABLES, _ENDING = "roadlog-secret", "tables", ".parquet"
# What is ours in the folder; nothing else in it is ever touched.
_FOLDER, _FILE = re.compile(r"[0-9a-f]{64}"), re.compile(r"[0-9a-f]{40}-[0-9a-f]{40}\.parquet")
_KEPT_DTYPES = ("float64", "int64", "bool")


@dataclass(frozen=True)
class Kept:
    """A table with what goes with it: `told` is anything that JSON holds exactly."""

    frame: pd.DataFrame
    told: Any = None


def place_of_tables() -> Path | None:
    """Where computed tables are kept on this machine; None for nowhere.

    `$ROADLOG_CACHE`, else what the system has for files that can be made again.
    """
    if PLACE in os.environ:
        return Path(os.environ[PLACE]) if os.environ[PLACE] else None
    try:
        home = Path.home()
    except RuntimeError:
        return None
    if sys.platform == "darwin":
        return home / "Library" / "Caches" / "roadlog"
    named = os.environ.get("LOCALAPPDATA" if sys.platform == "win32" else "XDG_CACHE_HOME")
    return (Path(named) if named else home / ".cache") / "roadlog"


class Computed:
    """The tables of one study.

    A table that can't be read counts as never kept. Where one can't be written (a full disk, a
    folder that is read-only) no more are tried, and `failed` says why.
    """

    def __init__(self, place: Path, study: str) -> None:
        self.place = place
        self.folder = place / _TABLES / hashlib.sha256(study.encode(errors="replace")).hexdigest()
        self.failed = ""
        self._used: set[str] = set()
        self._secret = b""
        try:
            make_folder(place)
            self._secret = _secret_of(place)
            make_folder(self.folder)
            os.utime(self.folder)
        except OSError as e:
            self.failed = e.strerror or str(e)
        self._names = self._listed()

    def find(self, key: str) -> Kept | None:
        """The table of this key, or None where none is kept whole."""
        name = self._names.get(key)
        if name is None or not self._secret:
            return None
        path = self.folder / name
        try:
            data = path.read_bytes()
            if not hmac.compare_digest(name, self._name(key, data)):
                raise ValueError(name)
            kept = _read(data)
        except FileNotFoundError:
            return None
        except Exception:  # whatever is wrong with a file of the cache, it is no table
            with suppress(OSError):
                path.unlink()
            return None
        self._used.add(name)
        return kept

    def keep(self, key: str, kept: Kept) -> None:
        """Keep a table, where its values are of a kind that comes back as it was."""
        if self.failed or not _keepable(kept.frame):
            return
        try:
            told = json.dumps(kept.told)
        except (TypeError, ValueError):
            return
        data = _written(kept.frame, told)
        name = self._name(key, data)
        try:
            written_at_once(self.folder / name, data)
        except OSError as e:
            self.failed = e.strerror or str(e)
            return
        self._names[key] = name
        self._used.add(name)

    @property
    def used(self) -> frozenset[str]:
        """Names of the files found or kept so far."""
        return frozenset(self._used)

    def learn(self, used: Collection[str], failed: str) -> None:
        """Note what another process found or kept of the same tables, and why it had to stop."""
        self._used.update(used)
        self._names.update((name.partition("-")[0], name) for name in used)
        self.failed = self.failed or failed

    def tidy(self) -> None:
        """Let go of what this analysis neither found nor kept, and of what a kill left behind.

        Of other studies those go first that were used longest ago, down to `MOST_BYTES`.
        """
        sizes: dict[Path, int] = {}
        others: list[tuple[float, Path]] = []
        with suppress(OSError):
            clean_parts(self.folder)
            _let_go(self.folder, self._used)
            for folder in (self.place / _TABLES).iterdir():
                if _FOLDER.fullmatch(folder.name):
                    sizes[folder] = _size(folder)
                    if folder != self.folder:
                        others.append((folder.stat().st_mtime, folder))
        for _, gone in sorted(others):
            if sum(sizes.values()) <= MOST_BYTES:
                break
            del sizes[gone]
            with suppress(OSError):  # one that holds something else stays, without our tables
                clean_parts(gone)
                _let_go(gone)
                gone.rmdir()

    def _listed(self) -> dict[str, str]:
        """Names of the files by the key that they start with."""
        try:
            names = sorted(p.name for p in self.folder.iterdir())
        except OSError:
            return {}
        return {n.partition("-")[0]: n for n in names if _FILE.fullmatch(n)}

    def _name(self, key: str, data: bytes) -> str:
        code = hashlib.blake2b(key.encode() + data, key=self._secret, digest_size=20)
        return f"{key}-{code.hexdigest()}{_ENDING}"


def _secret_of(place: Path) -> bytes:
    """The folder's secret, drawn when it is first asked for; its owner alone reads it."""
    path = place / _SECRET
    for _ in range(2):
        with suppress(FileNotFoundError):
            held = path.read_bytes()
            if len(held) == 32:
                return held
        written_at_once(path, secrets.token_bytes(32), mode=0o600)
    raise OSError("the secret of the computed tables can't be kept")


def _keepable(frame: pd.DataFrame) -> bool:
    return (
        frame.size <= MOST_VALUES
        and isinstance(frame.index, pd.RangeIndex)
        and frame.index.equals(pd.RangeIndex(len(frame)))
        and frame.index.name is None
        and not frame.attrs
        and all(isinstance(name, str) for name in frame.columns)
        and frame.columns.is_unique
        and frame.columns.name is None
        and all(str(dtype) in _KEPT_DTYPES for dtype in set(frame.dtypes))
    )


def _written(frame: pd.DataFrame, told: str) -> bytes:
    """A table as Parquet, NaN as NaN and not as nothing."""
    arrays = _arrays(frame)
    metadata = {b"told": told.encode(), b"rows": str(len(frame)).encode()}
    table = pa.table(arrays, names=list(frame.columns), metadata=metadata)
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="lz4", use_dictionary=False, write_statistics=False)
    return bytes(sink.getvalue())


def _arrays(frame: pd.DataFrame) -> list[pa.Array]:
    if set(frame.dtypes) != {np.dtype(np.float64)}:
        return [pa.array(frame[name].to_numpy(), from_pandas=False) for name in frame.columns]
    rows = np.ascontiguousarray(frame.to_numpy().T)
    kind, length = pa.float64(), len(frame)
    return [pa.Array.from_buffers(kind, length, [None, pa.py_buffer(row)]) for row in rows]


def _read(data: bytes) -> Kept:
    with pq.ParquetFile(pa.BufferReader(data)) as file:
        table = file.read(use_threads=False)
    metadata: Mapping[bytes, bytes] = table.schema.metadata
    columns = {
        name: column.to_numpy().copy()
        for name, column in zip(table.column_names, table.columns, strict=True)
    }
    frame = pd.DataFrame(columns, index=pd.RangeIndex(int(metadata[b"rows"])))
    return Kept(frame, json.loads(metadata[b"told"]))


def _let_go(folder: Path, used: Collection[str] = ()) -> None:
    """Take away the tables of a folder that aren't among those used."""
    for path in folder.iterdir():
        if path.name not in used and _FILE.fullmatch(path.name):
            path.unlink(missing_ok=True)


def _size(folder: Path) -> int:
    """Of the tables in a folder."""
    ours = [p for p in folder.iterdir() if _FILE.fullmatch(p.name)] if folder.is_dir() else []
    return sum(p.stat().st_size for p in ours)
