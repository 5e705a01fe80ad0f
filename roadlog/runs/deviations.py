"""Drives that went otherwise than planned: which are set aside, by words agreed beforehand.

The run table, the driver's notes and the study's agreed words (`[analysis] exclude_if`) go in; out
come the runs to set aside with the reason, and those whose deviation nobody agreed on, which stay
(method section 4).
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.text.handtable import split_unit
from roadlog.quantities.facts import Fact
from roadlog.runs.facts import OfRun
from roadlog.runs.notes import noted

DEVIATION_WORDS = frozenset(
    {
        "deviation", "deviations", "deviation from plan", "went wrong", "what went wrong",
        "abweichung", "abweichungen", "écart", "ecart", "desviación", "desviacion", "scostamento",
        "desvio", "afwijking", "odchylenie", "avvikelse", "odchylka", "abatere",
    }
)  # fmt: skip
NO_DEVIATION = frozenset({"", "-", "–", "—", "0", "no", "none", "nil", "n", "false", "nan"})


@dataclass(frozen=True)
class Deviations:
    """What the notes tell of the runs.

    `set_aside` has the reason of each run whose note holds an agreed word, `staying` the note of
    each that holds none, `doubts` plain sentences on notes that can't be applied.
    """

    set_aside: dict[int, Fact] = field(default_factory=dict)
    staying: dict[int, str] = field(default_factory=dict)
    doubts: tuple[str, ...] = ()


def is_deviation(header: str) -> bool:
    """Whether a heading of notes.csv means deviations.

    >>> is_deviation("Deviation (what went wrong)"), is_deviation("remarks")
    (True, False)
    """
    return split_unit(header)[0] in DEVIATION_WORDS


def agreed_word(note: str, agreed: Sequence[str]) -> str | None:
    """The first agreed word that a note holds as a whole word, in upper or lower case.

    A word that `no`, `not` or `without` stands before isn't held.

    >>> agreed_word("Trailer behind, 600 kg", ["trailer"])
    'trailer'
    >>> agreed_word("no trailer, but rain", ["trailer"]) is agreed_word("trailers", ["trailer"])
    True
    """
    for word in agreed:
        spelled = r"\s+".join(re.escape(part) for part in word.split())
        denied = r"(?<!\bno\s)(?<!\bnot\s)(?<!\bwithout\s)"
        if re.search(rf"{denied}(?<!\w){spelled}(?!\w)", note, re.IGNORECASE):
            return word
    return None


def find_deviations(
    runs: pd.DataFrame, notes: pd.DataFrame | None, agreed: Sequence[str]
) -> Deviations:
    """Hold the notes against the agreed words.

    Parameters
    ----------
    runs : DataFrame
        Columns `run`, `file`, `day`.
    notes : DataFrame, optional
        As `roadlog.runs.notes.read_notes` reads them.
    agreed : sequence of str
        `exclude_if` of the study.

    Raises
    ------
    InputError
        If two columns tell deviations, or the notes don't say what each row is about.
    """
    if notes is None or notes.empty:
        return Deviations()
    columns = [str(c) for c in notes.columns if is_deviation(str(c))]
    if len(columns) > 1:
        raise InputError(
            f"notes.csv: columns '{columns[0]}' and '{columns[1]}' both tell deviations: join them"
        )
    if not columns:
        missing = (
            "notes.csv has no column 'deviation', so exclude_if in [analysis] "
            f"({', '.join(agreed)}) sets no run aside: add the column, or take the words out"
        )
        return Deviations(doubts=(missing,) if agreed else ())
    said = notes[columns[0]].astype("str").fillna("").str.strip()
    told = said.where(~said.str.casefold().isin(NO_DEVIATION))
    set_aside, staying = dict[int, Fact](), dict[int, str]()
    each = noted(notes, runs, told).dropna()
    for run, note in zip(each.index.to_numpy(dtype=int), each.astype("str"), strict=True):
        word = agreed_word(note, agreed)
        if word is None:
            staying[int(run)] = note
        else:
            set_aside[int(run)] = OfRun.DEVIATION(word=word)
    return Deviations(set_aside, staying)


def staying_sentences(found: Deviations, runs: pd.DataFrame) -> list[str]:
    """One sentence a noted deviation that holds no agreed word, with the logs it is about."""
    files = dict(zip(runs["run"], runs["file"].astype(str), strict=True))
    by_note: dict[str, list[str]] = {}
    for run, note in found.staying.items():
        by_note.setdefault(note, []).append(files[run])
    return [
        f"{', '.join(names)}: the deviation '{note}' holds no word of exclude_if in [analysis], so "
        f"{'the run stays' if len(names) == 1 else 'the runs stay'} in: leaving out what wasn't "
        "agreed before the data could be chosen to please"
        for note, names in by_note.items()
    ]
