"""What a fleet's work keeps on disk: samples by content, pass tables by vehicle and month.

Frames go in with a key, and come back under it. Every file is written under a temporary name and
renamed, so that whatever is killed leaves whole files or none.
"""

import contextlib
import json
import os
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache, partial
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from roadlog.errors import InputError
from roadlog.quantities.columns import Array, Columns, joined
from roadlog.study.durable import atomic_write, json_text, write_files
from roadlog.study.keys import key_of, libraries, zone_rules
from roadlog.study.own_code import code_sha256, replaced

PIECE = "piece"  # number of the run that a sample is of
TOLD = b"roadlog"  # what a table of samples tells of its runs, in the file's metadata
UNDATED = "undated"


def keyed(*parts: object) -> str:
    """A name for what comes of these parts with this state of the code and what it rests on."""
    return key_of(_state(), *parts)


@cache
def _state() -> str:
    """Code, libraries and zones' rules; of a program whose code was replaced, which nothing tells,
    a state that no other program has."""
    own = os.urandom(16).hex() if replaced() else ""
    return key_of(code_sha256(), libraries(), zone_rules(), own)


def samples_file(work: Path, key: str) -> Path:
    """Where the samples of one task lie."""
    return work / "samples" / key[:2] / f"{key}.parquet"


def write_samples(path: Path, runs: Sequence[Columns], told: Mapping[str, Any]) -> None:
    """Keep the samples of a task's runs, and what is told of them."""
    names = list(dict.fromkeys(name for run in runs for name in run.columns))
    every = joined(runs, names)
    piece = np.repeat(np.arange(len(runs), dtype=np.int32), [len(run) for run in runs])
    table = pa.table({**{n: every.floats(n) for n in names}, PIECE: piece})
    table = table.replace_schema_metadata({TOLD: json.dumps(told).encode()})
    # readings on a time base hardly repeat: bytes of like weight side by side are smaller, quicker
    write = partial(
        pq.write_table, table, compression="zstd", use_dictionary=[PIECE],
        use_byte_stream_split=names,
    )  # fmt: skip
    atomic_write(path, write)


def read_told(path: Path) -> dict[str, Any] | None:
    """What is told of the samples in a file; None where there is no such file, or no whole one."""
    try:
        meta = pq.read_schema(path).metadata or {}
        told: dict[str, Any] = json.loads(meta[TOLD])
    except (OSError, pa.ArrowInvalid, KeyError, ValueError):
        return None
    return told


def read_pieces(path: Path, pieces: Mapping[int, Sequence[str]]) -> dict[int, Columns]:
    """Samples of some runs of a task, each with the columns that its log had."""
    with pq.ParquetFile(path) as file:
        table = file.read(use_threads=False)
    every = dict(zip(table.column_names, map(_array, table.columns), strict=True))
    found = {}
    for piece, columns in pieces.items():
        first, end = np.searchsorted(every[PIECE], (piece, piece + 1)).tolist()
        own = {name: every[name][first:end] for name in columns}
        found[piece] = Columns(own, end - first)
    return found


def _array(column: pa.ChunkedArray) -> Array:
    array: Array = column.combine_chunks().to_numpy(zero_copy_only=False)
    return array


class Packed:
    """Plain dictionaries held as compressed text, for what is there for each of many vehicles.

    >>> list(Packed([{"id": "A01", "km": 1.25}]))
    [{'id': 'A01', 'km': 1.25}]
    """

    def __init__(self, items: Sequence[Mapping[str, Any]]) -> None:
        self.text = zlib.compress(json.dumps(list(items)).encode(), 1)

    def __iter__(self) -> Iterator[Mapping[str, Any]]:
        yield from json.loads(zlib.decompress(self.text))


def vehicle_folder(root: Path, vehicle: str) -> Path:
    """Where a table keeps a vehicle: its name with everything odd in it escaped."""
    return root / f"vehicle={quote(vehicle, safe='')}"


def write_partitions(root: Path, table: pd.DataFrame, vehicle: str, key: str) -> list[str]:
    """Write a vehicle's rows by the month of their `run_start`; the files, relative to `root`.

    Rows without a date are in `month=undated`.
    """
    start = pd.to_datetime(table["run_start"])
    month = start.dt.strftime("%Y-%m").where(start.notna(), UNDATED)
    files = []
    for name, rows in table.groupby(month, sort=True):
        path = vehicle_folder(root, vehicle) / f"month={name}" / f"{key}.parquet"
        whole = pa.Table.from_pandas(rows, preserve_index=False)
        atomic_write(path, partial(pq.write_table, whole, compression="zstd"))
        files.append(path.relative_to(root).as_posix())
    return files


def remove(path: Path) -> None:
    """Take away a file that is damaged."""
    path.unlink(missing_ok=True)


def remove_others(root: Path, vehicle: str, keep: set[str]) -> None:
    """Take away a vehicle's files of earlier settings."""
    for path in vehicle_folder(root, vehicle).rglob("*.parquet"):
        if path.relative_to(root).as_posix() not in keep:
            path.unlink(missing_ok=True)


def remove_strangers(root: Path, vehicles: Iterable[str]) -> None:
    """Take away the tables of vehicles that aren't of the fleet any more."""
    known = {vehicle_folder(root, v).name for v in vehicles}
    for folder in root.glob("vehicle=*"):
        if folder.name not in known:
            for path in folder.rglob("*.parquet"):
                path.unlink(missing_ok=True)
            for part in (*folder.glob("month=*"), folder):
                with contextlib.suppress(OSError):  # something of somebody else's lies in it
                    part.rmdir()


def read_partitions(root: Path, files: list[str], vehicle: str) -> pd.DataFrame:
    """A vehicle's rows again, in their order, with the column `vehicle`.

    Raises
    ------
    InputError
        If a file was damaged: it goes, so that the next run makes it anew.
    """
    parts = []
    for f in files:
        try:
            parts.append(pq.ParquetFile(root / f).read().to_pandas())
        except (pa.ArrowException, OSError) as e:
            if isinstance(e, OSError) and e.errno is not None:
                raise
            remove(root / f)
            raise InputError(f"{root / f} was damaged and is taken away: run it again") from e
    table: pd.DataFrame = pd.concat(parts, ignore_index=True)
    table = table.sort_values(["run", "row"], kind="stable", ignore_index=True).drop(columns="row")
    return table.assign(vehicle=vehicle)


def write_json(path: Path, data: object) -> None:
    """One file of JSON, whole or not at all."""
    write_files(path.parent, {path.name: json_text(data).encode("utf-8")})


def read_json(path: Path) -> dict[str, Any] | None:
    """What a file holds; None where there is no whole one."""
    try:
        data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return data
