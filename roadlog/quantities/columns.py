"""A run's columns as plain arrays: what the stages that work run by run hand to each other.

A frame of a thousand samples costs more to take apart and put together than a stage takes to
reckon. `columns_of` takes the arrays out of a frame once, `frame_of` makes a frame of them again.
"""

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.quantities.arrays import Floats, Ints

Array = NDArray[Any]
T = TypeVar("T")


@dataclass(frozen=True)
class Words:
    """A column of few words: `codes` number them in `words`."""

    codes: Ints
    words: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.codes)

    @property
    def array(self) -> NDArray[np.object_]:
        """The words themselves."""
        return np.array(self.words, dtype=object)[self.codes]


class Columns:
    """Named arrays of one length, never changed in place.

    `columns` has their names in the frame's order. What several stages ask of the same columns is
    reckoned once (`kept`) and isn't pickled. Of a `frame` a column is taken when it is asked for.
    `block` has all arrays as its rows where they lie so.
    """

    def __init__(
        self,
        arrays: Mapping[str, Array | Words | None],
        length: int,
        frame: pd.DataFrame | None = None,
        block: Floats | None = None,
    ) -> None:
        self._arrays, self._length, self._frame = dict(arrays), length, frame
        self._block = block
        self._kept: dict[Hashable, Any] = {}

    def __reduce__(self) -> tuple[Any, ...]:
        return Columns, ({n: self.column(n) for n in self._arrays}, self._length)

    def __len__(self) -> int:
        return self._length

    def __contains__(self, name: object) -> bool:
        return name in self._arrays

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns' names, in order."""
        return tuple(self._arrays)

    def column(self, name: str) -> Array | Words:
        """One column as it is held."""
        held = self._arrays[name]
        if held is None:
            assert self._frame is not None
            held = self._arrays[name] = _array(self._frame[name])
        return held

    def __getitem__(self, name: str) -> Array:
        column = self.column(name)
        return column.array if isinstance(column, Words) else column

    def floats(self, name: str) -> Floats:
        """One column as float64; all NaN where there is none."""
        if name not in self._arrays:
            return np.full(self._length, np.nan)
        return np.asarray(self[name], np.float64)

    def matrix(self, names: Sequence[str]) -> Floats:
        """The named columns, at least one, as rows of one array, not to be changed."""
        if self._block is not None:
            first = self.columns.index(names[0])
            if self.columns[first : first + len(names)] == tuple(names):
                return self._block[first : first + len(names)]
        whole: Floats = np.concatenate([self.floats(n) for n in names])
        return whole.reshape(len(names), self._length)

    def assign(self, **arrays: Array | Words | float) -> "Columns":
        """These columns with others added or put in their place; a number fills a column."""
        whole = {
            name: np.full(self._length, value) if isinstance(value, int | float) else value
            for name, value in arrays.items()
        }
        return Columns({**self._arrays, **whole}, self._length, self._frame)

    def rows(self, which: slice) -> "Columns":
        """Some rows, one after another."""
        cut = {
            name: Words(c.codes[which], c.words) if isinstance(c, Words) else c[which]
            for name, c in ((n, self.column(n)) for n in self._arrays)
        }
        return Columns(cut, len(range(self._length)[which]))

    def kept(self, what: Hashable, make: Callable[[], T]) -> T:
        """`make()`, kept for whoever asks for the same again."""
        if what not in self._kept:
            self._kept[what] = make()
        found: T = self._kept[what]
        return found


Table = pd.DataFrame | Columns


def once(table: Table, what: Hashable, make: Callable[[], T]) -> T:
    """`make()`, kept with columns for whoever asks for the same again; a frame keeps nothing."""
    return table.kept(what, make) if isinstance(table, Columns) else make()


def columns_of(table: Table) -> Columns:
    """The columns of a frame; `Columns` as they are.

    >>> columns_of(pd.DataFrame({"t_s": [0.0, 1.0], "rpm": [800.0, 810.0]})).floats("rpm")
    array([800., 810.])
    """
    if isinstance(table, Columns):
        return table
    names = [str(name) for name in table.columns.tolist()]
    if names and table.iloc[:0].to_numpy().dtype == np.float64:
        block = table.to_numpy().T
        return Columns(dict(zip(names, block, strict=True)), len(table), block=block)
    return Columns(dict.fromkeys(names), len(table), table)


def joined(tables: Sequence[Columns], names: Iterable[str]) -> Columns:
    """The named columns of numbers one below the other, NaN where a table lacks one.

    >>> tables = [Columns({"rpm": np.array([800.0])}, 1), Columns({}, 1)]
    >>> joined(tables, ["rpm", "maf_g_s"]).floats("rpm")
    array([800.,  nan])
    """
    arrays = {
        name: np.concatenate([t.floats(name) for t in tables])
        for name in names
        if any(name in t for t in tables)
    }
    return Columns(arrays, sum(map(len, tables)))


def frame_of(columns: Columns) -> pd.DataFrame:
    """A frame of the columns: float64 in one block, words as strings.

    >>> frame_of(Columns({"rpm": np.array([800.0]), "state": Words(np.array([0]), ("cut",))}, 1))
         rpm state
    0  800.0   cut
    """
    held = {n: columns.column(n) for n in columns.columns}
    numbers = [n for n, c in held.items() if not isinstance(c, Words) and c.dtype == np.float64]
    block = np.array([held[n] for n in numbers]).reshape(len(numbers), len(columns))
    frame = pd.DataFrame(block.T, columns=index_of(*numbers), copy=False)
    if len(numbers) == len(held):
        return frame
    rest = {
        n: _strings(c) if isinstance(c, Words) else c for n, c in held.items() if n not in numbers
    }
    whole = pd.concat([frame, pd.DataFrame(rest)], axis=1)
    return whole if [*numbers, *rest] == list(held) else whole[list(held)]


@lru_cache(maxsize=64)
def index_of(*names: str) -> pd.Index:
    """Names as a frame's columns, which cost more to make than the frame."""
    return pd.Index(names)


def _array(column: pd.Series) -> Array:
    if pd.api.types.is_numeric_dtype(column.dtype) and not isinstance(column.dtype, np.dtype):
        return column.to_numpy(np.float64, na_value=np.nan)
    return column.to_numpy()


def _strings(words: Words) -> Any:
    return pd.array(words.words, dtype="str").take(words.codes)
