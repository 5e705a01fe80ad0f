"""Cells of one column to numbers.

In comes a column as pyarrow read it, typed or text; out comes a float64 array, NaN where a cell is
blank, and which cells could not be read. Text is only met where a file is ugly: units behind
values, mixed decimal marks, thousands marks, hemisphere letters, words for a status.
"""

import re
from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import partial

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from roadlog.ingest import shelf
from roadlog.ingest.text.columns import unit_of
from roadlog.ingest.text.dialect import BLANKS
from roadlog.ingest.text.evenly import Piece, behind_numbers, even_degrees, even_numbers
from roadlog.ingest.text.numerals import (
    MarkUnclear,
    Unsettled,
    plain_numerals,
    plain_numerals_of,
)
from roadlog.quantities.arrays import Bools, Floats
from roadlog.quantities.signals import (
    CLOSED_LOOP,
    CLOSED_LOOP_FAULT,
    OPEN_LOOP_COLD,
    OPEN_LOOP_FAULT,
    OPEN_LOOP_LOAD_OR_CUT,
)
from roadlog.quantities.units import BARE, UNITS, convert

_FLOAT = pa.float64()
_SWITCH_WORDS = {"on": 1.0, "yes": 1.0, "true": 1.0, "off": 0.0, "no": 0.0, "false": 0.0}
_MANY_CELLS = 2048
_WHOLE = 2.0**53  # up to here a whole number is one float64, however it is read
_STATUS_BYTES = (0, 1, 2, 4, 8, 16)
_NUMBER = r"^(?P<number>[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(?P<rest>[^\d\s.,:].*)?$"
_ANGLE = (
    r"^\s*(?P<before>[NSEWOnsewo])?\s*(?P<sign>-)?(?P<d>\d{1,3}(?:\.\d+)?)"
    r"(?:\s*[°º:d ]\s*(?P<m>\d{1,2}(?:\.\d+)?))?(?:\s*['′’: ]\s*(?P<s>\d{1,2}(?:\.\d+)?))?"
    r"\s*(?:['′’\"″”°º]*|(?i:deg(?:rees?)?\.?))\s*(?P<after>[NSEWOnsewo])?\s*$"
)


def floats(column: pa.ChunkedArray) -> Floats:
    """A numeric column as a float64 array, nulls as NaN; one that has grown, without a copy."""
    if column.num_chunks == 1 and column.type == _FLOAT:
        whole = column.chunk(0)
        if whole.null_count:
            return np.asarray(whole.to_numpy(zero_copy_only=False), np.float64)
        held = whole.buffers()[1]
        if held is not None and held.is_mutable:
            return np.frombuffer(held, np.float64, len(whole), 8 * whole.offset)
    parts = [c.to_numpy(zero_copy_only=False) for c in column.chunks]
    if not parts:
        return np.empty(0)
    return np.concatenate(parts, dtype=np.float64, casting="unsafe")


def texts(column: pa.ChunkedArray | pa.Array) -> pa.Array:
    """A text column trimmed, with every blank spelling as null."""
    if not (pa.types.is_string(column.type) or pa.types.is_large_string(column.type)):
        column = column.cast(pa.string())
    column = pc.utf8_trim_whitespace(column)
    blank = pc.is_in(pc.utf8_lower(column), value_set=pa.array(sorted(BLANKS)))
    column = pc.if_else(blank, pa.scalar(None, column.type), column)
    whole = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    return whole


def texts_of(column: pa.ChunkedArray) -> pa.Array | pa.ChunkedArray:
    """`texts`, piece by piece on the shelf if they are many."""
    if len(column) < shelf.LARGE_ROWS or not pa.types.is_string(column.type):
        return texts(column)
    pieces = []
    for chunk in column.chunks:
        pieces.append(shelf.shelved(texts(chunk)))
        shelf.rest()
    return pa.chunked_array(pieces)


def numbers(
    column: pa.ChunkedArray,
    decimal: str,
    unit: str | None = None,
    unsettled: Unsettled = "group",
) -> tuple[Floats, Bools]:
    """Numbers of a column [`unit`, or as written], and which non-blank cells hold none.

    A cell with a unit of its own (`6 mph` in a column of km/h) is converted; one with a unit of
    another dimension holds no number; a unit alone is a blank. Without `unit`, what stands behind a
    number is passed over. `unsettled` is as in `plain_numerals`.

    Raises
    ------
    MarkUnclear
        If `unsettled` is "ask" and a comma or point can be either mark.
    """
    if pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
        values = floats(column)
        return values, np.zeros(len(values), bool)
    few = coded(column)
    if few is not None:
        return _of_few(*few, decimal, unit, unsettled)
    return _of_text(column, decimal, unit, unsettled)


def _of_text(
    column: pa.ChunkedArray | pa.Array, decimal: str, unit: str | None, unsettled: Unsettled
) -> tuple[Floats, Bools]:
    """`numbers` of a column of text, cell by cell unless all are written one way."""
    pieces = _pieces(column)
    behind = behind_numbers(pieces)
    if behind is not None:
        even = even_numbers(pieces, behind, decimal)
        own = None if unit is None else partial(_from_own_unit, text=behind, unit=unit)
        if (found := _joined_even(even, len(column), own)) is not None:
            return found
    if isinstance(column, pa.ChunkedArray) and len(column) >= shelf.LARGE_ROWS:
        plain = plain_numerals_of([partial(texts, p) for p in pieces], decimal, unsettled)
        with suppress(_LongWholeNumbers):
            return _joined((_of_plain(text, unit, piece=True) for text in plain), len(column))
    return _of_plain(plain_numerals(texts(column), decimal, unsettled), unit)


def _pieces(column: pa.ChunkedArray | pa.Array) -> list[pa.Array]:
    return list(column.chunks) if isinstance(column, pa.ChunkedArray) else [column]


def _joined_even(
    pieces: Iterable[Piece | None], rows: int, own: Callable[[Floats], Floats] | None = None
) -> tuple[Floats, Bools] | None:
    """Values of pieces that are written one way, and which are bad; None if one isn't."""
    values, bad, at = shelf.space(rows), np.zeros(rows, bool), 0
    for piece in pieces:
        if piece is None:
            return None
        here = slice(at, at + len(piece.values))
        values[here] = piece.values if own is None else own(piece.values)
        bad[here] = np.isnan(values[here]) & piece.filled
        at = here.stop
        if rows >= shelf.LARGE_ROWS:
            shelf.rest()
    return values, bad


class _LongWholeNumbers(Exception):
    """A piece of whole numbers that are read otherwise where another piece has decimals."""


def _of_plain(numerals: pa.Array, unit: str | None, *, piece: bool = False) -> tuple[Floats, Bools]:
    """Numbers with decimal points, and what stands behind them; of a column or a piece of it."""
    text = _without_lone_units(numerals)
    parts = pc.extract_regex(text, _NUMBER)
    found = pc.struct_field(parts, "number")
    read = pd.to_numeric(pd.Series(found.to_numpy(zero_copy_only=False)), errors="coerce")
    values: Floats = np.asarray(read, np.float64)
    if piece and read.dtype.kind != "f" and np.abs(values).max(initial=0) > _WHOLE:
        raise _LongWholeNumbers
    values = np.where(np.isinf(values), np.nan, values)
    if unit is not None:
        values = _own_units(values, pc.struct_field(parts, "rest"), unit)
    bad = np.isnan(values) & np.asarray(pc.is_valid(text).to_numpy(zero_copy_only=False), bool)
    return values, bad


def _joined(pieces: Iterable[tuple[Floats, Bools]], rows: int) -> tuple[Floats, Bools]:
    """Values of a column's pieces in one array, and which are bad; many lie on the shelf."""
    values, bad, at = shelf.space(rows), np.empty(rows, bool), 0
    for some, wrong in pieces:
        values[at : at + len(some)], bad[at : at + len(some)] = some, wrong
        at += len(some)
        shelf.rest()
    return values, bad


def coded(column: pa.ChunkedArray | pa.Array) -> tuple[pa.Array, NDArray[np.int32]] | None:
    """Each distinct cell once, in order of appearance, and which one each cell is (-1 for null).

    None where cells are few or mostly distinct: nothing is saved there.
    """
    if len(column) < _MANY_CELLS or len(pc.unique(column[:_MANY_CELLS])) > _MANY_CELLS // 2:
        return None
    found = pc.dictionary_encode(column)
    if isinstance(found, pa.ChunkedArray):
        found = found.unify_dictionaries().combine_chunks()
    codes = found.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    return found.dictionary, codes


def _of_few(
    words: pa.Array, codes: NDArray[np.int32], decimal: str, unit: str | None, unsettled: Unsettled
) -> tuple[Floats, Bools]:
    """`numbers` of a column with few distinct cells: all that it asks of cells, it asks of any."""
    try:
        values, bad = _of_text(words, decimal, unit, unsettled)
    except MarkUnclear as e:
        raise MarkUnclear(int(np.argmax(codes == e.row)), e.cell) from None
    values, bad = np.append(values, np.nan), np.append(bad, False)
    return _joined(((values[codes[p]], bad[codes[p]]) for p in shelf.parts(len(codes))), len(codes))


def angles(column: pa.ChunkedArray, decimal: str) -> tuple[Floats, Bools]:
    """Degrees of a column that writes them as plain numbers or as `52°30.5'N`, `N 52 30 15`."""
    if not pa.types.is_floating(column.type):
        pieces = _pieces(column)
        even = even_degrees(pieces, behind_numbers(pieces) or "", decimal)
        if (found := _joined_even(even, len(column))) is not None:
            return found
    values, bad = numbers(column, decimal, unsettled="decimal")
    if not bad.any() and not _has_letters(column):
        return values, bad
    if isinstance(column, pa.ChunkedArray) and len(column) >= shelf.LARGE_ROWS:
        return _joined((_angles(chunk, decimal) for chunk in column.chunks), len(column))
    return _angles(column, decimal)


def _angles(column: pa.ChunkedArray | pa.Array, decimal: str) -> tuple[Floats, Bools]:
    text = texts(column)
    if decimal == ",":
        text = pc.replace_substring(text, ",", ".")
    parts = pc.extract_regex(text, _ANGLE)
    field = {n: _part(parts, n) for n in ("d", "m", "s")}
    degrees = field["d"] + np.nan_to_num(field["m"]) / 60 + np.nan_to_num(field["s"]) / 3600
    letters = pc.utf8_upper(
        pc.binary_join_element_wise(
            pc.struct_field(parts, "before"), pc.struct_field(parts, "after"), ""
        )
    )
    negative = pc.fill_null(
        pc.or_(
            pc.is_in(letters, value_set=pa.array(["S", "W"])),
            pc.equal(pc.struct_field(parts, "sign"), "-"),
        ),
        False,
    )
    degrees = np.where(np.asarray(negative.to_numpy(zero_copy_only=False)), -degrees, degrees)
    written = np.asarray(pc.is_valid(text).to_numpy(zero_copy_only=False), bool)
    return degrees, np.isnan(degrees) & written


def degrees_minutes(values: Floats) -> Floats:
    """Degrees of `ddmm.mmmm` numbers, the form of NMEA 0183 sentences.

    >>> float(degrees_minutes(np.array([5230.5]))[0])
    52.50833333333333
    """
    whole: Floats = np.trunc(values / 100)
    return np.asarray(whole + (values - 100 * whole) / 60, np.float64)


def hemispheres(column: pa.ChunkedArray) -> Floats:
    """+1 for N and E, -1 for S and W, NaN else."""
    letters = pc.utf8_upper(pc.utf8_slice_codeunits(texts(column), 0, 1))
    found = pd.Series(letters.to_numpy(zero_copy_only=False)).map(
        {"N": 1.0, "E": 1.0, "O": 1.0, "S": -1.0, "W": -1.0}
    )
    return np.asarray(found, np.float64)


def statuses(column: pa.ChunkedArray) -> tuple[Floats, Bools]:
    """Fuel-system status bytes of SAE J1979 PID 03 from numbers, byte pairs or words.

    Cells whose meaning isn't plain are NaN and marked.
    """
    if pa.types.is_floating(column.type):
        raw = floats(column)
        found = [v for v in pc.unique(column).to_pylist() if v is not None and not np.isnan(v)]
        known = {v: _status_number(v) for v in found}
        if all(v == byte for v, byte in known.items()):
            return raw, np.zeros(len(raw), bool)
        values: Floats = np.asarray(pd.Series(raw).map(known), np.float64)
        return values, np.isnan(values) & ~np.isnan(raw)
    if len(column) >= shelf.LARGE_ROWS:
        return _joined(map(_status_words, column.chunks), len(column))
    return _status_words(column)


def _status_words(column: pa.ChunkedArray | pa.Array) -> tuple[Floats, Bools]:
    text = pd.Series(texts(column).to_numpy(zero_copy_only=False))
    meaning = {t: _status_of(t) for t in text.dropna().unique()}
    values = np.asarray(text.map(meaning), np.float64)
    return values, np.isnan(values) & text.notna().to_numpy()


def switches(column: pa.ChunkedArray, decimal: str) -> tuple[Floats, Bools]:
    """1 and 0 of a lamp that is written as numbers or as on/off, yes/no, true/false."""
    values, bad = numbers(column, decimal)
    if not bad.any():
        return values, bad
    words = pd.Series(pc.utf8_lower(texts(column)).to_numpy(zero_copy_only=False))
    told = np.asarray(words.map(_SWITCH_WORDS), np.float64)
    return np.where(bad, told, values), bad & np.isnan(told)


def _own_units(values: Floats, behind: pa.Array, unit: str) -> Floats:
    """Convert the cells that carry a unit of their own; NaN where it is none or doesn't fit."""
    coded = pc.dictionary_encode(behind)
    codes = coded.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    out = values.copy()
    for code, text in enumerate(coded.dictionary.to_pylist()):
        here = codes == code
        out[here] = _from_own_unit(values[here], text, unit)
    return out


def _from_own_unit(values: Floats, text: str, unit: str) -> Floats:
    """Values that have this text behind them in `unit`; NaN where it is none or doesn't fit."""
    own = unit_of(text)
    if not text.strip() or own == unit or (own in BARE and unit in BARE[own]):
        return values
    known = own is not None and own not in BARE
    fits = known and UNITS[str(own)].dimension == UNITS[unit].dimension
    return convert(values, own, unit) if fits and own else np.full(len(values), np.nan)


def step_of(values: Floats) -> float:
    """The finest decimal step that the values use (1, 0.1, … 1e-9), NaN without values."""
    some = values[np.isfinite(values)][:5000]
    if not len(some):
        return float("nan")
    for digits in range(10):
        if np.allclose(np.round(some, digits), some, rtol=1e-12, atol=1e-11):
            return float(10.0**-digits)
    return 1e-9


def _status_number(value: float) -> float:
    if value in _STATUS_BYTES or not np.isfinite(value):
        return value
    first, second = divmod(int(value), 256)
    if value == int(value) and first in _STATUS_BYTES[1:] and second in _STATUS_BYTES:
        return float(first)
    return float("nan")


def _status_of(text: str) -> float:
    """One status text to its J1979 byte; the short forms OL, CL, OL-Drive … are J1979's."""
    if m := re.fullmatch(r"(\d+)(?:[.,]0+)?\s*(?:[/,;| ]\s*\d+)?", text):
        return _status_number(float(m[1]))
    words = " ".join(re.findall(r"[a-z]+", text.lower()))
    closed = re.match(r"(cl|closed( loop)?)\b", words)
    opened = re.match(r"(ol|open( loop)?)\b", words)
    fault = re.search(r"\b(fault|failure|error)\b", words)
    if closed:
        return CLOSED_LOOP_FAULT if fault else CLOSED_LOOP
    if not opened:
        return float("nan")
    if re.search(r"\b(drive|driving|load|cut|deceleration|decel|enrichment|enleanment)\b", words):
        return OPEN_LOOP_LOAD_OR_CUT
    if fault:
        return OPEN_LOOP_FAULT
    cold = re.search(r"\b(cold|temperature|temp|warm|warming|yet|insufficient)\b", words)
    if words == "ol" or cold:
        return OPEN_LOOP_COLD
    return float("nan")


def _without_lone_units(text: pa.Array) -> pa.Array:
    """Cells that hold a unit and no number, of a sensor that never answered, as null."""
    wordy = pc.if_else(pc.match_substring_regex(text, r"\d"), pa.scalar(None, text.type), text)
    lone = [w for w in pc.unique(wordy).to_pylist() if w and len(w) < 20 and unit_of(w)]
    if not lone:
        return text
    return pc.if_else(pc.is_in(text, value_set=pa.array(lone)), pa.scalar(None, text.type), text)


def _has_letters(column: pa.ChunkedArray) -> bool:
    if not (pa.types.is_string(column.type) or pa.types.is_large_string(column.type)):
        return False
    return any(
        pc.any(pc.match_substring_regex(chunk, r"[NSEWnsew°']")).as_py() for chunk in column.chunks
    )


def _part(parts: pa.Array, name: str) -> Floats:
    field = pc.struct_field(parts, name)
    series = pd.Series(field.to_numpy(zero_copy_only=False))
    return np.asarray(pd.to_numeric(series, errors="coerce"), np.float64)
