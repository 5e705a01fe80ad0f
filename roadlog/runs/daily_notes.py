"""The day's notes: what to ask, what an answer means, and the row that it becomes in notes.csv.

Headings of the file and a typed answer go in; the cell that the readers of the notes take for the
same comes out, in the unit that the heading names. `write_day` puts a day's cells into the file and
leaves all else as it stands; a cell that is replaced is kept in `computed/notes_replaced.jsonl`.
"""

import datetime as dt
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.text.columns import unit_of
from roadlog.ingest.text.handanswer import NUMBER, cut, measured, plain_answer, same_dimension
from roadlog.ingest.text.handedit import hand_text, with_cells
from roadlog.ingest.text.handtable import BLANK, read_table, split_unit
from roadlog.quantities.units import UNITS, convert, unit_symbol
from roadlog.runs.accessory_notes import HEADINGS, told
from roadlog.runs.deviations import DEVIATION_WORDS, NO_DEVIATION
from roadlog.runs.guesses import WORDS
from roadlog.runs.notes import DAY_KEYS, NOTE_KEYS, note_headings, read_notes, row_about
from roadlog.study.durable import atomic_write

REPLACED = Path("computed") / "notes_replaced.jsonl"
LONGEST = 300  # characters of one answer


@dataclass(frozen=True)
class Item:
    """One thing to note: its name, the headings that mean it, the question.

    `own` is the unit where the heading tells none, `low` to `high` what is believed, in `own`;
    `repeats` if the answer of the day before is likely today's.
    """

    name: str
    headings: frozenset[str]
    ask: str
    choices: Mapping[str, str] | None = None
    own: str = ""
    low: float = -math.inf
    high: float = math.inf
    repeats: bool = False


_YES = {"yes": "yes", "y": "yes", "true": "yes", "no": "no", "n": "no", "false": "no"}
_WINDOWS = {
    "shut": "shut", "closed": "shut", "open": "open", "part": "part open", "part open": "part open",
    "partly": "part open",
}  # fmt: skip
_TYRES = frozenset(
    {f"{a}{b} pressure{c}" for a in ("", "cold ", "") for b in ("tyre", "tire", "tyres", "tires")
     for c in ("", " cold")}
)  # fmt: skip
ITEMS = (  # ranges: common practice, no source
    Item("air conditioning", frozenset(HEADINGS), "Air conditioning: on, off, automatic, or a "
         "share as 40 %", repeats=True),
    Item("windows", frozenset({"windows", "window"}), "Windows: shut, open or part open",
         _WINDOWS, repeats=True),
    Item("cold tyre pressure", _TYRES, "Cold tyre pressure", own="kpa", low=100, high=1000,
         repeats=True),
    Item("payload", frozenset({"payload", "load"}), "Payload beside the driver", own="kg", low=0,
         high=30_000, repeats=True),
    Item("fuel batch", frozenset({"fuel batch", "batch"}), "Fuel batch (A, B, … by "
         "refuelling)", repeats=True),
    Item("soak", frozenset({"soak", "soak time"}), "How long it stood before the first drive",
         own="h", low=0, high=10_000),
    Item("wet road", frozenset({"wet road", "wet"}), "Wet road: yes or no", _YES),
    Item("deviation", DEVIATION_WORDS, "What went otherwise than planned"),
    Item("seal", frozenset({"seal", "seal number"}), "Number on the seal"),
    Item("guess", frozenset({"guess"}), "Your guess today: in, out or don't know", WORDS),
    Item("remarks", frozenset({"remarks", "remark"}), "Remarks"),
)  # fmt: skip


@dataclass(frozen=True)
class Column:
    """A heading of notes.csv that is asked for: what it means, and its unit's name ("" if none)."""

    item: Item
    heading: str
    unit: str = ""

    @property
    def question(self) -> str:
        """What to ask, with the unit that a bare number is taken in."""
        return f"{self.item.ask}, {unit_symbol(self.unit)}" if self.unit else self.item.ask


def columns_of(headings: Sequence[str], also: Sequence[str] = ()) -> list[Column]:
    """What a file's headings ask for, in their order; `also` are further headings by name.

    A heading that isn't known, and isn't in `also`, is the user's own and isn't asked for.
    """
    found: list[Column] = []
    wanted = {w.casefold() for w in also}
    for heading in (*headings, *(w for w in also if not _among(w, headings))):
        plain = heading.strip().casefold()
        if plain in (*NOTE_KEYS, "arm"):
            continue
        words, unit = split_unit(heading)
        item = next((i for i in ITEMS if words in i.headings or plain in i.headings), None)
        if item is None and (plain in wanted or words in wanted):
            item = Item(
                words, frozenset({words}), heading.strip()[:1].upper() + heading.strip()[1:]
            )
        if item is None or any(item.own and c.item is item for c in found):
            continue
        name = (unit_of(unit) if unit else None) or item.own
        known = name in UNITS and (not item.own or same_dimension(name, item.own))
        found.append(Column(item, heading, name if known and name else item.own))
    return found


def _among(name: str, headings: Sequence[str]) -> bool:
    item = next((i for i in ITEMS if name.casefold() in i.headings), None)
    names = {n for h in headings for n in (h.strip().casefold(), split_unit(h)[0])}
    return name.casefold() in names or (item is not None and bool(item.headings & names))


def cell_of(column: Column, text: str) -> str:
    """The cell that an answer becomes, "" for a blank one.

    Raises
    ------
    InputError
        If the answer can't be meant.

    >>> tyres = columns_of(["cold tyre pressure [kPa]"])[0]
    >>> cell_of(tyres, "33 psi"), cell_of(tyres, "230,5")
    ('227.527', '230.5')
    """
    name, answer = column.item.name, plain_answer(text)
    if len(answer) > LONGEST:
        raise InputError(f"{name}: {len(answer)} characters: write at most {LONGEST}")
    if answer.casefold() in BLANK | {"-", "–", "—"}:
        if name == "air conditioning" and answer.casefold() == "none":
            return "off"
        return ""
    if name == "deviation" and answer.casefold() in NO_DEVIATION:
        return ""
    if name == "air conditioning":
        if told(answer) is None:
            raise InputError(f"{name}: '{cut(answer)}' is none of on, off, automatic, 40 %")
        return answer
    if column.item.choices is not None:
        word = column.item.choices.get(answer.casefold().replace("\u2019", "'").rstrip(".!"))
        if word is None:
            choices = ", ".join(dict.fromkeys(column.item.choices.values()))
            raise InputError(f"{name}: '{cut(answer)}' is none of {choices}")
        return word
    return _number_cell(column, answer) if column.item.own else answer


def _number_cell(column: Column, answer: str) -> str:
    item, name = column.item, column.item.name
    value, text = measured(name, answer, column.unit)
    own = float(convert(value, column.unit, item.own))
    if item.low <= own <= item.high:
        return text
    low, high = (float(convert(v, item.own, column.unit)) for v in (item.low, item.high))
    said = f"{name}: {text} {unit_symbol(column.unit)} can't be: between {low:.3g} and {high:.6g}"
    bare = NUMBER.fullmatch(answer)
    if bare is not None and not bare[2]:
        for other in ("psi", "bar", "kpa", "lb", "kg"):
            if same_dimension(other, column.unit) and other != column.unit:
                meant = float(convert(value, other, item.own))
                if item.low <= meant <= item.high and meant < item.high / 2:
                    there = float(convert(value, other, column.unit))
                    raise InputError(
                        f"{said}; {text} {unit_symbol(other)} would be {there:.4g} "
                        f"{unit_symbol(column.unit)}: if so, write '{text} {unit_symbol(other)}'"
                    )
    raise InputError(said)


@dataclass(frozen=True)
class DayRow:
    """A day's row: the line on which it stands (None where it isn't there yet) and its cells."""

    line: int | None
    cells: Mapping[str, str]

    @property
    def filled(self) -> dict[str, str]:
        """Cells that say something, beside what the row is about."""
        keys = (*NOTE_KEYS, "arm")
        return {h: c for h, c in self.cells.items() if c and h.strip().casefold() not in keys}


def day_row(notes: pd.DataFrame, day: dt.date) -> DayRow:
    """The row about a day, as `read_notes` gives the notes."""
    line = row_about(notes, f"{day}", "date")
    if line is None:
        return DayRow(None, {})
    row = notes.loc[line]
    return DayRow(line, {str(h): "" if pd.isna(c) else str(c).strip() for h, c in row.items()})


def before(notes: pd.DataFrame, day: dt.date) -> dict[str, str]:
    """The last answer in each column from the days before, blank ones passed over."""
    key = next((h for n, h in note_headings(notes).items() if n in DAY_KEYS), None)
    if key is None:
        return {}
    earlier = notes[notes[key].notna() & (notes[key].astype("str") < f"{day}")]
    found: dict[str, str] = {}
    for line in earlier.sort_values(key, kind="stable").index:
        for heading, cell in earlier.loc[line].items():
            if not pd.isna(cell) and str(cell).strip():
                found[str(heading)] = str(cell).strip()
    return found


def write_day(
    folder: Path,
    empty: bytes,
    day: dt.date,
    cells: Mapping[str, str],
    day_first: bool | None,
    now: dt.datetime,
) -> None:
    """Put a day's cells into `folder/notes.csv` in one step.

    Parameters
    ----------
    empty : the file's bytes where there is none yet
    cells : by heading; a heading that the file hasn't got becomes its last column
    now : aware datetime, for the log of replaced cells

    Raises
    ------
    InputError
        If the file can't be read, has no column of days, or would read otherwise than meant.
    """
    path = folder / "notes.csv"
    raw = path.read_bytes() if path.is_file() else empty
    mode = None if not path.is_file() else path.stat().st_mode & 0o777
    text = hand_text(raw, path)
    heads = {h.strip().casefold(): h.strip() for h in text.records[text.head][2]}
    key = next((heads[k] for k in DAY_KEYS if k in heads), None)
    if key is None:
        raise InputError(f"{path}: there is no column 'date': add it, so that a day can be noted")
    if path.is_file():
        was = day_row(read_notes(path, day_first), day)
    else:
        was = DayRow(next((n for n, _, row in text.records if f"{day}" in row), None), {})
    if was.line is None:
        new = with_cells(text, {}, [{key: f"{day}", **cells}])
    else:
        new = with_cells(text, {was.line: cells})
    lost = {h: was.cells[h] for h, c in cells.items() if was.cells.get(h) not in (None, "", c)}
    if lost:
        _keep(folder, {"time": now.isoformat(timespec="seconds"), "day": f"{day}",
                       "was": lost, "now": {h: cells[h] for h in lost}})  # fmt: skip
    write = partial(_checked, new=new, path=path, day=day, cells=cells, day_first=day_first)
    atomic_write(path, write, mode)


def _checked(
    temporary: Path,
    *,
    new: bytes,
    path: Path,
    day: dt.date,
    cells: Mapping[str, str],
    day_first: bool | None,
) -> None:
    """Write, read again, and refuse where a cell reads otherwise than meant."""
    temporary.write_bytes(new)
    after = read_notes(temporary, day_first)
    row = day_row(after, day)
    same = all(
        row.cells.get(h, "") == (c if c.lower() not in BLANK else "") for h, c in cells.items()
    )
    if path.is_file():
        was, now = read_table(path), read_table(temporary)
        touched = note_headings(now)
        for heading in was.columns:
            before, behind = was[heading], now[heading].iloc[: len(was)]
            kept = before.reset_index(drop=True).eq(behind.reset_index(drop=True))
            kept |= before.isna().to_numpy() & behind.isna().to_numpy()
            own = heading in cells and touched
            same &= int((~kept).sum()) <= (1 if own else 0)
    if not same or row.line is None:
        raise InputError(
            f"{path}: the notes can't be put in without changing other cells: write them by hand"
        )


def _keep(folder: Path, row: Mapping[str, object]) -> None:
    """Add a line to the log of replaced cells."""
    path = folder / REPLACED
    lines = path.read_text(encoding="utf-8") if path.is_file() else ""
    text = lines + json.dumps(row, ensure_ascii=False) + "\n"
    atomic_write(path, partial(Path.write_text, data=text, encoding="utf-8"))
