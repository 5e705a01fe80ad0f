"""Columns that are larger together than memory is meant to hold: on files without a name.

A log of 1 GB has more numbers than half of that memory. Its columns are float64 all the same, to
the last bit, but lie in mapped temporary files: what isn't worked on needn't be in memory. `rest`
puts them back on the shelf, `parts` works through them piece by piece. Part of the ingest stage.
"""

import errno
import mmap
import os
import tempfile
from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any
from weakref import WeakSet

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import DTypeLike, NDArray

from roadlog.errors import InputError
from roadlog.quantities import arrays
from roadlog.quantities.arrays import Bools, Floats
from roadlog.quantities.columns import Columns, columns_of, frame_of

LARGE_ROWS = 1 << 20
_SOME_STEPS, _ABOUT_HALF = 4001, (0.46, 0.54)
FEW_ROWS = 100_000  # of more rows no second copy of all columns is made
_shelved: WeakSet[mmap.mmap] = WeakSet()


def empty(rows: int, dtype: DTypeLike = np.float64) -> NDArray[Any]:
    """An array on the shelf, of any value; it goes when nobody holds it any more.

    >>> column = empty(3)
    >>> column[:] = 1.5, 2.5, np.nan
    >>> rest()
    >>> column.tolist()
    [1.5, 2.5, nan]
    """
    size = max(1, rows * np.dtype(dtype).itemsize)
    with tempfile.TemporaryFile() as file:
        _reserve(file.fileno(), size)
        held = mmap.mmap(file.fileno(), size)
    _shelved.add(held)
    return np.frombuffer(held, dtype, rows)


def _reserve(file: int, size: int) -> None:
    """Give a file its room at once: where a disk fills later, writing to a map ends the program.

    Raises
    ------
    InputError
        If there is none.
    """
    try:
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(file, 0, size)
        else:
            os.ftruncate(file, size)
    except OSError as e:
        if e.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            os.ftruncate(file, size)  # a file system that reserves nothing
            return
        raise InputError(
            f"{tempfile.gettempdir()} has no room for the columns of a log that is too large for "
            f"memory ({size / 1e6:,.0f} MB more): free some, or let TMPDIR name another folder"
        ) from e


def space(rows: int) -> Floats:
    """Room for so many float64: on the shelf if they are many."""
    return np.empty(rows) if rows < LARGE_ROWS else empty(rows)


def framed(columns: Mapping[str, Floats]) -> pd.DataFrame:
    """A frame of columns: of few rows in one block, which is quick to make and to take apart."""
    rows = len(next(iter(columns.values())))
    if rows < FEW_ROWS:
        return frame_of(Columns(columns, rows))
    return pd.DataFrame(columns, copy=False)


def told(frame: pd.DataFrame) -> Columns:
    """The columns of a log; of a long one each when it is asked for, to spare memory."""
    if len(frame) < FEW_ROWS:
        block = frame.to_numpy()
        if block.dtype == np.float64:
            return Columns(dict(zip(map(str, frame.columns), block.T, strict=True)), len(frame))
        return columns_of(frame)
    return Columns(dict.fromkeys(map(str, frame.columns)), len(frame), frame)


def whole_numbers(rows: int, dtype: DTypeLike = np.intp) -> NDArray[Any]:
    """Room for so many whole numbers: on the shelf if they are many."""
    return np.empty(rows, dtype) if rows < LARGE_ROWS else empty(rows, dtype)


def rest() -> None:
    """Take all shelves' pages out of this process's memory; what they hold stays."""
    if _shelved and hasattr(mmap, "MADV_DONTNEED"):  # else the system has its own way to make room
        for held in list(_shelved):
            held.madvise(mmap.MADV_DONTNEED)


def kept(values: Floats) -> Floats:
    """The values, on the shelf if they are many."""
    return values if len(values) < LARGE_ROWS or _lies_there(values) else copied(values)


def copied(values: Floats) -> Floats:
    """A copy, on the shelf if the values are many."""
    out = space(len(values))
    for part in parts(len(values)):
        out[part] = values[part]
    return out


def shelved(cells: pa.Array) -> pa.Array:
    """An array of texts whose letters lie on the shelf."""
    held = [None if b is None else memoryview(b) for b in cells.buffers()]
    place, at = empty(sum(-(-len(b) // 64) * 64 for b in held if b is not None), np.uint8), 0
    buffers: list[pa.Buffer | None] = []
    for b in held:
        if b is None:
            buffers.append(None)
            continue
        own = place[at : at + len(b)]
        own[:] = np.frombuffer(b, np.uint8)
        buffers.append(pa.py_buffer(own))
        at += -(-len(b) // 64) * 64
    return pa.Array.from_buffers(cells.type, len(cells), buffers, cells.null_count, cells.offset)


def parts(rows: int) -> Iterator[slice]:
    """Equal parts of so many rows, none large; after each the shelves are put to rest."""
    if rows <= LARGE_ROWS:
        yield slice(0, rows)
        return
    edges = np.linspace(0, rows, -(-rows // LARGE_ROWS) + 1).astype(int)
    for a, b in pairwise(edges.tolist()):
        yield slice(a, b)
        rest()


def summed(steps: Floats) -> Floats:
    """`numpy.cumsum` behind a leading 0, to the last bit, in parts; `steps` may be overwritten."""
    if len(steps) < LARGE_ROWS:
        return np.concatenate([[0.0], np.cumsum(steps)])
    out = empty(len(steps) + 1)
    out[0] = 0.0
    for part in parts(len(steps)):
        steps[part.start] += out[part.start]
        np.cumsum(steps[part], out=out[part.start + 1 : part.stop + 1])
    return out


def where(there: Bools, values: Floats) -> Floats:
    """`values[there]`, on the shelf if they are many; the values themselves if all are there."""
    if len(values) < LARGE_ROWS:
        return values[there]
    if there.all():
        return values
    out, at = empty(int(np.count_nonzero(there))), 0
    for part in parts(len(values)):
        some = values[part][there[part]]
        out[at : at + len(some)] = some
        at += len(some)
    return out


def taken(values: Floats, rows: NDArray[np.int64]) -> Floats:
    """`values[rows]`, on the shelf if they are many."""
    if len(rows) < LARGE_ROWS:
        return values[rows]
    out = empty(len(rows))
    for part in parts(len(rows)):
        out[part] = values[rows[part]]
    return out


def finite(values: Floats) -> Bools:
    """`numpy.isfinite`, in parts."""
    out = np.empty(len(values), bool)
    for part in parts(len(values)):
        np.isfinite(values[part], out=out[part])
    return out


def span(values: Floats) -> tuple[float, float]:
    """The least and the greatest of the values that are numbers, in parts; NaN without any."""
    least = most = np.nan
    for part in parts(len(values)):
        least = float(np.fmin.reduce(values[part], initial=least))
        most = float(np.fmax.reduce(values[part], initial=most))
    return least, most


def steps_of(t: Floats) -> Floats:
    """`numpy.diff`, on the shelf if they are many."""
    steps = space(max(0, len(t) - 1))
    for part in parts(len(steps)):
        np.subtract(t[part.start + 1 : part.stop + 1], t[part], out=steps[part])
    return steps


def median_step(t: Floats) -> float:
    """`roadlog.quantities.arrays.median_step`, the steps on the shelf if they are many."""
    if len(t) < LARGE_ROWS:
        return arrays.median_step(t)
    found = _near_middle(t)
    if found is None:
        steps, half = steps_of(t), (len(t) - 1) // 2
        steps.partition(half)
        found = float(steps[half] if len(steps) % 2 else steps[:half].max()), float(steps[half])
    rest()
    return (found[0] + found[1]) / 2


def _near_middle(t: Floats) -> tuple[float, float] | None:
    """The two middle steps, sought among those near the middle of some; None if they lie beyond."""
    n = len(t) - 1
    at = np.linspace(0, n - 1, _SOME_STEPS).astype(int)
    low, high = np.quantile(t[at + 1] - t[at], _ABOUT_HALF)
    below = at_low = at_high = 0
    between = []
    for part in parts(n):
        steps = t[part.start + 1 : part.stop + 1] - t[part]
        below += int(np.count_nonzero(steps < low))
        at_low += int(np.count_nonzero(steps == low))
        at_high += int(np.count_nonzero(steps == high)) * int(high > low)
        between.append(steps[(steps > low) & (steps < high)])
    inside = np.sort(np.concatenate(between))

    def ranked(rank: int) -> float:
        if rank < at_low:
            return float(low)
        return float(inside[rank - at_low] if rank - at_low < len(inside) else high)

    first, last = (n - 1) // 2 - below, n // 2 - below
    if first < 0 or last >= at_low + len(inside) + at_high:
        return None
    return ranked(first), ranked(last)


def wider(t: Floats, limit: float) -> NDArray[np.intp]:
    """Where the step to the next time is more than that, in parts."""
    found = [
        np.flatnonzero(t[part.start + 1 : part.stop + 1] - t[part] > limit) + part.start
        for part in parts(max(0, len(t) - 1))
    ]
    return found[0] if len(found) == 1 else np.concatenate(found)


def interp(at: Floats, t: Floats, v: Floats) -> Floats:
    """`numpy.interp` at non-decreasing times, in parts of the readings' length."""
    if len(t) < LARGE_ROWS:
        return np.interp(at, t, v)
    out = np.empty(len(at))
    cuts = np.linspace(0, len(at), -(-len(t) // LARGE_ROWS) + 1).astype(int)
    for a, b in pairwise(cuts.tolist()):
        if b > a:  # only the readings about these: numpy copies what it may not write to
            low, high = np.searchsorted(t, (at[a], at[b - 1]))
            near = slice(max(int(low) - 1, 0), int(high) + 1)
            out[a:b] = np.interp(at[a:b], t[near], v[near])
        rest()
    return out


def _lies_there(values: Floats) -> bool:
    at = values.__array_interface__["data"][0]
    return any(start <= at < start + size for start, size in map(_place, list(_shelved)))


def _place(held: mmap.mmap) -> tuple[int, int]:
    return np.frombuffer(held, np.uint8).__array_interface__["data"][0], len(held)
