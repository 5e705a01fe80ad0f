"""A day's notes and its fill: what is asked of the day, checked and written, wherever it is typed.

A study and a day go in; the columns to ask, what stands there already and the last answers come
out; `roadlog note` and the bench fill in a `Day`, and its parts are written.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from roadlog.analysis.standing import now_of
from roadlog.closure.fillnote import NewFill, empty_fills, new_fill
from roadlog.errors import InputError
from roadlog.plan.studyfile import notes_template
from roadlog.plan.today import driver_is_blind
from roadlog.runs.daily_notes import Column, DayRow, before, columns_of, day_row, write_day
from roadlog.runs.deviations import is_deviation
from roadlog.runs.notes import read_notes
from roadlog.study.settings import Schedule, Study

NIGHT_H = 4  # before this hour a drive of the day before may just be over


@dataclass
class Day:
    """What is being noted: the study, the day, what stands there, and the answers so far.

    `cells` by heading and `fill` by field of `closure.fillnote.ASKED`; `made` is the fill that they
    come to.
    """

    folder: Path
    study: Study
    date: dt.date
    now: dt.datetime
    told_date: bool
    columns: Sequence[Column]
    row: DayRow
    before: Mapping[str, str]
    cells: dict[str, str] = field(default_factory=dict)
    fill: dict[str, str] = field(default_factory=dict)
    made: NewFill | None = None

    def plan_fill(self) -> None:
        """Hold the fill's answers so far against the file, writing nothing."""
        if self.fill.get("litres", "").strip():
            self.made = new_fill(
                self.folder, empty_fills(self.study.units), self.fill, self.date, self.study
            )

    def hold_against_now(self) -> None:
        """See that the cells to be written still stand as they were shown, and plan the fill anew.

        Call it as the study's one writer, just before writing what was asked for earlier.

        Raises
        ------
        InputError
            If others noted one of them meanwhile, or filled in the same fill.
        """
        now = day_of(self.folder, self.study, self.date, anyway=True).row.cells
        for heading, cell in self.cells.items():
            was, stands = self.row.cells.get(heading, ""), now.get(heading, "")
            if stands not in (was, cell):
                raise InputError(f"{heading} of {self.date} was noted meanwhile as '{stands[:60]}'")
        if self.made is not None:
            self.plan_fill()

    def write_row(self) -> None:
        """Put the cells into notes.csv."""
        write_day(
            self.folder, empty_notes(self.study), self.date, self.cells,
            self.study.time.day_first, self.now,
        )  # fmt: skip


def day_of(folder: Path, study: Study, told: dt.date | None, *, anyway: bool = False) -> Day:
    """The day that is noted, held against schedule and clock.

    Parameters
    ----------
    told : the day, None for today (or for the day before, just after midnight)
    anyway : note a day that the schedule hasn't got

    Raises
    ------
    InputError
        If the day is still to come, isn't in the schedule, or notes.csv can't be read.
    """
    now = now_of(study)
    days = scheduled(study)
    date = told or now.date()
    yesterday = now.date() - dt.timedelta(days=1)
    if told is None and now.hour < NIGHT_H and date not in days and yesterday in days:
        date = yesterday
    if date > now.date():
        raise InputError(
            f"{date} is still to come (this computer says {now:%Y-%m-%d}): note it then"
        )
    dated = [d for d in days if isinstance(d, dt.date)]
    if dated and date not in days and not anyway:
        near = min(dated, key=lambda d: abs((d - date).days))
        raise InputError(
            f"{date} isn't in the schedule (the nearest day is {near}): name the day with --date, "
            "or note it all the same with --anyway"
        )
    path = folder / "notes.csv"
    notes = read_notes(path, study.time.day_first) if path.is_file() else None
    heads = list(map(str, notes.columns)) if notes is not None else _headings(empty_notes(study))
    also = list(study.analysis.noted_covariates)
    if not any(is_deviation(h) for h in heads) and study.analysis.exclude_if:
        also.append("deviation")
    blind = driver_is_blind(study)
    if blind and "guess" not in [h.lower() for h in heads]:
        also.append("guess")
    columns = [c for c in columns_of(heads, also) if blind or c.item.name != "guess"]
    return Day(
        folder, study, date, now, told is not None or date != now.date(), columns,
        DayRow(None, {}) if notes is None else day_row(notes, date),
        {} if notes is None else before(notes, date),
    )  # fmt: skip


def scheduled(study: Study) -> list[dt.date | str]:
    """Every scheduled day in order."""
    return [d for u in (study.schedule.unit if study.schedule else ()) for d in (u.unit, *u.also)]


def empty_notes(study: Study) -> bytes:
    """A new notes.csv, with a row for each scheduled day."""
    schedule = study.schedule or Schedule()
    return notes_template(schedule, study.analysis.noted_covariates, study.units).encode()


def _headings(raw: bytes) -> list[str]:
    return raw.decode().partition("\n")[0].split(",")
