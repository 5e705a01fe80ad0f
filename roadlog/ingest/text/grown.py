"""Columns that grow piece by piece into one array each, where a text is larger than memory holds.

In come the tables of a text's pieces; out comes the whole table, its numbers in one buffer a
column, which is reserved once by the first piece's length and is as large as the rows need. Part of
the ingest stage.
"""

from collections.abc import Mapping

import numpy as np
import pyarrow as pa

from roadlog.ingest.text.source import MAX_IN_MEMORY
from roadlog.quantities.arrays import Floats

_SPARE = 1.1  # of the rows that the pieces so far promise: only what is written takes memory


class Grown:
    """The columns of a text of `size` bytes; float64 with NaN for null, other types as they are."""

    def __init__(self, types: Mapping[str, pa.DataType], size: int) -> None:
        self._types, self._size = types, size
        self._rows = 0
        self._numbers: dict[str, Floats] = {
            n: np.empty(0) for n, t in types.items() if pa.types.is_float64(t)
        }
        self._others: dict[str, list[pa.Array]] = {n: [] for n in types if n not in self._numbers}

    def add(self, part: pa.Table, done: int) -> None:
        """Append a piece; `done` bytes of the text are read with it."""
        end = self._rows + len(part)
        for name, held in self._numbers.items():
            if end > len(held):
                wanted = int(_SPARE * end * max(1.0, self._size / done)) + 1
                self._numbers[name] = np.empty(wanted)
                self._numbers[name][: self._rows] = held[: self._rows]
            at = self._rows
            for chunk in part[name].chunks:
                self._numbers[name][at : at + len(chunk)] = chunk.to_numpy(zero_copy_only=False)
                at += len(chunk)
        for name, chunks in self._others.items():
            chunks.extend(part[name].chunks)
        self._rows = end

    def table(self) -> pa.Table:
        """All pieces together."""
        if self._size > MAX_IN_MEMORY:
            pa.default_memory_pool().release_unused()
        columns = {}
        for name, kind in self._types.items():
            if name in self._numbers:
                buffer = pa.py_buffer(self._numbers[name][: self._rows])
                whole = pa.Array.from_buffers(kind, self._rows, [None, buffer])
                columns[name] = pa.chunked_array([whole])
            else:
                columns[name] = pa.chunked_array(self._others[name], kind)
        return pa.table(columns)
