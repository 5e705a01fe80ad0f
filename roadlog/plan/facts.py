"""What `roadlog next` tells: a code a sentence; who shows it makes it a sentence of his language.

Days are values too (`Day`), so that each language writes them its own way.
"""

import datetime as dt
from dataclasses import dataclass

from roadlog.quantities.facts import Kind


@dataclass(frozen=True)
class Day:
    """A day in a sentence; `str` writes it in English.

    >>> str(Day(dt.date(2027, 3, 1)))
    'Mon 1 Mar'
    """

    date: dt.date

    def __str__(self) -> str:
        return f"{self.date:%a} {self.date.day} {self.date:%b}"


@dataclass(frozen=True)
class Days:
    """Some days in a sentence, the first few by name.

    >>> str(Days((dt.date(2027, 3, 1), dt.date(2027, 3, 2)), 3))
    'Mon 1 Mar and Tue 2 Mar'
    """

    dates: tuple[dt.date, ...]
    most: int

    def __str__(self) -> str:
        shown = [str(Day(d)) for d in self.dates[: self.most]]
        if len(self.dates) > self.most:
            return f"{', '.join(shown)} and {len(self.dates) - self.most} more"
        return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)


class English(str):
    """A value that is a sentence in English, from a room whose sentences are no facts yet."""

    __slots__ = ()


class Stands(Kind):
    """How a study stands."""

    WRITTEN = "study.toml is written; no days are drawn yet."
    DRIVEN = "{begun} of {units} switch units driven, {logs}."
    LOGS = "{n} [log|logs]"
    UNITS_IN = "{came} of {units} units are in."
    CLOCK_LOG = "This computer says {today}, and a log is of {day}."
    CLOCK_PLAN = "This computer says {today}, and the plan was registered on {day}."
    PERMANENT = (
        "The add-on leaves something behind for good, so it can't be switched by the day; "
        "the plan sizes what is left."
    )
    BEFORE = (
        "{today}: the first day is {day}, in {n} [day|days]. Print the sheet in plan/, hang "
        "it beside the car, try the logger once, parked."
    )
    AFTER = "{today}: the last day was {day}."
    NO_TEST_DAY = "{today}: not a test day; leave the add-on as it is. The next is {day}."
    OF_DAYS = "{today}, day {n_th} of {all}"
    CAME_SOME = "{head}:{arm} {here} of {all} drives are in."
    CAME_ALL = "{head}:{arm} its logs are in."
    BLIND = "{head}: the switcher knows the arm. See that the seal is whole, note its number."
    ARM = "{head}: {arm}."
    FIT = "Fit it before the first drive, engine off and cool."
    TAKE_OUT = "Take it out before the first drive, engine off and cool."
    LEAVE = "It stays as it was the day before."
    HANDLE = "It stays; open and shut the place all the same, engine off and cool."
    WASHOUT_ALL = "The first {way} are set aside, so perhaps all drives of the day: drive them."
    WASHOUT = "The first {way} are set aside: drive them all the same."
    FILL_FIRST = "Fill the tank to full before the first drive."
    REFUEL_LAST = "Refuel after the last drive, if at all."
    NOTHING_LEFT = "Nothing is left to drive."
    ANALYSED = "Analysed: read results/report.html."
    NEW_LOGS = "{n} [log|logs] came after the last analysis."
    STALE = "{file} changed after the last analysis."
    NOT_REGISTERED = "The analysis isn't registered."
    LATE = "It is late: drives are in already, and the report will say so."
    NO_LOG = "No log of {days}: take it in if it was driven."
    NO_LOG_THEN = "{no_log} {then}"
    LOST = (
        "Else [its switch unit is|{n} switch units are] lost; the others keep their days, "
        "nothing is drawn again."
    )
    LIVES = "Else its switch unit lives on by its other days; nothing is drawn again."
    NO_NOTES = "No notes of {days}."
    ACCESSORY = "Air conditioning on {days}: on or off?"
    NOT_CHECKED = "{n} [log|logs] not checked yet."
    REFUSED = "{file} can't be used: {why}."
    REFUSED_MORE = "{file} can't be used: {why}; {more} more."
    MORE = "And {count} more."
    REGISTERED = "Registered {day} {year};"
    CHANGED = "Registered {day} {year} ({n} [change|changes] since, which the report lists);"


class Step(Kind):
    """What comes next."""

    DESIGNS = "see which designs are left"
    CLOCK = "set the clock, or name the day"
    SEE_DAYS = "see what your days can show, then draw the schedule"
    VERDICTS = "see every run's verdict"
    TAKE_THEN = "after the drive, parked, bring in its log (roadlog take), then"
    WRITE_DOWN = "write down {day}, parked"
    NO_LOGS = "no scheduled day has a log: take the logs in, or plan anew"
    NOTED = "noted; bring in the logs of today (roadlog take), then"
    AFTER_LAST = "after the last drive, parked, bring in the logs (roadlog take), then"
    EVENING = "the evening before {day}"
    MEND = "mend the file, then"
    FIX = "fix what the analysis will be"
    PRINT = "print the sheet; write it anew"
    UNSEAL = "let the switcher open the seal"
    SETTLE = "settle it"
    AGAIN = "analyse again"
    DONE = "published; nothing is left to do"
    PUBLISH = "make what can be shown in public"
    START = "start a study"
