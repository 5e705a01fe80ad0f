"""What the notes say of an accessory: a column of `notes.csv` in, on, off or a share for each run
out; and the tester's answers written into that column, with no other cell touched.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.text.handedit import hand_text, with_cells
from roadlog.ingest.text.handtable import read_table, split_unit
from roadlog.runs.notes import DAY_KEYS, note_headings, noted, read_notes, row_about
from roadlog.study.durable import atomic_write

COLUMN = "accessory"
HEADINGS = (
    COLUMN, "accessories", "air conditioning", "air conditioner", "air con", "aircon", "a/c", "ac",
    "climate control", "klimaanlage", "klima", "climatisation", "airco", "aire acondicionado",
)  # fmt: skip
ON = frozenset({"on", "yes", "true", "ein", "an", "y"})
OFF = frozenset({"off", "no", "none", "false", "aus", "n"})
AUTOMATIC = frozenset({"automatic", "auto", "automatically", "automatik"})
ANSWERS = ("on", "off", "automatic")


@dataclass(frozen=True)
class Noted:
    """By run: `share` of the time (NaN blank or automatic), whether there was an `answered` entry;
    `doubts` are plain sentences on cells that can't be read."""

    share: pd.Series
    answered: pd.Series
    doubts: tuple[str, ...] = ()


def told(cell: str) -> float | None:
    """What a cell says: share of the time that it was on, NaN for automatic, None if unreadable.

    >>> told("On"), told("off"), told("40 %"), told("0,25"), told("automatic"), told("hot")
    (1.0, 0.0, 0.4, 0.25, nan, None)
    """
    word = cell.strip().casefold()
    if word in ON | OFF:
        return 1.0 if word in ON else 0.0
    if word in AUTOMATIC:
        return float("nan")
    number = re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*(%?)", word)
    if number is None:
        return None
    share = float(number[1].replace(",", ".")) / (100 if number[2] else 1)
    return share if share <= 1 else None


def accessory_noted(notes: pd.DataFrame | None, runs: pd.DataFrame) -> Noted:
    """The notes' word on each run's accessory (`runs`: columns `run`, `file`, `day`)."""
    blank = pd.Series(np.nan, index=runs["run"].to_numpy())
    columns = [] if notes is None else _columns(notes)
    if notes is None or notes.empty or not columns:
        return Noted(blank, blank.notna())
    entry = noted(notes, runs, notes[columns[0]])
    for column in columns[1:]:
        entry = entry.where(entry.notna(), noted(notes, runs, notes[column]))
    said = [told(str(c)) if isinstance(c, str) and c.strip() else None for c in entry]
    filled = [isinstance(c, str) and bool(c.strip()) for c in entry]
    unread = sorted(
        {str(c) for c, f, s in zip(entry, filled, said, strict=True) if f and s is None}
    )
    doubts = tuple(
        f"notes.csv: column '{columns[0]}': '{c}' isn't on, off, automatic or a share as 40 %, "
        "so it counts as blank"
        for c in unread
    )
    answered = pd.Series([s is not None for s in said], index=entry.index)
    share = pd.Series([np.nan if s is None else s for s in said], index=entry.index, dtype=float)
    return Noted(share, answered, doubts)


def write_answers(path: Path, answers: Mapping[str, str], day_first: bool | None = None) -> None:
    """Put answers into the column `accessory` of notes.csv, which is made where it isn't there.

    Parameters
    ----------
    path : Path
    answers : mapping of day (YYYY-MM-DD) or log's file name to on, off or automatic
    day_first : bool, optional
        As `read_notes` takes it.

    Raises
    ------
    InputError
        If the file can't be read, has no key for the row, or would read otherwise after it.
    """
    keys = {k: "date" if re.fullmatch(r"\d{4}-\d{2}-\d{2}", k) else "file" for k in answers}
    if not path.exists():
        heads = ",".join([*dict.fromkeys(keys.values()), COLUMN]) + "\n"
        rows = [{keys[k]: k, COLUMN: a} for k, a in answers.items()]
        new = with_cells(hand_text(heads.encode(), path), {}, rows)
        atomic_write(path, partial(Path.write_bytes, data=new))
        return
    before = read_notes(path, day_first)
    text = _edited(path, before, answers, keys)
    atomic_write(path, partial(_checked, text=text, before=before, answers=answers, keys=keys,
                               day_first=day_first, path=path))  # fmt: skip


def _columns(notes: pd.DataFrame) -> list[str]:
    """The columns that tell of an accessory, the one of that name first."""
    by_words = {split_unit(c)[0]: c for c in map(str, notes.columns)}
    names = note_headings(notes)
    found = [names.get(h) or by_words.get(h) for h in HEADINGS]
    return [c for c in dict.fromkeys(found) if c is not None and notes[c].notna().any()]


def _edited(
    path: Path, notes: pd.DataFrame, answers: Mapping[str, str], keys: Mapping[str, str]
) -> bytes:
    """The file's bytes with the answers in; lines that get none stay as they are."""
    names = note_headings(notes)
    own = names.get(COLUMN, COLUMN)
    changed: dict[int, dict[str, str]] = {}
    added = []
    for key, answer in answers.items():
        line = row_about(notes, key, keys[key])
        if line is not None:
            changed[line] = {own: answer}
            continue
        about = DAY_KEYS if keys[key] == "date" else ("file",)
        column = next((names[k] for k in about if k in names), None)
        if column is None:
            raise InputError(
                f"{path}: there is no column '{keys[key]}' for {key}: add it, or write the answer "
                f"into a column '{COLUMN}' by hand"
            )
        added.append({column: key, own: answer})
    return with_cells(hand_text(path.read_bytes(), path), changed, added)


def _checked(
    temporary: Path,
    *,
    text: bytes,
    before: pd.DataFrame,
    answers: Mapping[str, str],
    keys: Mapping[str, str],
    day_first: bool | None,
    path: Path,
) -> None:
    """Write, read again, and refuse where any other cell, or an answer, reads otherwise."""
    temporary.write_bytes(text)
    raw, was = read_table(temporary), read_table(path)
    own = note_headings(raw)[COLUMN]
    others = [c for c in was.columns if c != own]
    same = raw[others].iloc[: len(was)].reset_index(drop=True).equals(
        was[others].reset_index(drop=True)
    )  # fmt: skip
    after = read_notes(temporary, day_first)
    there = all(
        (line := row_about(after, k, keys[k])) is not None and after.loc[line, own] == a
        for k, a in answers.items()
    )
    if not (same and there and len(after) >= len(before)):
        raise InputError(
            f"{path}: the answers can't be put in without changing other cells: write them into "
            f"a column '{COLUMN}' by hand"
        )
