"""The public clock: true times of runs and fills go in, times that may be published come out.

`hours` keeps dates and tells whole hours; `shifted` moves all dates by a drawn number of weeks and
all times by a drawn number of hours, in steps of ten minutes. What happened in an order stays in
it: a run or fill that would fall into the one before waits for the next step.
"""

import datetime as dt
import random
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import pandas as pd

from roadlog.publish.private import Secrets

Clock = Literal["hours", "shifted"]
STEP = {"hours": pd.Timedelta(hours=1), "shifted": pd.Timedelta(minutes=10)}
_ISO = re.compile(r"(?<!\d)\d{4}-\d\d-\d\d(?!\d)")
_DAY = pd.Timedelta(days=1)
_MINUTE = pd.Timedelta(minutes=1)


@dataclass(frozen=True)
class Happened:
    """Something with a time: when by the true clock (without zone), and how long it shows [s].

    `day` is the date that it belongs to and keeps, also where it first shows after midnight.
    """

    at: pd.Timestamp
    shown_s: float = 0.0
    day: pd.Timestamp | None = None

    @property
    def own_day(self) -> pd.Timestamp:
        """The date that it belongs to."""
        return (self.at if self.day is None else self.day).normalize()


@dataclass(frozen=True)
class PublicClock:
    """How a study's times become public: `weeks` and `hours` are 0 for `hours`."""

    kind: Clock
    weeks: int = 0
    hours: int = 0

    def date(self, day: pd.Timestamp) -> pd.Timestamp:
        """A date as it is published."""
        return day.normalize() + pd.Timedelta(weeks=self.weeks)

    def name(self, unit: dt.date | str) -> dt.date | str:
        """A switch unit as it is published: a day, or a name whose dates are moved.

        >>> PublicClock("shifted", weeks=-1).name("2026-03-09 morning")
        '2026-03-02 morning'
        """
        if isinstance(unit, dt.date):
            return self.date(pd.Timestamp(unit)).date()
        return _ISO.sub(self._moved, unit) if self.weeks else unit

    def _moved(self, found: re.Match[str]) -> str:
        day = pd.to_datetime(found[0], errors="coerce")
        return found[0] if pd.isna(day) else f"{self.date(day):%Y-%m-%d}"

    def moment(self, at: pd.Timestamp) -> pd.Timestamp:
        """A time as it is published, whatever happened beside it."""
        own = self.date(at)
        moved = own + (at - at.normalize()) + pd.Timedelta(hours=self.hours)
        return max(own, min(moved, own + _DAY - STEP[self.kind])).floor(STEP[self.kind])

    def in_order(self, events: Sequence[Happened]) -> list[pd.Timestamp]:
        """When each event happens in public; none begins before the one before it ends."""
        step = STEP[self.kind]
        out: dict[int, pd.Timestamp] = {}
        free = pd.Timestamp.min
        for i in sorted(range(len(events)), key=lambda i: events[i].at):
            event = events[i]
            day = event.at if event.day is None else event.day
            at = event.at if event.at.normalize() == day.normalize() else day.normalize() + _DAY
            own = self.date(day)
            begin = self.moment(min(at, day.normalize() + _DAY - _MINUTE))
            if begin < free:
                begin = free.ceil(step)
            if begin >= own + _DAY > free:
                begin = free.ceil(_MINUTE)
            out[i] = begin
            free = begin + max(pd.Timedelta(event.shown_s, unit="s").ceil("s"), _MINUTE)
        return [out[i] for i in range(len(events))]


def beside(
    clock: PublicClock,
    events: Sequence[Happened],
    first: Sequence[Happened],
    at: Sequence[pd.Timestamp],
) -> list[pd.Timestamp]:
    """When the drives of a second car happen in public, in whole minutes.

    Each lies as far from the first car's nearest drive of its day as it truly did, so that what was
    driven together stays together; without one on its day it has the clock's own time.

    Parameters
    ----------
    events : sequence of Happened
        Of the second car.
    first, at
        What happened to the first car, and when in public (`PublicClock.in_order`).
    """
    out: dict[int, pd.Timestamp] = {}
    free = pd.Timestamp.min
    for i in sorted(range(len(events)), key=lambda i: events[i].at):
        event = events[i]
        same = [j for j, other in enumerate(first) if other.own_day == event.own_day]
        begin = clock.moment(event.own_day if event.at < event.own_day else event.at)
        if same:
            j = min(same, key=lambda j: abs(first[j].at - event.at))
            begin = at[j] + (event.at - first[j].at).round(_MINUTE)
        own = clock.date(event.own_day)
        begin = max(min(max(begin, own), own + _DAY - _MINUTE), free)
        out[i] = begin
        free = begin + max(pd.Timedelta(event.shown_s, unit="s").ceil(_MINUTE), _MINUTE)
    return [out[i] for i in range(len(events))]


def among(
    clock: PublicClock,
    fills: Sequence[Happened],
    drives: Sequence[Happened],
    at: Sequence[pd.Timestamp],
) -> list[pd.Timestamp]:
    """When a second car's fills happen in public: by the clock's steps, as the first car's do.

    Each stays on its side of every drive of both cars, and after the fill before it; only where no
    step lies between these, the minutes that the drives tell stand in its place.

    Parameters
    ----------
    fills : sequence of Happened
    drives, at
        What both cars drove, and when in public.
    """
    step, out = STEP[clock.kind], dict[int, pd.Timestamp]()
    before = pd.Timestamp.min
    for i in sorted(range(len(fills)), key=lambda i: fills[i].at):
        true = fills[i].at
        ends = [
            p + pd.Timedelta(d.shown_s, unit="s").ceil("s")
            for d, p in zip(drives, at, strict=True)
            if d.at <= true
        ]
        then = min(
            (p for d, p in zip(drives, at, strict=True) if d.at > true), default=pd.Timestamp.max
        )
        free = max(ends, default=pd.Timestamp.min)
        free = max(free, before + _MINUTE) if out else free
        own = clock.moment(true)
        ways = (max(own, free).ceil(step) if free > own else own, free.ceil(_MINUTE), free)
        out[i] = next((w for w in ways if free <= w < then), free)
        before = out[i]
    return [out[i] for i in range(len(fills))]


def public_clock(
    kind: Clock,
    secrets: Secrets,
    events: Sequence[Happened],
    chance: random.Random,
    *,
    by_weeks: bool = False,
) -> tuple[PublicClock, Secrets]:
    """The study's clock, and its secrets with the hours drawn if they weren't.

    The hours leave every event on its own day, so that a day's runs stay together; `by_weeks`
    leaves times of day alone, for fills that are put into days by them.
    """
    if kind == "hours":
        return PublicClock(kind), secrets
    if by_weeks:
        return PublicClock(kind, secrets.weeks), secrets
    hours = secrets.hours
    if hours is None:
        of_day = [e.at - e.at.normalize() for e in events]
        ends = [t + pd.Timedelta(e.shown_s, unit="s") for t, e in zip(of_day, events, strict=True)]
        least = -int(min(of_day, default=_DAY) // STEP["hours"])
        most = int((_DAY - max(ends, default=pd.Timedelta(0))) // STEP["hours"])
        hours = chance.choice([h for h in range(least, most + 1) if h] or [0])
        secrets = replace(secrets, hours=hours)
    return PublicClock(kind, secrets.weeks, hours), secrets
