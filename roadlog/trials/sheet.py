"""Small tables that a tester keeps by hand (`runout.csv`, score sheets, load readings).

In comes a delimited text with agreed column names; out comes a frame with numbers as numbers. An
unknown column, a missing one or a cell that is no number is named with its line.
"""

import difflib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.text.handnumbers import decimal_mark, hand_numbers
from roadlog.ingest.text.handtable import read_table


def read_sheet(
    path: Path,
    *,
    numbers: Sequence[str] = (),
    texts: Sequence[str] = (),
    needed: Sequence[str] = (),
) -> pd.DataFrame:
    """Read a hand-kept table.

    Parameters
    ----------
    path : Path
    numbers, texts : sequence of str
        The columns that it may have; names are read without regard to case, spaces or dashes.
    needed : sequence of str
        The columns that it must have.

    Returns
    -------
    DataFrame
        Every allowed column, NaN or '' where the table has none, and `line`, the line in the file.

    Raises
    ------
    InputError
        If the file is missing, a column is unknown or missing, or a cell is no number.
    """
    if not path.is_file():
        raise InputError(f"{path} doesn't exist: name the table to read")
    raw = read_table(path)
    raw = raw.rename(columns=lambda c: "_".join(str(c).lower().replace("-", " ").split()))
    allowed = [*numbers, *texts]
    for name in raw.columns:
        if name not in allowed:
            near = difflib.get_close_matches(name, allowed, n=1)
            hint = f"did you mean '{near[0]}'?" if near else f"known are {', '.join(allowed)}"
            raise InputError(f"{path}: column '{name}' is not known: {hint}")
    twice = raw.columns[raw.columns.duplicated()]
    if len(twice):
        raise InputError(f"{path}: column '{twice[0]}' is there twice: leave one out")
    for name in needed:
        if name not in raw.columns:
            raise InputError(f"{path}: column '{name}' is missing: add it")
    if raw.empty:
        raise InputError(f"{path} has no row: write one row for each trial")
    columns: dict[str, object] = {n: _numbers(raw, n, path) for n in numbers}
    columns |= {
        n: raw[n].fillna("").str.strip() if n in raw.columns else pd.Series("", index=raw.index)
        for n in texts
    }
    return pd.DataFrame(columns).assign(line=raw.index).reset_index(drop=True)


def _numbers(raw: pd.DataFrame, name: str, path: Path) -> pd.Series:
    if name not in raw.columns:
        return pd.Series(np.nan, index=raw.index)
    return hand_numbers(raw[name], path, name, decimal=decimal_mark(raw))
