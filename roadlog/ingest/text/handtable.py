"""A small table that somebody keeps by hand: text in any dialect goes in, cells come out.

The index of the frame is the line on which each row begins, so that whatever is wrong in a cell
can be said by line. Part of ingest; logs are read by `roadlog.ingest.table.delimited`.
"""

import csv
import io
import re
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.text.columns import unit_of
from roadlog.ingest.text.dialect import as_utf8

BLANK = frozenset({"", "na", "n/a", "#n/a", "nan", "null", "none"})  # in lower case
_LINE = "line"
TIME_WORDS = ("time", "date time", "datetime", "timestamp", "date")


def read_table(path: Path) -> pd.DataFrame:
    """A delimited text file as text cells, missing where blank, whatever its delimiter.

    Cells that are lacking at the end of a row are blank; a cell too many isn't.

    Returns
    -------
    DataFrame
        Index `line`; columns by their headings.

    Raises
    ------
    InputError
        If it has no heading, or naming the line of an open quote or of a cell without a heading.
    """
    text = as_utf8(path.read_bytes(), path).decode()
    first = text.lstrip("\r\n").partition("\n")[0]
    rows = _rows(text, max(",;\t|", key=first.count), path)
    if not rows:
        raise InputError(f"{path} is empty: write a line of headings, and a line for each row")
    (_, heads), *body = rows
    width = max(i + 1 for i, h in enumerate(heads) if h)
    for name in heads[:width]:
        if not name or heads.count(name) > 1:
            raise InputError(
                f"{path}: column {heads.index(name) + 1} has no heading: add it"
                if not name
                else f"{path}: column '{name}' is there twice: leave one out"
            )
    for line, cells in body:
        if any(cells[width:]):
            raise InputError(
                f"{path}: line {line} has more cells than there are headings: put a cell that "
                "holds the separator into quotes"
            )
    columns = {
        name: pd.Series(
            [c[i] if i < len(c) and c[i].lower() not in BLANK else np.nan for _, c in body],
            dtype="str",
        )
        for i, name in enumerate(heads[:width])
    }
    lines = pd.Index([line for line, _ in body], name=_LINE, dtype=int)
    return pd.DataFrame(columns).set_axis(lines, axis=0)


def line_of(cells: pd.Series | pd.DataFrame, i: int) -> int:
    """The line on which row `i` (from 0) of a table began.

    >>> line_of(pd.Series(["a"], index=pd.Index([7], name="line")), 0), line_of(pd.Series(["a"]), 0)
    (7, 2)
    """
    return int(cells.index[i]) if cells.index.name == _LINE else i + 2


def _rows(text: str, delimiter: str, path: Path) -> list[tuple[int, list[str]]]:
    """Line and stripped cells of every row that isn't blank."""
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True, strict=True
    )
    rows, line = [], 1
    try:
        for cells in reader:
            stripped = [c.strip() for c in cells]
            if any(stripped):
                rows.append((line, stripped))
            line = reader.line_num + 1
    except csv.Error:
        raise InputError(
            f"{path}: line {line}: a quotation mark is open or stands inside a cell: close it, or "
            "take it out"
        ) from None
    return rows


def split_unit(header: str) -> tuple[str, str | None]:
    """The words of a header in lower case, and the unit in brackets or behind the last gap."""
    bracketed = re.fullmatch(r"(.*?)[\s_]*[\[(]([^\])]*)[\])]\s*", header)
    if bracketed:
        words, unit = bracketed[1], bracketed[2] or None
    else:
        head, _, tail = header.replace("_", " ").replace(",", " ").strip().rpartition(" ")
        words, unit = (head, tail) if head and unit_of(tail) else (header, None)
    return " ".join(re.sub(r"[_\-]", " ", words).lower().split()), unit
