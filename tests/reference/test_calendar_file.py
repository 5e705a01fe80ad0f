"""The plan's calendar files against RFC 5545.

Sources: RFC 5545 (Internet Calendaring and Scheduling Core Object Specification), sections 3.1
(lines end in CRLF and hold at most 75 octets), 3.3.11 (escaped text), 3.6 and 3.6.1 (required
properties); the parser of the `icalendar` library for reading back.
"""

import datetime as dt

import icalendar

from roadlog.plan.calendar import calendar_file
from roadlog.study.settings import parse_study

NOW = dt.datetime(2027, 2, 20, 9, 30, tzinfo=dt.timezone(dt.timedelta(hours=1)))
STUDY = parse_study(
    """
name = "Collar; test, one ä"
[labels]
fitted = "collar in, sealed"
[schedule]
randomised = true
unit = [
  { unit = 2027-03-01, arm = "fitted", block = 1, also = [2027-03-02] },
  { unit = 2027-03-03, arm = "baseline", block = 1 },
]
"""
)


def test_lines_end_in_crlf_and_hold_at_most_75_octets():
    raw = calendar_file(STUDY, show_arm=True, now=NOW)
    lines = raw.split(b"\r\n")
    assert lines[-1] == b""
    assert all(len(line) <= 75 for line in lines)
    assert b"\n" not in b"".join(lines)


def test_every_entry_has_what_the_standard_requires():
    calendar = icalendar.Calendar.from_ical(calendar_file(STUDY, show_arm=True, now=NOW))
    assert str(calendar["VERSION"]) == "2.0"
    assert calendar["PRODID"]
    events = calendar.walk("VEVENT")
    assert len({str(e["UID"]) for e in events}) == len(events) == 3
    for event in events:
        assert event["DTSTAMP"].dt == NOW.astimezone(dt.UTC)
        assert not event.errors


def test_reading_back_gives_the_days_and_the_states():
    calendar = icalendar.Calendar.from_ical(calendar_file(STUDY, show_arm=True, now=NOW))
    days = [(e["DTSTART"].dt, e["DTEND"].dt, str(e["SUMMARY"])) for e in calendar.walk("VEVENT")]
    day = dt.timedelta(days=1)
    first = dt.date(2027, 3, 1)
    assert days == [
        (first, first + day, "Test day 1 of 3: collar in, sealed"),
        (first + day, first + 2 * day, "Test day 2 of 3: collar in, sealed"),
        (first + 2 * day, first + 3 * day, "Test day 3 of 3: baseline"),
    ]


def test_the_drivers_calendar_does_not_tell_the_state():
    raw = calendar_file(STUDY, show_arm=False, now=NOW).decode()
    assert "sealed" not in raw
    assert "baseline" not in raw
    assert len(icalendar.Calendar.from_ical(raw).walk("VEVENT")) == 3
