"""The driver's daily guess: what the column `guess` of notes.csv says of each run.

Notes and runs go in; per run 1 (in), -1 (out), 0 (don't know) or NaN (not noted) comes out, with
the cells that can't be read. Whether guesses came true is for `roadlog.stats.blinding`.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.runs.notes import DAY_KEYS, note_headings, noted

GUESS = "guess"
ANSWERS = {"in": 1, "out": -1, "don't know": 0}  # of the add-on
WORDS = {
    "in": "in", "fitted": "in", "on": "in", "out": "out", "baseline": "out", "off": "out",
    **dict.fromkeys(
        ("don't know", "dont know", "do not know", "not known", "unknown", "unsure", "no idea",
         "?"), "don't know"),
}  # fmt: skip


@dataclass(frozen=True)
class Guessed:
    """By run: `said` is 1 for in, -1 for out, 0 for don't know, NaN where nothing was noted."""

    said: pd.Series
    doubts: tuple[str, ...] = ()


def plain_guess(cell: str) -> str | None:
    """A guess as it is kept: in, out or don't know; None if it is none of the usual words."""
    word = " ".join(cell.replace("\u2019", "'").split()).casefold().rstrip(".!")
    return WORDS.get(word)


def guess_said(cell: str, labels: Mapping[str, str] | None = None) -> int | None:
    """What a cell guesses: 1 in, -1 out, 0 don't know, None if it can't be read.

    Parameters
    ----------
    labels : the study's words for `baseline` and `fitted`

    >>> guess_said("In"), guess_said("out"), guess_said("don't know"), guess_said("maybe")
    (1, -1, 0, None)
    """
    plain = plain_guess(cell)
    if plain is not None:
        return ANSWERS[plain]
    word = " ".join(cell.split()).casefold()
    arms = {" ".join(label.split()).casefold(): arm for arm, label in (labels or {}).items()}
    return None if word not in arms else 1 if arms[word] == "fitted" else -1


def kept_guess(cell: str, labels: Mapping[str, str] | None = None) -> str:
    """A guess as in, out or don't know, blank if it can't be read: no other word of the driver's.

    >>> kept_guess("Fitted"), kept_guess("I asked Anna")
    ('in', '')
    """
    said = guess_said(cell, labels)
    return "" if said is None else next(w for w, value in ANSWERS.items() if value == said)


def guesses_sha256(notes: pd.DataFrame | None, labels: Mapping[str, str] | None = None) -> str:
    """SHA-256 of all guesses of days, to hold those of now against those of another time.

    Parameters
    ----------
    notes : DataFrame, optional
        As `roadlog.runs.notes.read_notes` gives them.
    """
    told: dict[str, str] = {}
    heads = {} if notes is None else note_headings(notes)
    day = next((heads[k] for k in DAY_KEYS if k in heads), None)
    if notes is not None and day is not None and GUESS in heads:
        cells = zip(notes[day], notes[heads[GUESS]], strict=True)
        told = {
            d.strip(): word
            for d, g in cells
            if isinstance(d, str) and isinstance(g, str) and (word := kept_guess(g, labels))
        }
    return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()


def guesses(
    notes: pd.DataFrame | None, runs: pd.DataFrame, labels: Mapping[str, str] | None = None
) -> Guessed:
    """The guess of each run (`runs`: columns `run`, `file`, `day`); a day's is that of its runs."""
    blank = pd.Series(np.nan, index=runs["run"].to_numpy(), dtype=float)
    column = None if notes is None else note_headings(notes).get(GUESS)
    if notes is None or column is None or notes.empty:
        return Guessed(blank)
    cells = noted(notes, runs, notes[column])
    filled = [c if isinstance(c, str) and c.strip() else None for c in cells]
    read = [None if c is None else guess_said(c, labels) for c in filled]
    unread = sorted({c for c, s in zip(filled, read, strict=True) if c is not None and s is None})
    doubts = tuple(
        f"notes.csv: column '{column}': '{c}' isn't in, out or don't know, so it counts as no guess"
        for c in unread
    )
    said = [np.nan if s is None else float(s) for s in read]
    return Guessed(pd.Series(said, index=cells.index, dtype=float), doubts)
