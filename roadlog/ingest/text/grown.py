"""Columns that grow piece by piece into one array each, where a text is larger than memory holds.

In come the tables of a text's pieces; out comes the whole table, its numbers in one buffer a
column, which is reserved once by the first piece's length and is as large as the rows need. Part of
the ingest stage.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from roadlog.ingest import shelf
from roadlog.ingest.text.source import MAX_IN_MEMORY

_MOST_IN_MEMORY = 1 << 27
_LANES = {
    pa.float64(): np.float64,
    pa.timestamp("ns"): np.int64,
    pa.timestamp("ns", "UTC"): np.int64,
}
_SPARE = 1.1  # of the rows that the pieces so far promise: only what is written takes memory


def taken(table: pa.Table, rows: NDArray[np.int64]) -> pa.Table:
    """These rows of a table, in order; numbers stay where they can be many."""
    columns = {}
    for name in table.column_names:
        column = table[name]
        if pa.types.is_string(column.type) and len(rows) >= shelf.LARGE_ROWS:
            columns[name] = _texts_taken(column, rows)
        elif pa.types.is_float64(column.type) and column.num_chunks == 1 and not column.null_count:
            values = shelf.taken(column.chunk(0).to_numpy(), rows)
            held = [None, pa.py_buffer(values)]
            whole = pa.Array.from_buffers(pa.float64(), len(rows), held)
            columns[name] = pa.chunked_array([whole])
        else:
            columns[name] = column.take(pa.array(rows))
    return pa.table(columns)


def _texts_taken(column: pa.ChunkedArray, rows: NDArray[np.int64]) -> pa.ChunkedArray:
    """These rows, in ascending order, of texts that are many."""
    found, before = [], 0
    for chunk in column.chunks:
        inside = rows[np.searchsorted(rows, before) : np.searchsorted(rows, before + len(chunk))]
        found.append(shelf.shelved(chunk.take(pa.array(inside - before))))
        before += len(chunk)
        shelf.rest()
    return pa.chunked_array(found, column.type)


class Grown:
    """The columns of a text of `size` bytes; float64 with NaN for null, other types as they are."""

    def __init__(self, types: Mapping[str, pa.DataType], size: int) -> None:
        self._types, self._size = types, size
        self._rows, self._large = 0, False
        self._numbers: dict[str, NDArray[Any]] = {
            n: np.empty(0, _LANES[t]) for n, t in types.items() if t in _LANES
        }
        self._blank: dict[str, NDArray[np.bool_]] = {}
        self._others: dict[str, list[pa.Array]] = {n: [] for n in types if n not in self._numbers}

    def add(self, part: pa.Table, done: int) -> None:
        """Append a piece; `done` bytes of the text are read with it."""
        end = self._rows + len(part)
        wanted = int(_SPARE * end * max(1.0, self._size / done)) + 1
        self._large = self._large or 8 * wanted * len(self._types) > _MOST_IN_MEMORY
        for name, held in self._numbers.items():
            if end > len(held):
                grown = (shelf.empty if self._large else np.empty)(wanted, held.dtype)
                for some in shelf.parts(self._rows):
                    grown[some] = held[some]
                self._numbers[name] = grown
            self._put(name, part[name])
        for name, chunks in self._others.items():
            if self._large and pa.types.is_string(part[name].type):
                chunks.append(shelf.shelved(part[name].combine_chunks()))
            else:
                chunks.extend(part[name].chunks)
        self._rows = end
        if self._large:
            shelf.rest()

    def _put(self, name: str, column: pa.ChunkedArray) -> None:
        """Write a piece of a column behind what there is of it."""
        held, at = self._numbers[name], self._rows
        stamps = held.dtype == np.int64
        if stamps and (column.null_count or name in self._blank):
            before = self._blank.get(name, np.zeros(0, bool))
            blank = np.zeros(len(held), bool)
            blank[: len(before)] = before
            blank[at : at + len(column)] = column.is_null().to_numpy()
            self._blank[name] = blank
        for chunk in column.chunks:
            if stamps:
                chunk = chunk.cast(pa.int64()).fill_null(0)
            held[at : at + len(chunk)] = chunk.to_numpy(zero_copy_only=False)
            at += len(chunk)

    def table(self) -> pa.Table:
        """All pieces together."""
        if self._size > MAX_IN_MEMORY:
            pa.default_memory_pool().release_unused()
        columns: dict[str, pa.ChunkedArray] = {}
        for name, kind in self._types.items():
            if name in self._numbers:
                held = self._numbers[name][: self._rows]
                blank = self._blank.get(name, np.zeros(0, bool))[: self._rows]
                valid = pa.py_buffer(np.packbits(~blank, bitorder="little")) if len(blank) else None
                whole = pa.Array.from_buffers(kind, self._rows, [valid, pa.py_buffer(held)])
                one = pa.types.is_float64(kind)
                columns[name] = pa.chunked_array(
                    [whole] if one else [whole[p] for p in shelf.parts(self._rows)], kind
                )
            else:
                columns[name] = pa.chunked_array(self._others[name], kind)
        return pa.table(columns)
