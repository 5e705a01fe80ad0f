"""Columns whose cells are all written one way: a plain number with the same letters behind it.

In come a column's texts; out come its numbers and what stands behind them, or None where a cell is
written otherwise: then `roadlog.ingest.text.cells` reads cell by cell, to the same numbers. Part of
the ingest stage.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from roadlog.ingest.text.dialect import BLANKS
from roadlog.quantities.arrays import Bools, Floats

_FIRST = 64
_OF_ANGLES = re.compile(r"[NSEWnsew°']")
_CELL = re.compile(r"-?[0-9.,]+(\s*[^\W\d_eE][^\d\s.,:\n]*|\s*[°º'′’\"″”%]+|\s*°\s?[^\W\d_]|)")
_DEGREES = re.compile(r"\s*(?:['′’\"″”°º]*|(?i:deg(?:rees?)?))\s*([NSEWOnsewo])?")
_PLAIN_DEGREES = r"^-?[0-9]{1,3}(\.[0-9]+)?$"
_MOST_LETTERS = 15  # so few digits are one float64, whoever reads them
_MINUS, _POINT, _COMMA = (ord(c) for c in "-.,")


@dataclass(frozen=True)
class Piece:
    """Numbers of a part of a column; which cells aren't blank; the numbers' texts."""

    values: Floats
    filled: Bools
    texts: pa.Array


def behind_numbers(pieces: Sequence[pa.Array]) -> str | None:
    """What stands behind the first number of a column; None if that is no plain number.

    >>> behind_numbers([pa.array(["", "46 km/h"])]), behind_numbers([pa.array(["fast"])])
    (' km/h', None)
    """
    for piece in pieces:
        if not (pa.types.is_string(piece.type) or pa.types.is_large_string(piece.type)):
            return None
        for cell in piece[:_FIRST].to_pylist():
            if cell is not None and cell.strip().lower() not in BLANKS:
                found = _CELL.fullmatch(cell)
                return None if found is None else found[1]
    return None


def even_numbers(pieces: Sequence[pa.Array], behind: str, decimal: str) -> Iterator[Piece | None]:
    """The numbers of each piece; None where a cell isn't a number with just that behind it."""
    return (_numbers(piece, behind, decimal) for piece in pieces)


def even_degrees(pieces: Sequence[pa.Array], behind: str, decimal: str) -> Iterator[Piece | None]:
    """The same of decimal degrees, negative south and west."""
    letter = _DEGREES.fullmatch(behind) if _OF_ANGLES.search(behind) else None
    for piece in even_numbers(pieces, behind, decimal) if letter else [None]:
        if piece is None or not _all(pc.match_substring_regex(piece.texts, _PLAIN_DEGREES)):
            yield None
            return
        south = letter is not None and (letter[1] or "").upper() in ("S", "W")
        values = piece.values
        if south:
            values = np.where(piece.filled, -np.abs(values), values)
        yield Piece(values, piece.filled, piece.texts)


def _numbers(cells: pa.Array, behind: str, decimal: str) -> Piece | None:
    filled = pc.and_(pc.ends_with(cells, behind), pc.not_equal(cells, "")).fill_null(False)
    if not _all(filled):
        words = pc.unique(cells.filter(pc.invert(filled))).to_pylist()
        if any(w is not None and w.strip().lower() not in BLANKS for w in words):
            return None
    cut = pc.utf8_slice_codeunits(cells, 0, -len(behind)) if behind else cells
    texts = pc.if_else(filled, cut, pa.scalar(None, cells.type))
    letters = np.frombuffer(texts.buffers()[2] or b"", np.uint8)
    if decimal == ",":
        right = letters != _POINT
        texts = pc.replace_substring(texts, ",", ".")
    else:
        right = letters != _COMMA
    right &= (letters >= _COMMA) & (letters <= ord("9")) & (letters != ord("/"))
    if not right.all() or (pc.max(pc.binary_length(texts)).as_py() or 0) > _MOST_LETTERS:
        return None
    if pc.any(pc.ends_with(texts, ".")).as_py():
        return None  # a mark behind a number isn't always one of decimals
    try:
        values = np.asarray(texts.cast(pa.float64()).to_numpy(zero_copy_only=False), np.float64)
    except pa.ArrowInvalid:
        return None
    if np.signbit(values[values == 0]).any():
        return None  # whole numbers know no minus zero
    return Piece(values, filled.to_numpy(zero_copy_only=False), texts)


def _all(cells: pa.Array) -> bool:
    return pc.all(cells).as_py() is not False
