"""Answers for the page of the day: what to do, what to note, and the notes as they are written.

The same functions as `roadlog next` and `roadlog note`; text and plain values in and out.
"""

import datetime as dt
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from roadlog.analysis.day_notes import Day, day_of, scheduled
from roadlog.analysis.standing import gather, with_logs_order
from roadlog.closure.fillnote import is_written, units_of_fills, write_fill
from roadlog.errors import InputError, RoadlogError
from roadlog.ingest.text.handanswer import plain_answer
from roadlog.plan.today import advise
from roadlog.runs.daily_notes import Column, cell_of
from roadlog.study.folder import load_study
from roadlog.study.lock import one_writer
from roadlog.wording.units import shown_in

Answer = dict[str, Any]
LEADS = {"note": "today", "plan": "plan", "analyze": "result", "check": "check", "take": "logs"}
BY_OPTION = ": name the day with --date"  # what the command says here, the page has a form for
FILL = ("litres", "odometer_km", "price_per_l", "full", "time")


def today(*, folder: str) -> Answer:
    """What `roadlog next` says, and to which page its next step leads."""
    advice = advise(gather(Path(folder), None))
    verb = (advice.command.split() or ["", ""])[1]
    return {"rows": [list(r) for r in advice.rows], "why": advice.why, "leads": LEADS.get(verb, "")}


def notes_form(*, folder: str, date: str, anyway: bool) -> Answer:
    """What is asked of a day, or why it can't be noted."""
    try:
        day = _day(folder, date, anyway)
        with shown_in(day.study.units):
            litres, km, price = units_of_fills(day.folder, day.study)
    except RoadlogError as e:
        return {"problem": str(e).partition(BY_OPTION)[0], "outside": BY_OPTION in str(e)}
    days = scheduled(day.study)
    return {
        "date": f"{day.date}",
        "place": [days.index(day.date) + 1, len(days)] if day.date in days else None,
        "fields": [_asked(day, c) for c in day.columns if not _guessed(day, c)],
        "agreed": list(day.study.analysis.exclude_if),
        "fill": {"litres": litres, "odometer_km": km, "price_per_l": price},
        "clock": f"{day.now:%H:%M}" if day.date == day.now.date() else "",
    }


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


def _asked(day: Day, column: Column) -> Answer:
    was = day.row.cells.get(column.heading, "")
    usual = day.before.get(column.heading, "") if column.item.repeats else ""
    choices = list(dict.fromkeys((column.item.choices or {}).values()))
    return {"heading": column.heading, "name": column.item.name, "question": column.question,
            "was": was, "value": was or usual, "choices": choices}  # fmt: skip


def write_notes(
    *, folder: str, date: str, anyway: bool, told: dict[str, str], was: dict[str, str],
    fill: dict[str, str],
) -> Answer:  # fmt: skip
    """Write the row and the fill as `roadlog note` does, or say by field why not.

    Parameters
    ----------
    told, was : by heading: what was typed, and what the form showed as noted already
    fill : by field of the fill
    """
    with one_writer(Path(folder), "the notes"):
        day = _day(folder, date, anyway)
        faults = _take_cells(day, told, was) | _take_fill(day, fill)
        if faults:
            return {"faults": faults}
        cells = dict(day.cells)
        if cells:
            day.write_row()
        if day.made is not None:
            write_fill(day.made, day.study.time.day_first)
    return {"date": f"{day.date}", "cells": cells, "fill": day.made is not None}


def _take_cells(day: Day, told: Mapping[str, str], was: Mapping[str, str]) -> dict[str, str]:
    """Fill in the day's cells; by heading what is wrong."""
    faults = {}
    for column in day.columns:
        heading = column.heading
        if heading not in told or _guessed(day, column):
            continue
        stands, shown = day.row.cells.get(heading, ""), was.get(heading, "")
        try:
            cell = cell_of(column, told[heading])
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
