"""Numbers in a table that somebody keeps by hand: cells of one column in, floats out.

`1,234` is 1234 to some and 1.234 to others, a thousandfold apart. The rest of the column settles
it, then the rest of the table, then the values; where nothing does, it is asked for.
"""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from roadlog.errors import InputError
from roadlog.ingest.text.columns import unit_of
from roadlog.ingest.text.handtable import line_of
from roadlog.ingest.text.numerals import MarkUnclear, Unsettled, plain_numerals
from roadlog.quantities.units import UNITS, convert

BLANK = frozenset({"", "-", "na", "n/a", "nan"})
WIDE = 50.0  # a column's largest value over its smallest that one reading makes and one doesn't
_ENDS = {",": re.compile(r"[+-]?(\d+,(\d{1,2}|\d{4,})|0,\d+)"),
         ".": re.compile(r"[+-]?(\d+\.(\d{1,2}|\d{4,})|0\.\d+)")}  # fmt: skip
_MAYBE = {m: re.compile(rf"[+-]?[1-9]\d{{0,2}}\{m}\d{{3}}") for m in ",."}


def decimal_mark(table: pd.DataFrame) -> str | None:
    """The decimal mark that the cells of a table settle together; None if none or both do.

    >>> decimal_mark(pd.DataFrame({"a": ["1,234"], "b": ["12,5"]}))
    ','
    """
    cells = [str(c).strip() for name in table.columns for c in table[name].dropna()]
    seen = [m for m, end in _ENDS.items() if any(end.fullmatch(c) for c in cells)]
    return seen[0] if len(seen) == 1 else None


def hand_numbers(
    cells: pd.Series,
    path: Path,
    header: str,
    *,
    decimal: str | None = None,
    whole: bool = False,
) -> pd.Series:
    """Text cells of one column as floats, NaN where blank.

    Parameters
    ----------
    cells : Series of str
        By line (`handtable.read_table`).
    path, header
        For the message.
    decimal : {",", "."}, optional
        What the rest of the table, or the kind of quantity, settles.
    whole : bool
        Whether the quantity is told in whole numbers that reach thousands (an odometer): three
        digits behind a mark are then thousands.

    Raises
    ------
    InputError
        Naming the line of a cell that is no number, or that may be either.
    """
    text = cells.fillna("").astype(str).str.strip()
    text = text.where(~text.str.lower().isin(BLANK), "")
    column = pa.array(text.tolist(), pa.string())
    mark, unsettled = _reading(text, decimal, whole)
    try:
        plain = pd.Series(
            plain_numerals(column, mark, unsettled).to_pylist(),
            index=text.index,
        )
    except MarkUnclear as e:
        decimals, grouped = e.cell.replace(",", "."), e.cell.replace(",", "")
        raise InputError(
            f"{path}: line {line_of(cells, e.row)}, column '{header}': '{e.cell}' is {decimals} "
            f"or {grouped}: write it as one of the two"
        ) from None
    numbers = pd.to_numeric(plain, errors="coerce").replace([np.inf, -np.inf], np.nan)
    bad = (numbers.isna() & (text != "")).to_numpy()
    if bad.any():
        row = int(bad.argmax())
        raise InputError(
            f"{path}: line {line_of(cells, row)}, column '{header}': '{cells.iloc[row]}' is no "
            "number: correct it, or leave it blank"
        )
    return numbers.astype(float)


def quantity(
    cells: pd.Series,
    unit: str | None,
    own: str,
    path: Path,
    header: str,
    *,
    decimal: str | None = None,
    whole: bool = False,
) -> pd.Series:
    """Text cells as numbers in the unit `own`; blank cells as NaN.

    `decimal` and `whole` are as in `hand_numbers`.

    Raises
    ------
    InputError
        Naming the line of a cell that is no number or may be two, or the unit if it doesn't fit.
    """
    numbers = hand_numbers(cells, path, header, decimal=decimal, whole=whole)
    name = own if unit is None else unit_of(unit)
    if name is None or UNITS[name].dimension != UNITS[own].dimension:
        raise InputError(f"{path}: column '{header}': unit '{unit}' doesn't fit: use {own}")
    return pd.Series(convert(numbers.to_numpy(dtype=float), name, own), index=cells.index)


def _reading(text: pd.Series, decimal: str | None, whole: bool) -> tuple[str, Unsettled]:
    """The decimal mark to read a column with, and what the other mark is where it may be both."""
    told = [t for t in text if t]
    for mark, maybe in _MAYBE.items():
        other = "." if mark == "," else ","
        marked = [t for t in told if mark in t]
        if not marked or not all(maybe.fullmatch(t) for t in marked):
            continue
        if any(other in t for t in told):
            continue
        if whole:
            return other, "group"
        as_decimal = _spread([t.replace(mark, ".") for t in told])
        grouped = _spread([t.replace(mark, "") for t in told])
        if grouped < WIDE <= as_decimal:
            return other, "group"
        if as_decimal < WIDE <= grouped:
            return mark, "group"
    if decimal is not None:
        return decimal, "group"
    return ".", "ask"


def _spread(cells: list[str]) -> float:
    values = np.abs(pd.to_numeric(pd.Series(cells), errors="coerce").to_numpy(dtype=float))
    values = values[values > 0]
    return float(values.max() / values.min()) if len(values) else 1.0
