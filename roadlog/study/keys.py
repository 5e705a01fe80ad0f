"""A key of what a computed table depends on: equal contents have equal keys, all others differ.

In come values of any depth (settings, frames, arrays, facts); out comes a hash of their types and
of every bit that could change a number.
"""

import dataclasses
import datetime as dt
import hashlib
import os
import zoneinfo
from collections.abc import Iterator, Mapping
from enum import Enum
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import PurePath
from typing import Any

import numpy as np
import pandas as pd
from pydantic import BaseModel

# Libraries by whose versions a number read from a log, or a sample, can change.
LIBRARIES = ("gpxpy", "numpy", "pandas", "pyarrow", "pydantic", "pyproj", "scipy", "tzdata")


class NotKeyable(TypeError):
    """A value that has no key; what depends on it is computed each time."""


def key_of(*values: object) -> str:
    """The key of some values together, 40 hexadecimal digits.

    Raises
    ------
    NotKeyable
        If one of them, at any depth, is of a type whose contents aren't known here.

    >>> key_of("a", 1.0) == key_of("a", 1.0), key_of(1) == key_of(1.0), key_of("ab") == key_of("a")
    (True, False, False)
    """
    digest = hashlib.blake2b(digest_size=20)
    for part in _parts(values):
        digest.update(len(part).to_bytes(8, "little"))
        digest.update(part)
    return digest.hexdigest()


@cache
def libraries() -> tuple[tuple[str, str], ...]:
    """Each library of `LIBRARIES` with its version, "" where it isn't installed."""

    def of(name: str) -> str:
        try:
            return version(name)
        except PackageNotFoundError:
            return ""

    return tuple((name, of(name)) for name in LIBRARIES)


@cache
def zone_rules() -> tuple[tuple[str, int, int, int], ...]:
    """Each file that the system's rules of time zones stand in, with its size and its times.

    Governments change them, and systems follow. Where the system has none, `tzdata` has.
    """
    found = []
    for place in zoneinfo.TZPATH:
        for folder, inner, names in os.walk(place):
            inner[:] = sorted(set(inner) - {"posix", "right"})  # the same again, and with leaps
            for name in sorted(names):
                path = os.path.join(folder, name)
                try:
                    at = os.stat(path)
                except OSError:
                    continue
                found.append((path, at.st_size, at.st_mtime_ns, at.st_ctime_ns))
    return tuple(found)


def _parts(value: object) -> Iterator[bytes | memoryview]:
    """What is hashed of a value, its type first."""
    kind = type(value)
    yield f"{kind.__module__}.{kind.__qualname__}".encode()
    if isinstance(value, Enum):
        yield value.name.encode()
    elif kind is str:
        yield str(value).encode("utf-8", "surrogatepass")
    elif value is None or isinstance(value, (bool, int, dt.date, dt.timedelta, dt.tzinfo)):
        yield repr(value).encode()
    elif isinstance(value, (float, np.generic)):
        yield np.asarray(value).tobytes()
    elif isinstance(value, bytes):
        yield value
    elif isinstance(value, PurePath):
        yield str(value).encode("utf-8", "surrogateescape")
    elif isinstance(value, pd.DataFrame):
        yield from _parts_of_frame(value)
    elif isinstance(value, np.ndarray):
        yield from _parts_of_array(value)
    else:
        yield from _parts_within(value)


def _parts_within(value: object) -> Iterator[bytes | memoryview]:
    """The parts of what holds other values; an order that can be seen counts."""
    inner: Any
    if isinstance(value, BaseModel):
        inner = (sorted(value.model_fields_set), *(pair for pair in value))
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        inner = [(f.name, getattr(value, f.name)) for f in dataclasses.fields(value)]
    elif isinstance(value, Mapping):
        inner = list(value.items())
    elif isinstance(value, (set, frozenset)):
        inner = sorted(key_of(v) for v in value)
    elif isinstance(value, (list, tuple)):
        inner = value
    else:
        raise NotKeyable(type(value).__qualname__)
    yield str(len(inner)).encode()
    for each in inner:
        yield from _parts(each)


def _parts_of_array(array: np.ndarray) -> Iterator[bytes | memoryview]:
    yield f"{array.dtype.str} {array.shape}".encode()
    if array.dtype.hasobject:
        yield from _parts(array.tolist())
    else:
        yield np.ascontiguousarray(array).view(np.uint8).data if array.size else b""


def _parts_of_frame(frame: pd.DataFrame) -> Iterator[bytes | memoryview]:
    index = frame.index
    if not isinstance(index, pd.RangeIndex):
        raise NotKeyable(f"a frame by {type(index).__name__}")
    yield f"{index.start} {index.step} {len(index)} {index.name}".encode()
    yield from _parts(dict(frame.attrs))
    if set(frame.dtypes) == {np.dtype(np.float64)}:
        yield from _parts(frame.columns.tolist())
        yield from _parts_of_array(frame.to_numpy().T)
        return
    for name, column in frame.items():
        yield from _parts(name)
        yield str(column.dtype).encode()
        plain = column.dtype.kind in "fiub"
        values = column.to_numpy() if plain else column.to_numpy(dtype=object)
        yield from _parts_of_array(values)
