"""The study's own small tables: `notes.csv` (what the driver wrote down) and `weather.csv`.

In comes a delimited text in any dialect; out come frames as `roadlog.passes.table` and
`roadlog.passes.conditions` take them. Weather columns are matched by meaning and unit; `noted` says
which row of the notes is about which run.
"""

import datetime as dt
from collections.abc import Collection
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.errors import InputError
from roadlog.ingest.clock.handdates import read_days
from roadlog.ingest.text.handtable import line_of, read_table

DAY_KEYS = ("date", "day")
NOTE_KEYS = ("run", "file", *DAY_KEYS)  # what a row of the notes is about, nearest first
BATCH_KEYS = ("fuel batch", "batch", "fuel_batch")
MOST_LISTED = 6


def read_notes(
    path: Path, day_first: bool | None = None, drives: Collection[str] = ()
) -> pd.DataFrame:
    """Read `notes.csv` as text cells, one row a day or a run; its dates as YYYY-MM-DD.

    Parameters
    ----------
    path : Path
    day_first : bool, optional
        The order of day and month that the study's logs or its `[time]` settle.
    drives : collection of str
        Days of the study's drives, as YYYY-MM-DD.

    Raises
    ------
    InputError
        If it isn't a table with a header, or a date can't be read.
    """
    table = read_table(path)
    for name, column in note_headings(table).items():
        if name in DAY_KEYS:
            days = read_days(table[column], day_first, path, column, drives)
            table = table.assign(**{column: days})
    return table


def note_headings(notes: pd.DataFrame) -> dict[str, str]:
    """The notes' headings by their words in lower case."""
    return {str(c).strip().lower(): str(c) for c in notes.columns}


def noted(notes: pd.DataFrame, runs: pd.DataFrame, values: pd.Series) -> pd.Series:
    """What the notes tell of each run in one column: the entry of its own row, else of its day's.

    Parameters
    ----------
    notes : DataFrame
        With at least one of `NOTE_KEYS`. A row is about the run or file that it names, or else
        about its day.
    runs : DataFrame
        Columns `run`, `file`, `day`.
    values : Series
        A column of the notes, perhaps converted; NaN where blank.

    Returns
    -------
    Series
        Indexed by run, NaN where nothing was noted.

    Raises
    ------
    InputError
        If the notes have none of the keys, two rows about one thing, or a date that can't be read.
    """
    names = note_headings(notes)
    keys = [k for k in NOTE_KEYS if k in names]
    if not keys:
        raise InputError(
            f"notes.csv has no column 'date', 'run' or 'file' (it has {', '.join(names)}): add one "
            "that says which day or run each row is about"
        )
    out = pd.Series(np.nan, index=runs["run"].to_numpy())
    spoken_for = np.zeros(len(notes), dtype=bool)
    for key in keys:
        ids, own = _note_ids(notes[names[key]], key), _own_ids(runs, key)
        about = ((ids != "") & ~spoken_for).to_numpy(dtype=bool)
        spoken_for |= about
        twice = ids[about][ids[about].duplicated()]
        if len(twice):
            raise InputError(
                f"notes.csv has two rows for {key} {twice.iloc[0]}: keep one, or give a row a run "
                "with a column 'run' or 'file'"
            )
        entry = own.map(dict(zip(ids[about], values[about], strict=True)))
        entry.index = out.index
        out = entry.where(out.isna(), out)
    return out


def says_something(notes: pd.DataFrame, runs: pd.DataFrame) -> frozenset[dt.date]:
    """Days of which the notes tell anything, in a row of the day or of one of its runs.

    Parameters
    ----------
    notes : DataFrame
        As `read_notes` gives them.
    runs : DataFrame
        Columns `run`, `file`, `day` (YYYY-MM-DD).

    Raises
    ------
    InputError
        As `noted`.
    """
    filled = _filled(notes)
    names = note_headings(notes)
    told = noted(notes, runs, pd.Series(np.where(filled, 1.0, np.nan), index=notes.index))
    days = set(runs["day"].to_numpy()[told.notna().to_numpy()])
    for key in (k for k in DAY_KEYS if k in names):
        days |= set(_note_ids(notes[names[key]], key)[filled]) - {""}
    return frozenset(dt.date.fromisoformat(str(d)) for d in days)


def _filled(notes: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether each row says anything beside what it is about."""
    names = note_headings(notes)
    told = notes.drop(columns=[names[k] for k in (*NOTE_KEYS, "arm") if k in names])
    some = told.notna() & (told.astype("str").apply(lambda c: c.str.strip()) != "")
    filled: NDArray[np.bool_] = some.any(axis=1).to_numpy(bool, copy=True)
    return filled


def row_about(notes: pd.DataFrame, key: str, kind: str) -> int | None:
    """Line of the row that is about this day or file and nothing nearer; None if there is none."""
    names = note_headings(notes)
    order = [k for k in NOTE_KEYS if k in names]
    for k in order:
        if (k in DAY_KEYS) != (kind == "date") or (kind == "file" and k != "file"):
            continue
        ids = notes[names[k]].astype("str").fillna("").str.strip()
        if kind == "file":
            ids = ids.str.replace("\\", "/").str.split("/").str[-1]
        free = np.ones(len(notes), dtype=bool)
        for nearer in order[: order.index(k)]:
            cell = notes[names[nearer]]
            free &= (cell.isna() | (cell.astype("str").str.strip() == "")).to_numpy()
        here = np.flatnonzero((ids == key).to_numpy() & free)
        if len(here):
            return int(notes.index[here[0]])
    return None


def of_no_drive(notes: pd.DataFrame | None, runs: pd.DataFrame) -> list[str]:
    """A sentence on rows of the notes that say something and match no drive, if there are any.

    Rows of a day count only where the day of every run is known.

    Parameters
    ----------
    notes : DataFrame, optional
        As `read_notes` gives them.
    runs : DataFrame
        Columns `run`, `file`, `day`.
    """
    if notes is None or notes.empty:
        return []
    names = note_headings(notes)
    keys = [k for k in NOTE_KEYS if k in names]
    open_rows = _filled(notes)
    dated = runs["day"].astype("str").str.fullmatch(r"\d{4}-\d{2}-\d{2}").all()
    lost: list[tuple[int, str]] = []
    for key in keys:
        ids, own = _note_ids(notes[names[key]], key), set(_own_ids(runs, key))
        here = open_rows & (ids != "").to_numpy(bool)
        open_rows &= ~here
        if key in DAY_KEYS and not dated:
            continue
        lost += [(int(i), str(ids.iloc[i])) for i in np.flatnonzero(here) if ids.iloc[i] not in own]
    lost.sort()
    listed = [f"line {line_of(notes, i)} ({name})" for i, name in lost[:MOST_LISTED]]
    if len(lost) > MOST_LISTED:
        listed.append(f"{len(lost) - MOST_LISTED} more")
    if not listed:
        return []
    return [
        f"notes.csv: {', '.join(listed)}: no drive of the study is of that day, run or file, so "
        "what was noted there counts for none: correct it if a drive was meant"
    ]


def _note_ids(cells: pd.Series, key: str) -> pd.Series:
    ids = cells.astype("str").fillna("").str.strip()
    if key not in DAY_KEYS:
        return ids.str.replace("\\", "/").str.split("/").str[-1]
    days = pd.to_datetime(ids.where(ids != ""), format="%Y-%m-%d", errors="coerce")
    bad = (days.isna() & (ids != "")).to_numpy()
    if bad.any():
        i = int(bad.argmax())
        raise InputError(
            f"notes.csv: line {line_of(cells, i)}: the date '{ids.iloc[i]}' can't be read: write "
            "dates as YYYY-MM-DD"
        )
    return days.dt.strftime("%Y-%m-%d").fillna("")


def _own_ids(runs: pd.DataFrame, key: str) -> pd.Series:
    if key in ("date", "day"):
        return runs["day"].astype("str")
    return runs[key].astype("str").str.replace("\\", "/").str.split("/").str[-1]
