"""The schedule as a calendar file (RFC 5545), one whole-day entry a test day.

A schedule goes in; the bytes of an `.ics` file come out, for the person who switches (with the
state of each day) or for a driver who isn't to know it.
"""

import datetime as dt
import hashlib
from collections.abc import Collection

from roadlog.study.settings import Study


def calendar_file(
    study: Study, *, show_arm: bool, now: dt.datetime, dummies: Collection[str] = ()
) -> bytes:
    """The calendar, lines folded and ended as RFC 5545 asks.

    Parameters
    ----------
    show_arm : whether entries tell the arm
    now : aware datetime, the entries' time stamp
    dummies : units on which the switcher only acts as if to fit

    References
    ----------
    RFC 5545 (2009), Internet Calendaring and Scheduling Core Object Specification (iCalendar).
    """
    from icalendar import Calendar, Event

    schedule = study.schedule
    calendar = Calendar()
    calendar.add("prodid", "-//roadlog//road test plan//EN")
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", study.name)
    if schedule is None:
        return bytes(calendar.to_ical())
    last_of_block = {u.block: (u.unit, *u.also)[-1] for u in schedule.unit}
    test_days = [(d, u) for u in schedule.unit for d in (u.unit, *u.also)]
    for i, (day, u) in enumerate(test_days, start=1):
        if not isinstance(day, dt.date):
            continue
        event = Event()
        state = f": {study.label(u.arm)}" if show_arm else ""
        notes = ["Note tyres, payload, fuel and weather in notes.csv."]
        if day != u.unit:
            notes.insert(0, "The state stays as it was the day before.")
        elif show_arm and str(u.unit) in dummies:
            notes.insert(0, "Act as if to fit it, and leave it out; seal it.")
        elif show_arm:
            notes.insert(0, "Switch before the first drive, engine off and cool; seal it.")
        if last_of_block[u.block] == day:
            notes.append("Last day of a block: refuel after the last drive, if at all.")
        tag = f"{study.name}|{day}|{show_arm}"
        event.add("uid", f"{hashlib.sha256(tag.encode()).hexdigest()[:24]}@roadlog")
        event.add("dtstamp", now.astimezone(dt.UTC))
        event.add("dtstart", day)
        event.add("dtend", day + dt.timedelta(days=1))
        event.add("summary", f"Test day {i} of {len(test_days)}{state}")
        event.add("description", " ".join(notes))
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())
