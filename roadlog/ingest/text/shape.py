"""How many cells a row has, and which are meant where header, units row and rows don't agree.

In come the header, the units row and rows cut into cells; out come the width of a row, a name for
each column, and rows that lack cells or have too many brought to that width. Cells are only ever
filled in or taken away at a row's end, and only where the other rows show that they belong there;
else the file is refused with the line. Part of the ingest stage.
"""

import re
from array import array
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from roadlog.errors import InputError
from roadlog.ingest import shelf
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import counted, shown
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Fact

MAX_TORN = 0.05
_LEAST_FIT = 0.9
_MOST_OTHERWISE = 0.5
_LEAST_WHOLE_ROWS = 3
_LEAST_RISING = 10
_NUMBER = re.compile(r"\s*[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_AT_ONCE = 1 << 16
_WHOLE, _SHORT, _ENDED, _OVER = range(4)  # ended: blank cells too many; over: filled ones
Row = tuple[int, Sequence[str]]
Rows = Callable[[], Iterator[Row]]
IsKnown = Callable[[str], bool]


def row_width(
    header: Sequence[str], rows: Sequence[Row], header_line: int, delimiter: str, path: Path
) -> int:
    """Number of cells of a row, from the header and the first rows (line number, cells).

    Raises
    ------
    InputError
        If rows have more cells than the header names, or none has as many.
    """
    counts = Counter(len(cells) for _, cells in rows)
    usual = counts.most_common(1)[0][0]
    named = len(stripped(header))
    if named <= usual <= len(header):
        return usual
    if usual < named:
        for width in (len(header), named):
            if width in counts:
                return width
        raise InputError(
            f"{path}: line {header_line}: the header names {counted(named, 'column')} but the rows "
            f"have {counted(usual, 'cell')}, so which is which can't be known: export it again"
        )
    beyond = sum(any(c.strip() for c in cells[len(header) :]) for _, cells in rows)
    if beyond <= MAX_TORN * len(rows):
        return usual
    hint = (
        "a decimal comma in a comma-delimited file? Export it with another delimiter"
        if delimiter == ","
        else "export it again"
    )
    raise InputError(
        f"{path}: line {rows[0][0]}: rows have {usual} cells but the header names {named}: {hint}"
    )


def with_index(header: Sequence[str], rows: Sequence[Row], delimiter: str) -> list[str]:
    """The header, with a blank name before it where rows begin with an index that it leaves out.

    A running number before as many cells as the header names is an index, unless the cell too
    many can come from a decimal comma or a delimiter at the end of each row.
    """
    width = len(header) + 1
    cut = [cells for _, cells in rows if len(cells) == width]
    if len(cut) < max(2, 0.9 * len(rows)) or not _is_index([c[0] for c in cut]):
        return list(header)
    filled = 2 * sum(bool(c[-1].strip()) for c in cut) > len(cut)
    no_decimal_comma = delimiter != "," or any(
        re.fullmatch(r"\s*[+-]?\d*\.\d+\s*", x) for cells in cut for x in cells
    )
    words_second = not any(_NUMBER.fullmatch(c[1].strip()) for c in cut)
    if words_second or (filled and no_decimal_comma):
        return ["", *header]
    return list(header)


def check_names(
    header: Sequence[str], written: Sequence[str], columns: Sequence[Sequence[str]],
    line: int, path: Path, is_known: IsKnown,
) -> None:  # fmt: skip
    """Refuse a header whose names have slid away from their columns.

    `header` is brought to the rows' width, `written` as it stands in the file. Numbers below no
    name, or a name made of two beside a last column that is blank, tell of a delimiter too many or
    too few.

    Raises
    ------
    InputError
        Naming line and column.
    """
    for i, name in enumerate(header):
        if name:
            continue
        column = columns[i]
        numbers = sum(_NUMBER.fullmatch(c.strip()) is not None for c in column)
        if numbers <= MAX_TORN * len(column):
            continue
        if i == 0 and _is_index(column):
            continue
        raise InputError(
            f"{path}: line {line}: column {i + 1} holds numbers but has no name, so the names may "
            "stand over the wrong columns: put the header right"
        )
    if len(header) <= len(written):
        return
    for name in written:
        if name and not is_known(name) and (pair := _two_names(name, is_known)):
            raise InputError(
                f"{path}: line {line}: '{shown(name)}' is one name for two columns "
                f"('{shown(pair[0])}' and '{shown(pair[1])}'?): put the header right"
            )
    second = [float(c) for c in (*columns[1:2], ())[0] if _NUMBER.fullmatch(c) and "," not in c]
    if (
        _is_index(columns[0])
        and len(second) == len(columns[0]) >= _LEAST_RISING
        and (np.diff(second) > 0).all()
    ):
        raise InputError(
            f"{path}: line {line}: rows have one cell more than the header, and whether an index "
            "begins or a delimiter ends them can't be known: name every column"
        )


def check_units_row(
    header: Sequence[str], cells: Sequence[str], fits: Callable[[str, str], bool],
    line: int, path: Path,
) -> None:  # fmt: skip
    """Refuse a units row with another number of cells than the header, unless each unit fits.

    Raises
    ------
    InputError
        Naming the line.
    """
    many, names = stripped(cells), stripped(header)
    pairs = zip(header, many, strict=False)
    if len(many) <= len(header) and (
        len(cells) == len(header) or all(fits(h, u) for h, u in pairs if h and u.strip())
    ):
        return
    raise InputError(
        f"{path}: line {line}: the units row has {len(many)} cells where the header names "
        f"{len(names)}: put it right"
    )


def check_second_header(
    header: Sequence[str], cells: Sequence[str], blanks: frozenset[str], line: int, path: Path
) -> None:
    """Refuse a row of words right below the header: the names take two lines.

    Raises
    ------
    InputError
        Naming the line.
    """
    filled = [c.strip() for c in cells if c.strip() and c.strip().lower() not in blanks]
    wordy = [c for c in filled if not re.search(r"\d", c)]
    if len(wordy) > 1 and len(wordy) == len(filled) and 2 * len(filled) > len(stripped(header)):
        raise InputError(
            f"{path}: line {line}: words ('{shown(wordy[0])}') where the first values should "
            "stand: write the header in one line"
        )


@dataclass(frozen=True)
class Brought:
    """Rows of one width, gone through anew each time, with their lines and what was done."""

    cells: Rows
    lines: NDArray[np.int64]
    notes: tuple[Fact, ...]


def to_width(rows: Rows, width: int, path: Path) -> Brought:
    """Bring rows (line number, cells) to one width.

    Few rows of another width are dropped. Where they are many, blank cells are filled in or taken
    away at their ends if the values then lie where those of the whole rows do, and nowhere else.
    None is held: `rows` goes through them from the first whenever it is asked.

    Raises
    ------
    InputError
        If that can't be shown, naming the first such line.
    """
    seen = _Widths(rows, width)
    most = max(1, MAX_TORN * len(seen.kind))
    if seen.count(_OVER) > most:
        line, cells = seen.first[_OVER]
        raise InputError(
            f"{path}: line {line}: {cells} cells where the header names {width} "
            f"({seen.count(_OVER)} such rows): export the log again"
        )
    keep = {_WHOLE}
    notes: list[Fact] = []
    for kind, said in ((_SHORT, Repair.SHORT_ROWS), (_ENDED, Repair.LONG_ROWS)):
        if seen.count(kind) <= most:
            continue
        if not _end_is_the_place(rows, seen, kind, width):
            line, cells = seen.first[kind]
            raise InputError(
                f"{path}: line {line}: {counted(cells, 'cell')} where the header names "
                f"{width} ({counted(seen.count(kind), 'such row')}), and which cell is "
                f"{'lacking' if kind == _SHORT else 'too many'} can't be known: export the log "
                "again with a cell for every column"
            )
        keep.add(kind)
        notes.append(said())
    kept = np.isin(seen.kind, list(keep))
    if not kept.all():
        first = int(seen.lines[int(np.argmin(kept))])
        notes.append(Repair.WRONG_WIDTH(n=int((~kept).sum()), line=first))

    def brought() -> Iterator[Row]:
        for (line, cells), wanted in zip(rows(), kept, strict=True):
            if wanted:
                yield line, [*cells[:width], *[""] * (width - len(cells))]

    return Brought(brought, seen.lines[kept], tuple(notes))


class _Widths:
    """Which rows are whole, and of the others what they are; of each kind the first one's line and
    number of cells."""

    def __init__(self, rows: Rows, width: int) -> None:
        kinds, lines = bytearray(), array("q")
        self.first: dict[int, tuple[int, int]] = {}
        for line, cells in rows():
            n = len(cells)
            kind = _WHOLE if n == width else _SHORT if n < width else _ENDED
            if kind == _ENDED and any(x.strip() for x in cells[width:]):
                kind = _OVER
            self.first.setdefault(kind, (line, n))
            kinds.append(kind)
            lines.append(line)
        self.kind = np.frombuffer(bytes(kinds), np.uint8)
        self.lines = np.array(lines, np.int64)

    def count(self, kind: int) -> int:
        """How many rows are of this kind."""
        return int((self.kind == kind).sum())


def _end_is_the_place(rows: Rows, seen: _Widths, group: int, width: int) -> bool:
    """Whether the cells that rows lack, or have too many, lack or are too many at their end."""
    if seen.count(_WHOLE) < _LEAST_WHOLE_ROWS:
        return False
    known = _Columns(rows, np.flatnonzero(seen.kind == _WHOLE), width)
    best, otherwise, tried, ends_blank = 0, Counter[int](), Counter[int](), False
    for i, (_, cells) in enumerate(rows()):
        if seen.kind[i] != group:
            continue
        at_end = (*cells[:width], *[""] * (width - len(cells)))
        best += known.fit(at_end, i)
        ends_blank |= bool(cells) and not cells[-1].strip()
        for place in range(min(len(cells), width)):
            other = _placed(cells, place, width)
            if other is not None and other != at_end:
                tried[place] += 1
                otherwise[place] += known.fit(other, i)
    if best < _LEAST_FIT * seen.count(group):
        return False
    rivals = [p for p, n in otherwise.items() if n > _MOST_OTHERWISE * tried[p]]
    # A writer that leaves out blank cells at the end alone writes those within.
    return not rivals or (
        not ends_blank and not known.blank[-1] and all(known.blank[p] for p in rivals)
    )


def _placed(cells: Sequence[str], place: int, width: int) -> tuple[str, ...] | None:
    """The row if the cells lacking, or the blank ones too many, are those from `place` on."""
    change = width - len(cells)
    if change > 0:
        return (*cells[:place], *[""] * change, *cells[place:])
    taken = cells[place : place - change]
    if any(c.strip() for c in taken):
        return None
    return (*cells[:place], *cells[place - change :])


class _Columns:
    """What the cells of whole rows are like, column by column."""

    def __init__(self, rows: Rows, at: NDArray[np.int64], width: int) -> None:
        self.at = at
        self.numbers = [shelf.space(len(at)) for _ in range(width)]
        self.words, self.blank = [False] * width, [False] * width
        done = 0
        whole = (cells for _, cells in rows() if len(cells) == width)
        while some := list(islice(whole, _AT_ONCE)):
            for j, column in enumerate(zip(*some, strict=True)):
                values = np.array([_value(c) for c in column])
                self.numbers[j][done : done + len(some)] = values
                there = np.array([bool(c.strip()) for c in column])
                self.words[j] |= bool((there & np.isnan(values)).any())
                self.blank[j] |= not there.all()
            done += len(some)
            shelf.rest()
        self.clock: list[bool] = []
        self.bounds: list[tuple[float, float] | None] = []
        for values in self.numbers:
            known = values[~np.isnan(values)]
            rising = len(known) > 1 and (np.diff(known) >= 0).all() and known[-1] > known[0]
            self.clock.append(bool(rising) and len(known) == len(values))
            self.bounds.append(_widened(known))
            shelf.rest()

    def fit(self, cells: Sequence[str], at: int) -> bool:
        """Whether a row's cells are like those of the whole rows, or blank."""
        return all(self._fits(j, cell, at) for j, cell in enumerate(cells))

    def _fits(self, j: int, cell: str, at: int) -> bool:
        if not cell.strip():
            return not self.clock[j] or j == len(self.clock) - 1
        value, bounds = _value(cell), self.bounds[j]
        if np.isnan(value):
            return self.words[j]
        if bounds is None:
            return False
        if self.clock[j]:
            after = int(np.searchsorted(self.at, at))
            values: Floats = self.numbers[j]
            low = values[after - 1] if after else -np.inf
            high = values[after] if after < len(values) else np.inf
            return bool(low <= value <= high)
        return bounds[0] <= value <= bounds[1]


def _widened(values: Floats) -> tuple[float, float] | None:
    if not len(values):
        return None
    low, high = float(values.min()), float(values.max())
    more = 0.25 * (high - low)
    return low - more, high + more


def _value(cell: str) -> float:
    found = _NUMBER.match(cell)
    if found is None or re.match(r"[-/:]\d|\d", cell[found.end() :].lstrip()):
        return float("nan")
    return float(found[0].replace(",", "."))


def _two_names(name: str, is_known: IsKnown) -> tuple[str, str] | None:
    for at in range(2, len(name) - 1):
        if is_known(name[:at].strip()) and is_known(name[at:].strip()):
            return name[:at].strip(), name[at:].strip()
    return None


def _is_index(column: Sequence[str]) -> bool:
    cells = [c.strip() for c in column]
    if not cells or not all(re.fullmatch(r"\d+", c) for c in cells):
        return False
    return len(cells) == 1 or bool((np.diff([int(c) for c in cells]) == 1).all())


def stripped(cells: Sequence[str]) -> list[str]:
    """Cells without the blank ones at the end."""
    out = list(cells)
    while len(out) > 1 and not out[-1].strip():
        out.pop()
    return out
