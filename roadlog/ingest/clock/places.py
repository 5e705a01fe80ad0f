"""Dates and times that all have their digits in the same places: fields cut out without a search.

In comes a column's texts and the pattern of its form; out come the pattern's groups as
`pyarrow.compute.extract_regex` would give them, or None where cells aren't laid out alike. Part of
the ingest stage.
"""

import re

import numpy as np
import pyarrow as pa

_BY_VALUE = "(?:19|20)"  # in a pattern: what it matches hangs on which digits there are
_DIGITS = np.isin(np.arange(256), list(b"0123456789"))


def groups_by_place(cells: pa.Array, pattern: str) -> pa.StructArray | None:
    """The groups that a pattern finds in each cell, by where they are in the first.

    >>> cells = pa.array(["07:10", "19:25"])
    >>> groups_by_place(cells, "^(?P<h>\\d+):(?P<mi>\\d+)$").to_pylist()[1]
    {'h': '19', 'mi': '25'}
    """
    grid = _letters(cells)
    if grid is None or _BY_VALUE in pattern:
        return None
    model = grid[0]
    found = re.match(pattern, model.tobytes().decode("ascii", errors="replace"))
    digit = _DIGITS[model]
    if found is None or model.min() < ord(" ") or model.max() > ord("~"):
        return None
    if (grid[:, ~digit] != model[~digit]).any() or not _DIGITS[grid[:, digit]].all():
        return None
    names = list(found.re.groupindex)
    return pa.StructArray.from_arrays([_cut(grid, *found.span(n)) for n in names], names)


def _letters(cells: pa.Array) -> np.ndarray | None:
    """The bytes of cells that are all equally long, a row a cell."""
    if not pa.types.is_string(cells.type) or cells.null_count or not len(cells):
        return None
    _, places, letters = cells.buffers()
    offsets = np.frombuffer(places, np.int32)[cells.offset : cells.offset + len(cells) + 1]
    size = int(offsets[1] - offsets[0])
    if not size or (offsets[1:] - offsets[:-1] != size).any():
        return None
    return np.frombuffer(letters, np.uint8)[offsets[0] : offsets[-1]].reshape(-1, size)


def _cut(grid: np.ndarray, start: int, end: int) -> pa.Array:
    width = max(0, end - start)
    offsets = width * np.arange(len(grid) + 1, dtype=np.int32)
    letters = np.ascontiguousarray(grid[:, start:end] if width else grid[:, :0])
    held = [None, pa.py_buffer(offsets), pa.py_buffer(letters)]
    return pa.Array.from_buffers(pa.string(), len(grid), held)
