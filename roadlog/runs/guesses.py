"""The driver's daily guess: what the column `guess` of notes.csv says of each run.

Notes and runs go in; per run 1 (in), -1 (out), 0 (don't know) or NaN (not noted) comes out, with
the cells that can't be read. Whether guesses came true is for `roadlog.stats.blinding`.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.runs.notes import note_headings, noted

GUESS = "guess"
ANSWERS = ("in", "out", "don't know")
IN = frozenset({"in", "fitted", "on"})
OUT = frozenset({"out", "baseline", "off"})
UNSURE = frozenset(
    {"don't know", "dont know", "do not know", "not known", "unknown", "unsure", "no idea", "?"}
)


@dataclass(frozen=True)
class Guessed:
    """By run: `said` is 1 for in, -1 for out, 0 for don't know, NaN where nothing was noted."""

    said: pd.Series
    doubts: tuple[str, ...] = ()


def guess_said(cell: str, labels: Mapping[str, str] | None = None) -> int | None:
    """What a cell guesses: 1 in, -1 out, 0 don't know, None if it can't be read.

    Parameters
    ----------
    labels : the study's words for `baseline` and `fitted`, which come first

    >>> guess_said("In"), guess_said("out"), guess_said("don't know"), guess_said("maybe")
    (1, -1, 0, None)
    """
    word = " ".join(cell.replace("\u2019", "'").split()).casefold().rstrip(".!")
    own = {label.casefold(): arm for arm, label in (labels or {}).items()}
    if word in own:
        return 1 if own[word] == "fitted" else -1
    if word in UNSURE:
        return 0
    return 1 if word in IN else -1 if word in OUT else None


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
