"""A plan's days as a calendar: weeks from Monday on, each day with its arm.

A study and a schedule go in; plain values for the plan's page come out.
"""

import datetime as dt
from itertools import groupby
from typing import Any

from roadlog.bench.saying import MONTHS
from roadlog.plan.proposal import in_periods
from roadlog.plan.two_cars import washout_days
from roadlog.study.settings import Schedule, Study

WEEK = dt.timedelta(days=7)
NO_DRIVE = ("", False)


def calendar(study: Study, schedule: Schedule) -> dict[str, Any] | None:
    """Weeks that hold a day of the plan; None where its units aren't days.

    Returns
    -------
    dict
        `weeks`, each of seven days with `iso`, `number`, `month` (of the first that is shown and of
        a month's first), `state`, the arm or "" for a day that isn't driven, and `aside`, whether
        it comes after a switch and doesn't count. `periods`, where the add-on comes once or
        comes and goes: arm, days and the first and last one. `both_cars` whether a control car
        drives them too.
    """
    planned = _days(study, schedule)
    if not planned:
        return None
    monday = min(planned) - dt.timedelta(days=min(planned).weekday())
    weeks: list[list[dict[str, Any]]] = []
    while monday <= max(planned):
        days = [monday + dt.timedelta(days=n) for n in range(7)]
        if any(d in planned for d in days):
            weeks.append([_shown(d, *planned.get(d, NO_DRIVE), first=not weeks) for d in days])
        monday += WEEK
    return {
        "weeks": weeks,
        "periods": _periods(schedule) if in_periods(study) else [],
        "aside": any(aside for _, aside in planned.values()),
        "both_cars": study.control is not None,
    }


def _days(study: Study, schedule: Schedule) -> dict[dt.date, tuple[str, bool]]:
    """Arm of each day, and whether it is set aside; nothing where a unit is no day."""
    aside = washout_days(study) if in_periods(study) else 0
    found: dict[dt.date, tuple[str, bool]] = {}
    before, since = "", aside
    for unit in schedule.unit:
        since = since if before in ("", unit.arm) else 0
        before = str(unit.arm)
        for day in (unit.unit, *unit.also):
            if not isinstance(day, dt.date):
                return {}
            found[day] = (before, since < aside)
            since += 1
    return found


def _shown(day: dt.date, state: str, aside: bool, *, first: bool) -> dict[str, Any]:
    named = day.day == 1 or (first and day.weekday() == 0)
    month = MONTHS[day.month - 1] if named else ""
    return {"iso": f"{day}", "number": day.day, "month": month, "state": state, "aside": aside}


def _periods(schedule: Schedule) -> list[dict[str, Any]]:
    found = []
    for arm, units in groupby(schedule.unit, key=lambda u: u.arm):
        days = [d for u in units for d in (u.unit, *u.also)]
        found.append({"arm": arm, "days": len(days), "first": f"{days[0]}", "last": f"{days[-1]}"})
    return found
