"""A run's columns as plain arrays: what the stages that work run by run hand to each other.

A frame of a thousand samples costs more to take apart and put together than a stage takes to
reckon. `columns_of` takes the arrays out of a frame once, `frame_of` makes a frame of them again.
"""

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence, Sized
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.quantities.arrays import Floats, Ints

Array = NDArray[Any]
T = TypeVar("T")
AnySized = TypeVar("AnySized", bound=Sized)

AT_ONCE = 10_000  # rows that are worked on together: more outgrow the processor's cache


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
    `block` has all arrays as its rows where they lie so. Of `parts`, runs one below the other, a
    column is joined when it is asked for.
    """

    def __init__(
        self,
        arrays: Mapping[str, Array | Words | None],
        length: int,
        frame: pd.DataFrame | None = None,
        block: Floats | None = None,
        parts: "Sequence[Columns]" = (),
    ) -> None:
        self._arrays, self._length, self._frame = dict(arrays), length, frame
        self._block, self._parts = block, parts
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
            if self._frame is not None:
                held = _array(self._frame[name])
            else:
                held = np.concatenate([part.floats(name) for part in self._parts])
            self._arrays[name] = held
        return held

    @property
    def starts(self) -> Ints:
        """Where each run begins; a run that isn't joined to others begins at 0."""
        if not self._parts:
            return np.zeros(1, np.int64)
        return self.kept("starts", lambda: np.cumsum([0, *map(len, self._parts[:-1])]))

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
        return Columns({**self._arrays, **whole}, self._length, self._frame, parts=self._parts)

    def rows(self, which: slice) -> "Columns":
        """Some rows, one after another."""
        cut = {
            name: Words(c.codes[which], c.words) if isinstance(c, Words) else c[which]
            for name, c in ((n, self.column(n)) for n in self._arrays)
        }
        return Columns(cut, len(range(self._length)[which]))

    @property
    def runs(self) -> "list[tuple[Columns, slice]]":
        """The runs that were joined, and which rows here are theirs."""
        starts = self.starts.tolist()
        rows = map(slice, starts, [*starts[1:], len(self)])
        return list(zip(self._parts or [self], rows, strict=True))

    @property
    def ends(self) -> Ints:
        """Behind which row each run ends, as `starts`."""
        return np.append(self.starts[1:], len(self))

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


def joined(tables: Sequence[Columns], names: Iterable[str] | None = None) -> Columns:
    """The named columns of numbers one below the other, by default all; NaN where one is lacking.

    >>> tables = [Columns({"rpm": np.array([800.0])}, 1), Columns({}, 1)]
    >>> joined(tables, ["rpm", "maf_g_s"]).floats("rpm")
    array([800.,  nan])
    """
    there = dict.fromkeys(name for t in tables for name in t.columns)
    wanted = there if names is None else [name for name in names if name in there]
    return Columns(dict.fromkeys(wanted), sum(map(len, tables)), parts=tuple(tables))


def grouped(tables: Iterable[AnySized], most: int) -> Iterator[list[AnySized]]:
    """As many tables as hold no more than `most` rows together, one at least; empty ones alone.

    >>> [len(group) for group in grouped(["abc", "de", "f", ""], 3)]
    [1, 2, 1]
    """
    group: list[AnySized] = []
    held = 0
    for table in tables:
        if group and (held + len(table) > most or not held or not len(table)):
            yield group
            group, held = [], 0
        group.append(table)
        held += len(table)
    if group:
        yield group


def in_groups(tables: Sequence[Columns], most: int = AT_ONCE) -> Iterator[Columns]:
    """The tables joined, as many as hold no more than `most` rows together, one at least."""
    for group in grouped(tables, most):
        yield group[0] if len(group) == 1 else joined(group)


def starts_of(table: Table) -> Ints:
    """Where each run of a table begins: a frame holds one."""
    return table.starts if isinstance(table, Columns) else np.zeros(1, np.int64)


def where_word(table: Table, name: str, word: str) -> NDArray[np.bool_]:
    """Which rows hold a word."""
    column = table.column(name) if isinstance(table, Columns) else table[name]
    if isinstance(column, Words):
        codes = [i for i, w in enumerate(column.words) if w == word]
        return column.codes == codes[0] if codes else np.zeros(len(column), bool)
    return np.asarray(np.asarray(column, object) == word, bool)


def spread(table: Table, of_run: Array) -> Array:
    """A value a run as a value a row."""
    if len(of_run) == 1:
        return np.broadcast_to(of_run, len(table))
    return np.repeat(of_run, np.diff(starts_of(table), append=len(table)))


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
        n: strings(c) if isinstance(c, Words) else c for n, c in held.items() if n not in numbers
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


def strings(words: Words) -> Any:
    """A frame's column of strings."""
    return pd.array(words.words, dtype="str").take(words.codes)
