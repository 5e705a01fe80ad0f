"""The data rows of a delimited text to columns.

In come the text, its dialect and the type of each column that is used; out comes a table and a way
to say in which line of the file a row stands. A clean file is parsed once, typed, by pyarrow; a
column that isn't clean is read as text, and torn, short and repeated header rows are mended and
noted. Part of the ingest stage.
"""

import csv
import io
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
from numpy.typing import NDArray

from roadlog.errors import InputError
from roadlog.ingest import shelf
from roadlog.ingest.clock.order import Place
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import shown
from roadlog.ingest.text.columns import match_header, unit_of
from roadlog.ingest.text.dialect import BLANKS, Dialect, read_records
from roadlog.ingest.text.grown import Grown, taken
from roadlog.ingest.text.shape import MAX_TORN, to_width
from roadlog.ingest.text.source import Text
from roadlog.quantities.facts import Fact

_NULLS = sorted({v for b in BLANKS for v in (b, b.upper(), b.title())} | {"NaN", "N/A", "-NaN"})
_BLOCK = 1 << 20
_PIECE = 1 << 24
_ROWS_AT_ONCE = 10_000
_MAX_RETRIES = 3
_HEADER_LIKE = r"^[^\d\s][^\d]*[\[(][^\d]*[\])]\s*$"  # words with a unit in brackets
_HEADER_ENDS = (b"]", b")")
_FAILED_COLUMN = re.compile(r"In CSV column #(\d+)")


def read_rows(
    data: Text,
    dialect: Dialect,
    types: Mapping[int, pa.DataType],
    path: Path,
    notes: list[Fact],
    *,
    over_lines: bool = False,
) -> tuple[pa.Table, Place]:
    """Columns `c0`, `c1` … of the data rows, those in `types` only, and where rows stand.

    A column whose cells don't all fit its type comes back as text. `over_lines` says that cells in
    quotes run over the ends of lines.

    Raises
    ------
    InputError
        If the rows can't be cut into cells, or none is complete.
    """
    body = data.part(dialect.body)
    nameless = {i: pa.string() for i in range(dialect.named, dialect.width)}
    wanted = {**nameless, **types}
    table, torn = _typed(body, dialect, wanted, over_lines, path)
    line_of: Callable[[NDArray[np.int64] | None, int], int] = partial(_line_of, data, dialect)
    if torn.count > max(1, MAX_TORN * (len(table) + torn.count)):
        del table
        brought = to_width(partial(_records, body, dialect), dialect.width, path)
        notes.extend(brought.notes)
        text = Text.kept(_written(brought.cells(), dialect))
        table, _ = _typed(text, dialect, wanted, False, path)
        line_of = partial(_line_among, brought.lines)
    elif torn.count:
        _note_torn(torn, data, notes)
    kept = _named_rows(table, list(nameless), partial(line_of, None), notes)
    if kept is not None:
        table, line_of = taken(table, kept), partial(_through, line_of, kept)
    rows = _header_rows(table, dialect, partial(line_of, None), path, notes)
    if rows is not None:
        table = taken(table, rows)
    if not len(table):
        raise InputError(f"{path}: line {dialect.first_line}: no complete row: the log is empty")
    return table, Place(path, partial(line_of, rows), dialect.preamble)


@dataclass
class _Torn:
    """Rows of another width, counted: the first one's text, and whether `last` is among them."""

    last: str
    count: int = 0
    first: str = ""
    cut: bool = False

    def add(self, text: str) -> None:
        """Count a row."""
        self.first = self.first if self.count else text
        self.count += 1
        self.cut = self.cut or text.strip() == self.last


def _note_torn(torn: _Torn, data: Text, notes: list[Fact]) -> None:
    if torn.cut:
        notes.append(Repair.TORN_END())
    if torn.count > torn.cut:
        at = _found(data, torn.first.encode())
        n = torn.count - torn.cut
        notes.append(
            Repair.WRONG_WIDTH_SOMEWHERE(n=n)
            if at is None
            else Repair.WRONG_WIDTH(n=n, line=data.line_at(at))
        )


def _found(data: Text, line: bytes) -> int | None:
    for start, piece in data.pieces():
        if (at := piece.find(line)) >= 0:
            return start + at
    return None


def _named_rows(
    table: pa.Table, nameless: Sequence[int], line_of: Callable[[int], int], notes: list[Fact]
) -> NDArray[np.int64] | None:
    """The rows to keep if others hold something behind the last column that has a name."""
    beyond = np.zeros(len(table), bool)
    for i in nameless:
        beyond |= _where(table[f"c{i}"], _is_filled)
    if not beyond.any():
        return None
    first = line_of(int(np.flatnonzero(beyond)[0]))
    notes.append(Repair.MORE_CELLS(n=int(beyond.sum()), line=first))
    return np.flatnonzero(~beyond)


def _written(rows: Iterable[tuple[int, Sequence[str]]], dialect: Dialect) -> Iterator[bytes]:
    """Rows as pieces of a text that is cut as they are: line ends within cells become spaces."""
    left = iter(rows)
    while some := list(islice(left, _ROWS_AT_ONCE)):
        out = io.StringIO()
        writer = csv.writer(out, delimiter=dialect.delimiter, lineterminator="\n")
        writer.writerows([[" ".join(c.split()) for c in cells] for _, cells in some])
        yield out.getvalue().encode()


def _records(body: Text, dialect: Dialect) -> Iterator[tuple[int, list[str]]]:
    for line, cells in read_records(body.lines(), dialect.delimiter):
        if any(c.strip() for c in cells):
            yield line + dialect.first_line - 1, cells


def _line_among(lines: NDArray[np.int64], rows: NDArray[np.int64] | None, row: int) -> int:
    return int(lines[row if rows is None else rows[row]])


def _through(
    line_of: Callable[[NDArray[np.int64] | None, int], int],
    kept: NDArray[np.int64],
    rows: NDArray[np.int64] | None,
    row: int,
) -> int:
    return line_of(kept, row if rows is None else int(rows[row]))


def _typed(
    body: Text,
    dialect: Dialect,
    types: Mapping[int, pa.DataType],
    over_lines: bool,
    path: Path,
) -> tuple[pa.Table, _Torn]:
    """The table and the rows of another width; what doesn't parse as its type is text."""
    left = dict(types)
    for _ in range(_MAX_RETRIES):
        try:
            return _parse(body, dialect, left, over_lines)
        except (pa.ArrowException, ValueError, OSError) as e:
            failed = _FAILED_COLUMN.search(str(e))
            if not failed or left.get(int(failed[1])) in (None, pa.string()):
                break
            left[int(failed[1])] = pa.string()
    try:
        return _parse(body, dialect, dict.fromkeys(types, pa.string()), over_lines)
    except (pa.ArrowException, ValueError, OSError) as e:
        raise InputError(
            f"{path}: the rows after line {dialect.first_line - 1} can't be cut into cells: "
            "export the log again"
        ) from e


def _parse(
    body: Text,
    dialect: Dialect,
    types: Mapping[int, pa.DataType],
    over_lines: bool,
) -> tuple[pa.Table, _Torn]:
    """All rows, piece by piece, so that neither the whole text nor a number twice is in memory."""
    torn = _Torn(_last_line(body).strip())

    def skip(row: pa_csv.InvalidRow) -> str:
        if row.text.strip(" \t\x1a"):
            torn.add(row.text)
        return "skip"

    parse = pa_csv.ParseOptions(
        delimiter=dialect.delimiter, newlines_in_values=over_lines, invalid_row_handler=skip
    )
    read = pa_csv.ReadOptions(
        column_names=[f"c{i}" for i in range(dialect.width)],
        block_size=_BLOCK,
        use_threads=len(body) > _BLOCK,
    )
    convert = pa_csv.ConvertOptions(
        include_columns=[f"c{i}" for i in types],
        column_types={f"c{i}": t for i, t in types.items()},
        null_values=_NULLS,
        strings_can_be_null=False,
        decimal_point=dialect.decimal,
        timestamp_parsers=[pa_csv.ISO8601],
    )
    grown = Grown({f"c{i}": t for i, t in types.items()}, len(body))
    for start, piece in body.pieces(0, _PIECE, whole_quotes=over_lines):
        if piece[:1] not in b"\r\n" or piece.strip(b"\r\n"):
            part = pa_csv.read_csv(pa.BufferReader(piece), read, parse, convert)
            if len(piece) == len(body):
                return part, torn
            grown.add(part, start + len(piece))
    return grown.table(), torn


def _header_rows(
    table: pa.Table,
    dialect: Dialect,
    line_of: Callable[[int], int],
    path: Path,
    notes: list[Fact],
) -> NDArray[np.int64] | None:
    """The rows to keep if the logger repeated its header (and units row) among them, else None.

    Raises
    ------
    InputError
        If a header or units row in mid-file says something else than the first did.
    """
    texts = [field.name for field in table.schema if pa.types.is_string(field.type)]
    if not texts:
        return None
    wordy = np.zeros(len(table), bool)
    for name in texts:
        wordy |= _where(table[name], partial(_heads, header=dialect.headers[int(name[1:])]))
    if not all(dialect.headers[int(name[1:])] for name in texts):
        filled = np.zeros(len(table), bool)  # blank cells below no name make no header
        for name in texts:
            filled |= _where(table[name], _is_filled)
        wordy &= filled
    repeats: list[int] = []
    for row in map(int, np.flatnonzero(wordy)):
        here = {int(n[1:]): str(table[n][row].as_py() or "").strip() for n in texts}
        if _is_header(here, dialect, lambda row=row: line_of(row), path):  # type: ignore[misc]
            repeats.append(row)
        elif repeats and row == repeats[-1] + 1 and _is_units(here):
            _refuse_other_units(here, dialect, line_of(row), path)
            repeats.append(row)
    if any(dialect.units):
        for row in [r + 1 for r in repeats if r + 1 < len(table) and r + 1 not in repeats]:
            here = {int(n[1:]): str(table[n][row].as_py() or "").strip() for n in texts}
            if not any(any(ch.isdigit() for ch in c) for c in here.values()):
                _refuse_other_units(here, dialect, line_of(row), path)
                repeats.append(row)
    if not repeats:
        return None
    notes.append(Repair.HEADER_AGAIN(n=len(repeats)))
    keep = np.ones(len(table), bool)
    keep[repeats] = False
    return np.flatnonzero(keep)


def _heads(cells: pa.Array, header: str) -> pa.Array:
    """Which cells are this header, or look like one."""
    letters = cells.buffers()[2]
    text = b"" if letters is None else letters.to_pybytes()
    if not any(word in text for word in (header.encode(), *_HEADER_ENDS)):
        return pa.array(np.zeros(len(cells), bool))
    plain = pc.utf8_trim_whitespace(cells)
    return pc.or_(pc.equal(plain, header), pc.match_substring_regex(plain, _HEADER_LIKE))


def _is_filled(cells: pa.Array) -> pa.Array:
    return pc.not_equal(pc.utf8_trim_whitespace(cells), "")


def _where(column: pa.ChunkedArray, test: Callable[[pa.Array], pa.Array]) -> NDArray[np.bool_]:
    """Which cells of a column pass a test, one chunk after the other."""
    found, at = np.zeros(len(column), bool), 0
    for chunk in column.chunks:
        passed = test(chunk).fill_null(False)
        found[at : at + len(chunk)] = passed.to_numpy(zero_copy_only=False)
        at += len(chunk)
        shelf.rest()
    return found


def _is_header(
    here: Mapping[int, str], dialect: Dialect, line: Callable[[], int], path: Path
) -> bool:
    """Whether the cells of a row are headers again; other headers than the first are refused."""
    filled = {i: c for i, c in here.items() if c}
    same = [i for i, c in filled.items() if c == dialect.headers[i]]
    meant = {i: match_header(c) for i, c in filled.items() if not any(ch.isdigit() for ch in c)}
    other = [i for i, m in meant.items() if i not in same and m.role in ("signal", "time", "date")]
    if len(same) + len(other) <= len(filled) / 2:
        return False
    if other:
        raise InputError(
            f"{path}: line {line()}: a second header begins here, with '{shown(filled[other[0]])}' "
            f"where the first has '{shown(dialect.headers[other[0]])}': split the file there"
        )
    return True


def _is_units(here: Mapping[int, str]) -> bool:
    filled = [c.strip("[](){} ") for c in here.values() if c]
    return bool(filled) and all(unit_of(c) is not None for c in filled)


def _refuse_other_units(here: Mapping[int, str], dialect: Dialect, line: int, path: Path) -> None:
    for i, cell in here.items():
        unit, first = unit_of(cell.strip("[](){} ")), dialect.units[i]
        if unit is not None and first is not None and unit != first:
            raise InputError(
                f"{path}: line {line}: '{shown(dialect.headers[i])}' goes on in {unit} where it "
                f"began in {first}: split the file there"
            )


def _last_line(data: Text) -> str:
    tail = data[-65536:].rstrip(b"\r\n\x1a")
    return tail[max(tail.rfind(b"\n"), tail.rfind(b"\r")) + 1 :].decode(errors="replace")


def _line_of(data: Text, dialect: Dialect, rows: NDArray[np.int64] | None, row: int) -> int:
    """Line number in the file of a row of the table (only on the way to a message)."""
    wanted = int(rows[row]) if rows is not None else row
    seen = -1
    for line, width in _widths(data.part(dialect.body), dialect):
        seen += width == dialect.width
        if seen == wanted:
            return line + dialect.first_line - 1
    return dialect.first_line


def _widths(body: Text, dialect: Dialect) -> Iterator[tuple[int, int]]:
    """Line number (from 1) and number of cells of each record, lazily: the row is mostly near."""
    if b'"' in body:
        for line, record in read_records(body.lines(), dialect.delimiter):
            yield line, len(record)
        return
    for line, text in enumerate(body.lines(), 1):
        yield line, text.count(dialect.delimiter) + 1
