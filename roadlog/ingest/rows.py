"""The data rows of a delimited text to columns.

In come the text, its dialect and the type of each column that is used; out comes a table and a way
to say in which line of the file a row stands. A clean file is parsed once, typed, by pyarrow; a
column that isn't clean is read as text, and torn, short and repeated header rows are mended and
noted. Part of the ingest stage.
"""

import csv
import io
import re
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
from numpy.typing import NDArray

from roadlog.errors import InputError
from roadlog.ingest.columns import match_header, unit_of
from roadlog.ingest.dialect import BLANKS, Dialect, read_records
from roadlog.ingest.log import counted, shown
from roadlog.ingest.order import Place

_NULLS = sorted({v for b in BLANKS for v in (b, b.upper(), b.title())} | {"NaN", "N/A", "-NaN"})
_BLOCK = 1 << 22
_MAX_TORN = 0.05
_MAX_RETRIES = 3
_HEADER_LIKE = r"^[^\d\s][^\d]*[\[(][^\d]*[\])]\s*$"  # words with a unit in brackets
_LINE = re.compile(rb"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")
_FAILED_COLUMN = re.compile(r"In CSV column #(\d+)")


def read_rows(
    data: bytes,
    dialect: Dialect,
    types: Mapping[int, pa.DataType],
    path: Path,
    notes: list[str],
) -> tuple[pa.Table, Place]:
    """Columns `c0`, `c1` … of the data rows, those in `types` only, and where rows stand.

    A column whose cells don't all fit its type comes back as text.

    Raises
    ------
    InputError
        If the rows can't be cut into cells, or none is complete.
    """
    body = memoryview(data)[dialect.body :]
    table, torn = _typed(body, dialect, types, path)
    if len(torn) > max(1, _MAX_TORN * (len(table) + len(torn))):
        body = memoryview(_padded(bytes(body).decode(), dialect, path))
        table, torn = _typed(body, dialect, types, path)
        notes.append("rows shorter than the header were read as if blank cells ended them")
    if torn:
        cut = _last_line(data).strip() in (t.strip() for t in torn)
        if cut:
            notes.append("the last line is incomplete and was dropped")
        if len(torn) > cut:
            notes.append(
                f"{counted(len(torn) - cut, 'line')} with the wrong number of cells dropped"
            )
    rows = _header_rows(table, dialect, partial(_line_of, data, dialect, None), path, notes)
    if rows is not None:
        table = table.take(pa.array(rows))
    if not len(table):
        raise InputError(f"{path}: line {dialect.first_line}: no complete row: the log is empty")
    return table, Place(path, partial(_line_of, data, dialect, rows), dialect.preamble)


def _typed(
    body: memoryview, dialect: Dialect, types: Mapping[int, pa.DataType], path: Path
) -> tuple[pa.Table, list[str]]:
    """The table and the rows of another width; what doesn't parse as its type is text."""
    left = dict(types)
    for _ in range(_MAX_RETRIES):
        try:
            return _parse(body, dialect, left)
        except (pa.ArrowException, ValueError, OSError) as e:
            failed = _FAILED_COLUMN.search(str(e))
            if not failed or left.get(int(failed[1])) in (None, pa.string()):
                break
            left[int(failed[1])] = pa.string()
    try:
        return _parse(body, dialect, dict.fromkeys(types, pa.string()))
    except (pa.ArrowException, ValueError, OSError) as e:
        raise InputError(
            f"{path}: the rows after line {dialect.first_line - 1} can't be cut into cells "
            f"({shown(str(e))}): export the log again"
        ) from e


def _parse(
    body: memoryview,
    dialect: Dialect,
    types: Mapping[int, pa.DataType],
) -> tuple[pa.Table, list[str]]:
    torn: list[str] = []

    def skip(row: pa_csv.InvalidRow) -> str:
        if row.text.strip(" \t\x1a"):
            torn.append(row.text)
        return "skip"

    whole = body.obj
    assert isinstance(whole, bytes)
    quoted = b'"' in whole  # a newline inside quotes may come in any block
    table = pa_csv.read_csv(
        pa.BufferReader(pa.py_buffer(body)),
        read_options=pa_csv.ReadOptions(
            column_names=[f"c{i}" for i in range(dialect.width)],
            block_size=_BLOCK,
        ),
        parse_options=pa_csv.ParseOptions(
            delimiter=dialect.delimiter,
            newlines_in_values=quoted,
            invalid_row_handler=skip,
        ),
        convert_options=pa_csv.ConvertOptions(
            include_columns=[f"c{i}" for i in types],
            column_types={f"c{i}": t for i, t in types.items()},
            null_values=_NULLS,
            strings_can_be_null=False,
            decimal_point=dialect.decimal,
            timestamp_parsers=[pa_csv.ISO8601],
        ),
    )
    return table, torn


def _padded(text: str, dialect: Dialect, path: Path) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=dialect.delimiter, lineterminator="\n")
    long = 0
    total = 0
    for line, row in read_records(text, dialect.delimiter):
        if not any(c.strip() for c in row):
            continue
        total += 1
        if len(row) > dialect.width and any(c.strip() for c in row[dialect.width :]):
            long += 1
            if long > max(1, 0.05 * total) and total > 20:
                raise InputError(
                    f"{path}: line {line + dialect.first_line - 1}: {len(row)} cells where the "
                    f"header names {dialect.width}: export the log again"
                )
            continue
        writer.writerow((row + [""] * dialect.width)[: dialect.width])
    return out.getvalue().encode()


def _header_rows(
    table: pa.Table,
    dialect: Dialect,
    line_of: Callable[[int], int],
    path: Path,
    notes: list[str],
) -> NDArray[np.int64] | None:
    """The rows to keep if the logger repeated its header (and units row) among them, else None.

    Raises
    ------
    InputError
        If a header or units row in mid-file says something else than the first did.
    """
    texts = [n for n in table.column_names if pa.types.is_string(table[n].type)]
    if not texts:
        return None
    wordy = np.zeros(len(table), bool)
    for name in texts:
        header = dialect.headers[int(name[1:])]
        cells = pc.utf8_trim_whitespace(table[name])
        named = pc.or_(pc.equal(cells, header), pc.match_substring_regex(cells, _HEADER_LIKE))
        wordy |= np.asarray(named.fill_null(False).to_numpy(), bool)
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
    notes.append(f"{counted(len(repeats), 'repeated header row')} dropped")
    keep = np.ones(len(table), bool)
    keep[repeats] = False
    return np.flatnonzero(keep)


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


def _last_line(data: bytes) -> str:
    tail = data[-65536:].rstrip(b"\r\n\x1a")
    return re.split(rb"[\r\n]", tail)[-1].decode(errors="replace")


def _line_of(data: bytes, dialect: Dialect, rows: NDArray[np.int64] | None, row: int) -> int:
    """Line number in the file of a row of the table (only on the way to a message)."""
    wanted = int(rows[row]) if rows is not None else row
    seen = -1
    for line, width in _widths(memoryview(data)[dialect.body :], dialect):
        seen += width == dialect.width
        if seen == wanted:
            return line + dialect.first_line - 1
    return dialect.first_line


def _widths(body: memoryview, dialect: Dialect) -> Iterator[tuple[int, int]]:
    """Line number (from 1) and number of cells of each record."""
    whole = body.obj
    assert isinstance(whole, bytes)
    if b'"' in whole:
        for line, record in read_records(bytes(body).decode(), dialect.delimiter):
            yield line, len(record)
        return
    delimiter = dialect.delimiter.encode()
    for line, text in enumerate(_LINE.finditer(body), 1):  # lazily: the row is mostly near
        yield line, text[0].count(delimiter) + 1
