"""What the notes say of an accessory: a column of `notes.csv` in, on, off or a share for each run
out; and the tester's answers written into that column, with no other cell touched.
"""

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.text.dialect import as_utf8
from roadlog.ingest.text.handtable import read_table, split_unit
from roadlog.runs.notes import DAY_KEYS, NOTE_KEYS, note_headings, noted, read_notes
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
        heads = [*dict.fromkeys(keys.values()), COLUMN]
        rows = [[k if keys[k] == h else "" for h in heads[:-1]] + [a] for k, a in answers.items()]
        text = "\n".join(_record(r, ",") for r in (heads, *rows)) + "\n"
        atomic_write(path, partial(Path.write_text, data=text, encoding="utf-8"))
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


def _row_of(notes: pd.DataFrame, key: str, kind: str) -> int | None:
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


def _edited(
    path: Path, notes: pd.DataFrame, answers: Mapping[str, str], keys: Mapping[str, str]
) -> str:
    """The file's text with the answers in; lines that get none stay as they are."""
    text = as_utf8(path.read_bytes(), path).decode()
    ending = "\r\n" if "\r\n" in text else "\n"
    first = text.lstrip("\r\n").partition("\n")[0]
    delimiter = max(",;\t|", key=first.count)
    records = _records(text, delimiter)
    head = next(i for i, (_, _, cells) in enumerate(records) if any(c.strip() for c in cells))
    heads = [c.strip() for c in records[head][2]]
    lower = [h.lower() for h in heads]
    while lower and not lower[-1]:
        lower.pop()
    new = COLUMN not in lower
    place = len(lower) if new else lower.index(COLUMN)
    changed: dict[int, str] = {}
    if new:
        changed[head] = _record(_with(records[head][2], place, COLUMN), delimiter)
    at_line = {line: i for i, (line, _, _) in enumerate(records)}
    added = []
    for key, answer in answers.items():
        line = _row_of(notes, key, keys[key])
        if line is not None:
            i = at_line[line]
            changed[i] = _record(_with(records[i][2], place, answer), delimiter)
            continue
        own = next((lower.index(k) for k in (*DAY_KEYS, "file")
                    if k in lower and (k in DAY_KEYS) == (keys[key] == "date")), None)  # fmt: skip
        if own is None:
            raise InputError(
                f"{path}: there is no column '{keys[key]}' for {key}: add it, or write the answer "
                f"into a column '{COLUMN}' by hand"
            )
        added.append(_record(_with(_with([], own, key), place, answer), delimiter))
    parts = [
        changed[i] + (ending if raw.endswith("\n") else "") if i in changed else raw
        for i, (_, raw, _) in enumerate(records)
    ]
    whole = "".join(parts)
    if added and not whole.endswith("\n"):
        whole += ending
    return whole + "".join(r + ending for r in added)


def _records(text: str, delimiter: str) -> list[tuple[int, str, list[str]]]:
    """Each record: its line as `read_table` counts it, its text with its ending, its cells."""
    lines = text.splitlines(keepends=True) if "\n" in text else [text]
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True, strict=True
    )
    found, before = [], 0
    for cells in reader:
        found.append((before + 1, "".join(lines[before : reader.line_num]), cells))
        before = reader.line_num
    return found


def _with(cells: list[str], place: int, text: str) -> list[str]:
    out = [*cells, *[""] * (place + 1 - len(cells))]
    out[place] = text
    return out


def _record(cells: list[str], delimiter: str) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="").writerow(cells)
    return out.getvalue()


def _checked(
    temporary: Path,
    *,
    text: str,
    before: pd.DataFrame,
    answers: Mapping[str, str],
    keys: Mapping[str, str],
    day_first: bool | None,
    path: Path,
) -> None:
    """Write, read again, and refuse where any other cell, or an answer, reads otherwise."""
    temporary.write_bytes(text.encode("utf-8"))
    raw, was = read_table(temporary), read_table(path)
    own = note_headings(raw)[COLUMN]
    others = [c for c in was.columns if c != own]
    same = raw[others].iloc[: len(was)].reset_index(drop=True).equals(
        was[others].reset_index(drop=True)
    )  # fmt: skip
    after = read_notes(temporary, day_first)
    there = all(
        (line := _row_of(after, k, keys[k])) is not None and after.loc[line, own] == a
        for k, a in answers.items()
    )
    if not (same and there and len(after) >= len(before)):
        raise InputError(
            f"{path}: the answers can't be put in without changing other cells: write them into "
            f"a column '{COLUMN}' by hand"
        )
