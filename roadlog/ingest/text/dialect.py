"""How a delimited text is written: encoding, delimiter, decimal mark, header line, units row.

In comes a file's text; out come the text as UTF-8 and a
`Dialect` that says where the rows begin and how to cut them. Only the head of the file is looked
at, so this costs the same for 200 kB and 200 MB.
"""

import codecs
import csv
import re
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from itertools import chain
from pathlib import Path
from typing import NamedTuple

import numpy as np

from roadlog.errors import InputError
from roadlog.ingest.text.columns import is_known, unit_fits, unit_of
from roadlog.ingest.text.shape import (
    check_names,
    check_second_header,
    check_units_row,
    row_width,
    stripped,
    with_index,
)
from roadlog.ingest.text.source import PIECE, Text
from roadlog.study.settings import ColumnRule

DELIMITERS = (",", ";", "\t", "|")
BLANKS = frozenset({
    "", "-", "--", "---", "n/a", "na", "#n/a", "nan", "-nan", "null", "none", "nil", "no data",
    "nodata", "?", "*", "inf", "-inf", "infinity", "-infinity", "∞", "-∞", "—", "–", "(null)",
})  # fmt: skip
_HEAD_BYTES = 1 << 18
_FEW_BYTES = 1 << 15
_HEAD_LINES = 200
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?")
_PLAIN = r"[+-]?+(?:[0-9]++(?:[.,][0-9]*+)?+|[.,][0-9]++)(?:[eE][+-]?+[0-9]++)?+"
_NUMBERS = re.compile(rf"(?:{_PLAIN}\n)*+")
_UNIT_BEHIND = r"(\s*[^\d\s.,:/-].*)?"
_COMMA_NUMBER = re.compile(r"[+-]?\d*,\d+([eE][+-]?\d+)?" + _UNIT_BEHIND)
_DOT_NUMBER = re.compile(r"[+-]?\d*\.\d+([eE][+-]?\d+)?" + _UNIT_BEHIND)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}[,.]\d{3}" + _UNIT_BEHIND)
_VALUE_WITH_UNIT = re.compile(r"[+-]?\d+(?:[.,]\d+)?\s*([^\d\s.,:/-].*)")
_LETTERS = re.compile(r"[^\W\d_]+")


@dataclass(frozen=True)
class Dialect:
    """How the file is cut into cells.

    `body` is the byte offset of the first data row, `first_line` its line number (from 1);
    `width` the number of cells of a data row; `columns` the cells of the first data rows, column by
    column, `numeric` whether those of a column are all plain numbers or blank; `units` the units
    row or, where there is none, the unit that follows every value of a column in its cells; `named`
    the number of columns up to the last name; `ended` says that rows end in a delimiter that the
    header hasn't; `passed` counts rows of numbers above the header.
    """

    delimiter: str
    decimal: str
    headers: tuple[str, ...]
    units: tuple[str | None, ...]
    width: int
    body: int
    first_line: int
    columns: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]
    preamble: tuple[str, ...]
    named: int
    ended: bool
    passed: int


def as_utf8(raw: bytes, path: Path, *, legacy: str = "cp1252") -> bytes:
    """`utf8_text` of bytes, as bytes."""
    return utf8_text(Text.of(raw), path, legacy=legacy)[:]


def utf8_text(raw: Text, path: Path, *, legacy: str = "cp1252") -> Text:
    """The file's text as valid UTF-8 without byte-order mark and NUL bytes.

    `legacy` is the code page of a text that isn't Unicode.

    Raises
    ------
    InputError
        If the bytes aren't text.
    """
    head = raw[:_HEAD_BYTES]
    if head.startswith(codecs.BOM_UTF8):
        raw = raw.part(3)
    elif head.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        raw = _transcoded(raw, "utf-32")
    elif head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raw = _transcoded(raw, "utf-16")
    elif kind := _bare_utf16(head):
        raw = _transcoded(raw, kind)
    head = raw[:_HEAD_BYTES].rstrip(b"\0\x1a")
    nuls = head.count(0) if b"\0" in head else 0
    if _controls(head) - nuls > 0.001 * len(head) or nuls > 0.2 * len(head):
        raise InputError(f"{path} is not a text file: give a delimited text log or a GPX track")
    if b"\0" in raw:
        raw = raw.rewritten(lambda _, piece: piece.replace(b"\0", b""))
    end = _valid_utf8(raw)
    if end >= len(raw) - 3 and (end or not len(raw)):
        return raw.part(0, end)
    if _valid_utf8(Text.of(head)) > len(head) - 4 and not head.isascii():
        return _transcoded(raw, "utf-8")
    try:
        head.decode(legacy)
        kind = legacy
    except UnicodeDecodeError:
        kind = "latin-1"
    return _transcoded(raw, kind)


def _controls(head: bytes) -> int:
    """How many bytes are control characters other than tabs and what ends lines or pages."""
    codes = np.frombuffer(head, np.uint8)
    low = codes[codes < 0x20]
    return int(np.count_nonzero((low < 0x09) | (low > 0x0D)) + np.count_nonzero(codes == 0x7F))


def stray_nuls(raw: Text) -> int:
    """Number of NUL bytes in a text of one byte a unit, where a logger lost what it wrote."""
    head = raw[:_HEAD_BYTES]
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE, codecs.BOM_UTF32_BE)):
        return 0
    n = raw.count(b"\0") if b"\0" in raw else 0  # counting is slower than looking
    return 0 if n and _bare_utf16(head) else n


def _bare_utf16(head: bytes) -> str | None:
    """UTF-16 without a byte-order mark shows as a NUL in nearly every second byte."""
    if b"\0" not in head:
        return None
    pairs = len(head) // 2
    even, odd = head[: 2 * pairs : 2].count(0), head[1 : 2 * pairs : 2].count(0)
    if max(even, odd) > 0.8 * pairs and min(even, odd) <= 0.1 * pairs:
        return "utf-16-le" if odd > even else "utf-16-be"
    return None


def _transcoded(raw: Text, encoding: str) -> Text:
    decoder = codecs.getincrementaldecoder(encoding)(errors="replace")
    return Text.kept(
        decoder.decode(raw[i : i + PIECE]).encode("utf-8", errors="replace")
        for i in range(0, len(raw), PIECE)
    )


def _valid_utf8(raw: Text) -> int:
    """Number of leading bytes that are whole UTF-8 characters; 0 if a bad one lies within."""
    if raw.is_ascii:
        return len(raw)
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for _, piece in raw.pieces():
            if decoder.getstate()[0] or not piece.isascii():
                decoder.decode(piece)
    except UnicodeDecodeError:
        return 0
    return len(raw) - len(decoder.getstate()[0])


def sniff(data: Text, path: Path, rules: Mapping[str, ColumnRule]) -> Dialect:
    """Find delimiter, header, units row, decimal mark and first data row.

    `rules` are the study's `[columns]`: their names are headers, whatever else is one.

    Raises
    ------
    InputError
        If no header can be found, or no row follows it.
    """
    lines = _head_lines(data)
    delimiter, records, at = _header(lines, path, rules)
    header = [" ".join(c.split()) for c in records[at].cells]
    line = records[at].first_line
    rows = [r for r in records[at + 1 :] if "".join(r.cells).strip()]
    units: Sequence[str | None] = ()
    if rows and (found := _units_row(rows[0].cells)):
        check_units_row(header, rows[0].cells, unit_fits, rows[0].first_line, path)
        units, rows = found, rows[1:]
    if not rows:
        raise InputError(f"{path}: no rows after the header in line {line}: the log is empty")
    check_second_header(header, rows[0].cells, BLANKS, rows[0].first_line, path)
    if len(rows) > 1 and len(data) > _HEAD_BYTES:
        rows = rows[:-1]  # the head may end inside it
    indexed = with_index(header, rows, delimiter)
    units = [*[None] * (len(indexed) - len(header)), *units]
    width = row_width(indexed, rows, line, delimiter, path)
    written, header = indexed, (indexed + [""] * width)[:width]
    columns, numeric = _columns([r.cells for r in rows if len(r.cells) == width], width)
    check_names(header, written, columns, line, path, partial(is_known, rules=rules))
    if not any(units):
        units = [
            None if plain else _unit_in_cells(column)
            for column, plain in zip(columns, numeric, strict=True)
        ]
    first = rows[0].first_line
    return Dialect(
        delimiter=delimiter,
        decimal=_decimal(columns, delimiter),
        headers=tuple(header),
        units=tuple([*units, *[None] * width][:width]),
        width=width,
        body=len("".join(lines[: first - 1]).encode()),
        first_line=first,
        columns=columns,
        numeric=numeric,
        preamble=tuple(x.strip() for x in lines[: line - 1]),
        named=len(stripped(written)),
        ended=len(written) < width,
        passed=_rows_of_numbers(records[:at]),
    )


def spaces_to_tabs(data: Text, rules: Mapping[str, ColumnRule]) -> Text | None:
    """The text with runs of spaces as tabs, if spaces alone delimit it; None if they don't.

    They do if no other delimiter is in the first lines, the first line's words are as many as the
    cells of every line after it, and more than one of them is a known header.
    """
    first = data[:_FEW_BYTES].splitlines()[:1]
    if any(d.encode() in line for line in first for d in DELIMITERS):
        return None
    written = _head_lines(data)
    head = data[: sum(map(len, written))]
    if any(d.encode() in head for d in DELIMITERS) or b'"' in data:
        return None
    lines = [x.split() for x in written if x.strip()]
    if len(lines) < 3:
        return None
    widths = {len(x) for x in lines[:-1]}
    if len(widths) > 1 or widths == {1} or sum(is_known(c, rules) for c in lines[0]) < 2:
        return None
    return data.rewritten(
        lambda _, p: re.sub(rb"(?m)^ +| +$", b"", re.sub(rb"(?<=\S) +(?=\S)", b"\t", p))
    )


def is_number(cell: str) -> bool:
    """Whether a cell is a plain number, with decimal point or comma."""
    return _NUMBER.fullmatch(cell.strip()) is not None


def are_numbers(cells: Collection[str]) -> bool:
    """Whether cells without blanks around them are all plain numbers.

    >>> are_numbers(["1.5", "-2", "3e4"]), are_numbers(["1", "2 mph"]), are_numbers([])
    (True, False, True)
    """
    return all_match(_NUMBERS, cells) or all(map(is_number, cells))


def all_match(lines: re.Pattern[str], cells: Collection[str]) -> bool:
    """Whether a pattern of lines holds for a text that has each cell as one line."""
    text = "\n".join([*cells, ""])
    return lines.fullmatch(text) is not None and text.count("\n") == len(cells)


def read_records(lines: Iterable[str], delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """First line number (from 1) and cells of each record, quotes respected."""
    for r in _records(lines, delimiter):
        yield r.first_line, r.cells


class _Record(NamedTuple):
    first_line: int
    cells: list[str]


def _head_lines(data: Text) -> list[str]:
    """The first lines, each with its end, as far as the head holds them."""
    lines = data[:_FEW_BYTES].splitlines(keepends=True)
    if len(lines) <= _HEAD_LINES:
        lines = data[:_HEAD_BYTES].splitlines(keepends=True)
    return [line.decode(errors="ignore") for line in lines[:_HEAD_LINES]]


def _records(lines: Iterable[str], delimiter: str) -> Iterator[_Record]:
    reader = csv.reader(lines, delimiter=delimiter, skipinitialspace=delimiter != "\t")
    done = 0
    try:
        for cells in reader:
            yield _Record(done + 1, cells)
            done = reader.line_num
    except csv.Error:
        return


def _columns(
    rows: Sequence[Sequence[str]], width: int
) -> tuple[tuple[tuple[str, ...], ...], tuple[bool, ...]]:
    """The rows' cells column by column, and which columns hold but plain numbers and blanks."""
    columns = list(zip(*rows, strict=True)) or [()] * width
    likely = [i for i, cells in enumerate(columns) if is_number(next(filter(None, cells), "0"))]
    together = set().union(*(columns[i] for i in likely)) - BLANKS
    sure = set(likely) if all_match(_NUMBERS, together) else set()
    numeric = [i in sure for i in range(width)]
    for i in set(range(width)) - sure:
        columns[i] = tuple(map(str.strip, columns[i]))
        numeric[i] = are_numbers([c for c in set(columns[i]) if c.lower() not in BLANKS])
    return tuple(columns), tuple(numeric)


def _header(
    lines: Sequence[str], path: Path, rules: Mapping[str, ColumnRule]
) -> tuple[str, list[_Record], int]:
    best: tuple[int, str, list[_Record], int] | None = None
    spare: tuple[str, list[_Record], int] | None = None
    memory: dict[str, bool] = {}
    number = cache(_NUMBER.fullmatch)
    text = "".join(lines)
    lettered = all(map(_LETTERS.search, rules))  # no word that means something has no letter
    least = 0  # words that mean something, for a row to be a better header than the best so far
    for delimiter in DELIMITERS:
        if delimiter not in text:
            continue
        records = list(_records(lines, delimiter))
        for i, record in enumerate(records):
            if len(record.cells) < max(2, least) or (
                lettered and best and len(_LETTERS.findall(" ".join(record.cells))) < least
            ):
                continue
            cells = list(map(str.strip, record.cells))
            named = [c for c in cells if c and not number(c)]
            if 2 * len(named) <= len(cells) - cells.count(""):
                continue
            for c in named:
                if c not in memory:
                    memory[c] = len(c) < 200 and is_known(c, rules)
            known = sum(memory[c] for c in named)
            rows = [r.cells for r in records[i + 1 : i + 4] if len(r.cells) == len(cells)]
            followed = any(number(c) for row in rows for c in row)
            score = 2 * known + followed
            if known and (best is None or score > best[0]):
                best, least = (score, delimiter, records, i), (score + 1) // 2
            if not spare and followed:
                spare = delimiter, records, i
    if best:
        _, delimiter, records, i = best
        return delimiter, records, _first_alike(records, i)
    if spare:
        return spare
    if re.match(r"\s*[{\[]\s*[{\[\"]", text):
        raise InputError(
            f"{path} holds JSON, which is read only with one flat object a line: export the log "
            "so, or as delimited text (CSV)"
        )
    if not any(d in text for d in DELIMITERS) and any(map(is_number, lines)):
        raise InputError(
            f"{path} has one column only: a log needs a time and at least one signal, with a "
            "comma, semicolon, tab or pipe between them"
        )
    raise InputError(
        f"{path}: no header row found in the first {len(lines)} lines: "
        "the log needs a line that names its columns"
    )


def _first_alike(records: Sequence[_Record], at: int) -> int:
    """The first row with the same names: a logger that began anew writes its header once more."""
    names = stripped(records[at].cells)
    return next(i for i in range(at + 1) if stripped(records[i].cells) == names)


def _rows_of_numbers(records: Iterable[_Record]) -> int:
    """How many of the rows are measured values: two numbers and more, as no title has."""
    return sum(sum(map(is_number, r.cells)) > 1 for r in records)


def _units_row(cells: Sequence[str]) -> list[str | None]:
    """The units row's units, [] if the row isn't one."""
    units: list[str | None] = []
    telling = 0
    for cell in cells:
        text = cell.strip().strip("[](){}").strip()
        unit = unit_of(text)
        if unit is None and text and not re.fullmatch(r"[ymdhsaf:./ -]+", text, re.IGNORECASE):
            return []
        telling += unit is not None and not text.isdigit() and text not in ("", "-")
        units.append(unit if text not in ("", "-") else None)
    return units if telling else []


def _unit_in_cells(column: Sequence[str]) -> str | None:
    """The unit that follows every value of a column in its cells."""
    found: set[str] = set()
    for cell in dict.fromkeys(column):
        if cell.lower() not in BLANKS:
            found.add(m[1] if (m := _VALUE_WITH_UNIT.fullmatch(cell)) else "")
            if len(found) > 1 or "" in found:
                return None
    return unit_of(found.pop()) if found else None


def _decimal(columns: Sequence[Sequence[str]], delimiter: str) -> str:
    """The decimal mark: the one of numbers that can't be in thousands, if there are any.

    Else the mark that is there; in a comma-delimited file, whose locale writes decimal points, a
    comma groups.
    """
    settled, open_ = Counter[str](), Counter[str]()
    if not any("," in "".join(column) for column in columns):
        return "."
    counted = Counter(chain.from_iterable(columns))
    for cell, n in counted.items():
        mark = "," if "," in cell and _COMMA_NUMBER.fullmatch(cell) else "."
        if mark == "," or ("." in cell and _DOT_NUMBER.fullmatch(cell)):
            (open_ if _THOUSANDS.fullmatch(cell) else settled)[mark] += n
    if settled:
        return "," if settled[","] > settled["."] else "."
    return "," if open_[","] > open_["."] and delimiter != "," else "."
