"""Answers for the page of the day: what to do, what to note, and the notes as they are written.

The same functions as `roadlog next` and `roadlog note`; text and plain values in and out.
"""

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from roadlog.analysis.day_notes import Day, day_of, scheduled
from roadlog.analysis.standing import gather, with_logs_order
from roadlog.bench.as_data import as_data
from roadlog.bench.noted_units import PRICED, asked_unit, fill_meant, meant, shown_cell
from roadlog.bench.reader import units_in, word_of
from roadlog.closure.fillnote import is_written, units_of_fills, write_fill
from roadlog.errors import InputError, RoadlogError
from roadlog.ingest.text.handanswer import plain_answer
from roadlog.plan.today import Advice, advise
from roadlog.quantities.units import unit_symbol
from roadlog.runs.daily_notes import Column, DayRow, cell_of
from roadlog.study.folder import load_study
from roadlog.study.lock import one_writer
from roadlog.wording.units import Units, reader

Answer = dict[str, Any]
LEADS = {"note": "today", "plan": "plan", "analyze": "result", "check": "check", "take": "logs"}
BY_OPTION = ": name the day with --date"  # what the command says here, the page has a form for
FILL = ("litres", "odometer_km", "price_per_l", "full", "time")


def today(*, folder: str) -> Answer:
    """What `roadlog next` says, and to which page its next step leads."""
    advice = advise(gather(Path(folder), None))
    verb = (advice.command.split() or ["", ""])[1]
    return {
        "rows": said_rows(advice),
        "why": as_data(advice.step) if advice.why else None,
        "leads": LEADS.get(verb, ""),
    }


def said_rows(advice: Advice) -> list[Any]:
    """Label and facts of each row, for a page that speaks its reader's language."""
    return [[label, [as_data(s) for s in said]] for label, said in advice.told]


def notes_form(*, folder: str, date: str, anyway: bool, asked_in: str | None = None) -> Answer:
    """What is asked of a day; `problem` says why it can't be noted, "" if it can.

    Parameters
    ----------
    asked_in : of a form that comes back with faults, the word of its units, "" for the files' own;
        None for a fresh form, which is in the reader's
    """
    units = reader() if asked_in is None else units_in(asked_in)
    problem: Answer = {"problem": ""}
    try:
        try:
            day = _day(folder, date, anyway)
        except RoadlogError as e:  # what is asked is asked all the same, for another day
            problem = {"problem": str(e).partition(BY_OPTION)[0], "outside": BY_OPTION in str(e)}
            day = _day(folder, "", True)
            day = replace(day, row=DayRow(None, {}), before={})
        litres, km, price = _units_of_fills(day, units)
    except RoadlogError as e:
        return problem if problem["problem"] else {"problem": str(e), "outside": False}
    days = scheduled(day.study)
    return {
        **problem,
        "date": "" if problem["problem"] else f"{day.date}",
        "place": [days.index(day.date) + 1, len(days)] if day.date in days else None,
        "asked_in": "" if units is None else word_of(units),
        "fields": [_asked(day, c, units) for c in day.columns if not _guessed(day, c)],
        "agreed": list(day.study.analysis.exclude_if),
        "fill": {"litres": litres, "odometer_km": km, "price_per_l": price},
        "clock": f"{day.now:%H:%M}" if day.date == day.now.date() else "",
    }


def _units_of_fills(day: Day, units: Units | None) -> tuple[str, str, str]:
    """What fuel, odometer and price are asked in: the reader's, or the file's."""
    if units is None:
        return units_of_fills(day.folder, day.study)
    return units.gallon or "L", units.distance, PRICED[units.gallon]


def _day(folder: str, date: str, anyway: bool) -> Day:
    study = with_logs_order(Path(folder), load_study(Path(folder)))
    try:
        told = dt.date.fromisoformat(date) if date else None
    except ValueError:
        raise InputError(f"'{date[:40]}' is no date: write YYYY-MM-DD") from None
    return day_of(Path(folder), study, told, anyway=anyway)


def _guessed(day: Day, column: Column) -> bool:
    """Whether the guess was made: the one that was made is the one that counts."""
    return column.item.name == "guess" and bool(day.row.cells.get(column.heading, ""))


def _asked(day: Day, column: Column, units: Units | None) -> Answer:
    was = day.row.cells.get(column.heading, "")
    usual = day.before.get(column.heading, "") if column.item.repeats else ""
    choices = list(dict.fromkeys((column.item.choices or {}).values()))
    unit = asked_unit(column.unit, units)
    return {"heading": column.heading, "name": column.item.name, "question": column.item.ask,
            "unit": unit_symbol(unit) if unit else "", "was": was,
            "value": shown_cell(column, was or usual, unit), "choices": choices}  # fmt: skip


def write_notes(
    *, folder: str, date: str, anyway: bool, told: dict[str, str], was: dict[str, str],
    fill: dict[str, str], asked_in: str = "",
) -> Answer:  # fmt: skip
    """Write the row and the fill as `roadlog note` does, or say by field why not.

    Parameters
    ----------
    told, was : by heading: what was typed, and what the form showed as noted already
    fill : by field of the fill
    asked_in : the word of the units that the form asked in, "" for those of the files
    """
    units = units_in(asked_in)
    with one_writer(Path(folder), "the notes"):
        day = _day(folder, date, anyway)
        faults = _take_cells(day, told, was, units) | _take_fill(day, fill_meant(fill, units))
        if faults:
            return {"faults": faults}
        cells = dict(day.cells)
        if cells:
            day.write_row()
        if day.made is not None:
            write_fill(day.made, day.study.time.day_first)
    return {"date": f"{day.date}", "cells": cells, "fill": day.made is not None}


def _take_cells(
    day: Day, told: Mapping[str, str], was: Mapping[str, str], units: Units | None
) -> dict[str, str]:
    """Fill in the day's cells; by heading what is wrong."""
    faults = {}
    for column in day.columns:
        heading = column.heading
        if heading not in told or _guessed(day, column):
            continue
        stands, shown = day.row.cells.get(heading, ""), was.get(heading, "")
        try:
            offered = (shown, stands, day.before.get(heading, ""))
            unit = asked_unit(column.unit, units)
            cell = cell_of(column, meant(column, told[heading], unit, offered))
        except InputError as e:
            faults[heading] = str(e)
            continue
        if cell in (stands, shown) and (cell == stands or stands != ""):
            continue
        if stands != shown:
            faults[heading] = f"{column.item.name} was noted meanwhile as '{stands[:60]}'"
            continue
        day.cells[heading] = cell
    return faults


def _take_fill(day: Day, fill: Mapping[str, str]) -> dict[str, str]:
    """The fill, its answers taken one after the other so that a fault finds its field."""
    given = {k: a for k in FILL if (a := plain_answer(fill.get(k, "")))}
    if "litres" not in given:
        extra = [k for k in ("odometer_km", "price_per_l") if k in given]
        return dict.fromkeys(extra, "a fill needs its amount too")
    for name in FILL:
        if name not in given:
            continue
        if len(given[name]) > 60:
            return {name: f"{len(given[name])} characters: write at most 60"}
        day.fill[name] = given[name]
    if is_written(day.folder, day.fill, day.date, day.study):
        return {}  # the form was sent twice
    for name in FILL:
        so_far = {k: v for k, v in day.fill.items() if FILL.index(k) <= FILL.index(name)}
        whole, day.fill = day.fill, so_far
        try:
            day.plan_fill()
        except InputError as e:
            return {name: str(e)}
        finally:
            day.fill = whole
    return {}


NOTING: dict[str, Callable[..., Answer]] = {
    "today": today,
    "notes_form": notes_form,
    "write_notes": write_notes,
}
