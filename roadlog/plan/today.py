"""What a study needs today: facts of its folder go in, a few lines and the next command come out.

Nothing is read here and no effect is known: `roadlog.commands.next_step` gathers the facts. Under a
schedule that the driver isn't to know, no line tells an arm.
"""

import datetime as dt
import shlex
from collections.abc import Sequence
from dataclasses import dataclass, field

from roadlog.plan.result import Look
from roadlog.plan.sheet import Row, sheet_rows
from roadlog.plan.to_log import tanks_must_differ
from roadlog.runs.seen import LogSeen
from roadlog.study.settings import ScheduleUnit, Study
from roadlog.wording.screen import one_line, paragraph
from roadlog.wording.units import in_own_units, told

MOST_MISSING = 3  # sentences on what is missing; the rest comes up once these are done
MOST_NAMED = 3  # days or logs that a line names before it counts the rest
LONGEST_QUOTE = 120  # characters of a sentence from elsewhere
LONGEST_NAME = 76


@dataclass(frozen=True)
class Standing:
    """What is known of a study without analysing it.

    `told_date` if the day was given and isn't the computer's. `noted` has the days whose row of
    notes.csv says something, `accessory` those on which it tells of the accessory; `faults` are
    sentences on files that can't be read. `analysed` are the logs of results.json, None without.
    """

    study: Study
    folder: str
    today: dt.date
    told_date: bool = False
    papers: bool = True
    registered: dt.datetime | None = None
    changed: Sequence[str] = ()
    logs: Sequence[LogSeen] = ()
    noted: frozenset[dt.date] = frozenset()
    accessory: frozenset[dt.date] = frozenset()
    fills: frozenset[dt.date] = frozenset()
    faults: Sequence[str] = ()
    looks: Sequence[Look] = ()
    analysed: frozenset[str] | None = None
    stale: str = ""
    published: bool = False
    sealed: bool = False

    @property
    def days(self) -> list[dt.date | str]:
        """Every scheduled day (or log) in order."""
        units = self.study.schedule.unit if self.study.schedule else ()
        return [d for u in units for d in (u.unit, *u.also)]

    @property
    def blind(self) -> bool:
        """Whether the driver isn't to know the arm."""
        return self.sealed or driver_is_blind(self.study)

    @property
    def driven(self) -> frozenset[dt.date]:
        """Days with a log."""
        return frozenset(log.day for log in self.logs if log.day is not None)


def driver_is_blind(study: Study) -> bool:
    """Whether the study says that the driver isn't to know the arm."""
    sealed = study.schedule is not None and study.schedule.sealed is not None
    known = study.analysis.driver_knew_arm
    return sealed or study.plan.switched_by_other or known is False


@dataclass(frozen=True)
class Advice:
    """What to say: labelled sentences, and the command to copy with why (either may be empty)."""

    rows: Sequence[tuple[str, str]]
    why: str = ""
    command: str = ""
    title: str = ""


@dataclass
class _Told:
    rows: list[tuple[str, str]] = field(default_factory=list)

    def say(self, label: str, *sentences: str) -> None:
        """Add sentences under a label, behind those that stand there."""
        text = " ".join(s for s in sentences if s)
        before = next((i for i, (name, _) in enumerate(self.rows) if name == label), None)
        if text and before is None:
            self.rows.append((label, text))
        elif text and before is not None:
            self.rows[before] = (label, f"{self.rows[before][1]} {text}")


def nothing_there(folder: str, *, exists: bool, logs: bool) -> Advice:
    """For a folder that is missing, empty, or has logs and no study.toml."""
    if not exists:
        said = f"There is no folder {folder} yet."
    elif logs:
        said = (
            f"{folder} has logs and no study.toml. A new study there keeps them; drives that are "
            "over can't be planned any more, but they can be analysed."
        )
    else:
        said = f"{folder} has no study.toml yet."
    return Advice([("Done", said)], "start a study", command("new", folder))


@in_own_units
def advise(s: Standing) -> Advice:
    """What is done, what is missing, what to do today, and the next command."""
    told = _Told()
    title = short_name(s.study)
    if s.study.synthetic and "synthetic" not in title.lower():
        title += " (synthetic)"
    why, line = _steps(s, told)
    return Advice(told.rows, why, line, title)


def short_name(study: Study, most: int = LONGEST_NAME) -> str:
    """The study's name on one line, cut where it is long."""
    name = one_line(study.name)
    return name if len(name) <= most else name[: most - 1] + "…"


def advice_lines(advice: Advice) -> list[str]:
    """Lines for a terminal; the command stands on a line of its own, as it can be copied."""
    lines = [advice.title] if advice.title else []
    for label, text in advice.rows:
        lines += paragraph(label, text)
    if advice.command:
        lines += paragraph("Next", advice.why + ":")
        lines.append(f"  {advice.command}")
    elif advice.why:
        lines += paragraph("Next", advice.why + ".")
    return lines


def command(verb: str, folder: str, *options: str) -> str:
    """A command line that a shell takes as it stands.

    >>> command("note", "my test", "--date", "2026-03-02")
    "roadlog note 'my test' --date 2026-03-02"
    """
    place = f"./{folder}" if folder.startswith("-") else folder
    return shlex.join(["roadlog", verb, place, *options])


def _steps(s: Standing, told: _Told) -> tuple[str, str]:
    """Fill in what there is to say; return why and what comes next."""
    if s.study.device.carry_over == "permanent" and not s.days:
        told.say(
            "Today",
            "The add-on leaves something behind for good, so it can't be switched by the day; the "
            "plan sizes what is left.",
        )
        return "see which designs are left", command("plan", s.folder, "--dry-run")
    if not s.days:
        return _without_schedule(s, told)
    if wrong := _clock(s):
        told.say("Clock", wrong[0])
        return "set the clock, or name the day", command("next", s.folder, "--date", wrong[1])
    if not all(isinstance(d, dt.date) for d in s.days):
        return _by_log(s, told)
    return _by_day(s, told)


def _without_schedule(s: Standing, told: _Told) -> tuple[str, str]:
    if not s.logs:
        told.say("Done", "study.toml is written; no days are drawn yet.")
        _faults(s, told)
        return "see what your days can show, then draw the schedule", command(
            "plan", s.folder, "--dry-run"
        )
    told.say(
        "Done",
        f"{_count(len(s.logs), 'log')}; no schedule, so chance decided nothing, and the report "
        "says so.",
    )
    _faults(s, told)
    bad, untold = _refused(s)
    told.say("Missing", bad)
    if untold:
        return "see every run's verdict", command("check", s.folder)
    return _after_the_end(s, told)


def _by_log(s: Standing, told: _Told) -> tuple[str, str]:
    """A schedule whose units are logs by name (runs, half-days)."""
    names = {log.file for log in s.logs} | {log.file.rpartition("/")[2] for log in s.logs}
    left = [u for u in (s.study.schedule.unit if s.study.schedule else ()) if
            str(u.unit) not in names and u.unit not in s.driven]  # fmt: skip
    told.say("Done", _registered(s), f"{len(s.days) - len(left)} of {len(s.days)} units are in.")
    _faults(s, told)
    if why_next := _before_drives(s, told):
        return why_next
    if not left:
        return _after_the_end(s, told)
    told.say("Today", f"The next unit is {_one_unit(s, left[0])}.", _washout(s))
    bad, untold = _refused(s)
    told.say("Missing", bad, _notes_missing(s)[0])
    if untold:
        return "see every run's verdict", command("check", s.folder)
    return "after the drive, parked, bring in its log (roadlog take), then", command(
        "note", s.folder, *_date(s)
    )


def _one_unit(s: Standing, unit: ScheduleUnit) -> str:
    name = one_line(str(unit.unit))[:LONGEST_NAME]
    return f"'{name}'; the switcher knows its arm" if s.blind else (
        f"'{name}': {one_line(s.study.label(unit.arm))}"
    )  # fmt: skip


def _by_day(s: Standing, told: _Told) -> tuple[str, str]:
    days = sorted(d for d in s.days if isinstance(d, dt.date))
    past = [d for d in days if d < s.today]
    came = sum(d in s.driven for d in days)
    units = s.study.schedule.unit if s.study.schedule else ()
    begun = [u for u in units if any(d in s.driven for d in (u.unit, *u.also))]
    done = f"{len(begun)} of {len(units)} switch units driven, {_count(len(s.logs), 'log')}."
    told.say("Done", _registered(s), done, _looks(s))
    _today(s, told, days)
    _faults(s, told)
    (bad, untold), (unnoted, first_unnoted) = _refused(s), _notes_missing(s)
    step = _before_drives(s, told)
    gaps = [bad, unnoted, _missed(s, past), _strays(s, days), _accessory(s), _fills(s)]
    gaps = [gap for gap in gaps if gap]
    more = len(gaps) - MOST_MISSING
    told.say("Missing", *gaps[:MOST_MISSING], f"And {more} more." if more > 0 else "")
    if step:
        return step
    if untold:
        return "see every run's verdict", command("check", s.folder)
    if first_unnoted is not None:
        return f"write down {_day(first_unnoted)}, parked", _note(s, first_unnoted)
    over = s.today > days[-1] or (days[-1] in s.driven and s.today == days[-1])
    if over:
        if not came:
            return "no scheduled day has a log: take the logs in, or plan anew", command(
                "plan", s.folder, "--redraw", "--dry-run"
            )
        return _after_the_end(s, told)
    if s.today in days and s.today not in s.driven and s.today in s.noted:
        return "noted; bring in the logs of today (roadlog take), then", command("check", s.folder)
    if s.today in days and s.today not in s.driven:
        return "after the last drive, parked, bring in the logs (roadlog take), then", _note(
            s, s.today
        )
    ahead = next(d for d in days if d > s.today)
    return f"the evening before {_day(ahead)}", command("next", s.folder, "--date", f"{ahead}")


def _before_drives(s: Standing, told: _Told) -> tuple[str, str] | None:
    """What has to be right whatever the day: registration, papers, files that can be read."""
    if s.faults:
        return "mend the file, then", command("next", s.folder, *_date(s))
    if s.registered is None:
        late = " It is late: drives are in already, and the report will say so." if s.logs else ""
        told.say("Missing", f"The analysis isn't registered.{late}")
        return "fix what the analysis will be", command("plan", s.folder, "--register")
    if not s.papers and not s.logs:
        return "print the sheet; write it anew", command("plan", s.folder)
    return None


def _after_the_end(s: Standing, told: _Told) -> tuple[str, str]:
    files = frozenset(log.file for log in s.logs)
    if s.analysed is None:
        told.say("Today", "Nothing is left to drive." if s.days else "")
        if s.sealed:
            return "let the switcher open the seal", command("unseal", s.folder, "FILE")
        return "settle it", command("analyze", s.folder)
    if new := len(files - s.analysed):
        told.say("Missing", f"{_count(new, 'log')} came after the last analysis.")
        return "analyse again", command("analyze", s.folder)
    if s.stale:
        told.say("Missing", f"{s.stale} changed after the last analysis.")
        return "analyse again", command("analyze", s.folder)
    told.say("Today", "Analysed: read results/report.html.")
    if s.published:
        return "published; nothing is left to do", ""
    return "make what can be shown in public", command("publish", s.folder)


def _today(s: Standing, told: _Told, days: Sequence[dt.date]) -> None:
    if s.today not in days:
        if s.today < days[0]:
            wait = (days[0] - s.today).days
            told.say(
                "Today",
                f"{_day(s.today)}: the first day is {_day(days[0])}, in {_count(wait, 'day')}. "
                "Print the sheet in plan/, hang it beside the car, try the logger once, parked.",
            )
        elif s.today > days[-1]:
            told.say("Today", f"{_day(s.today)}: the last day was {_day(days[-1])}.")
        else:
            ahead = next(d for d in days if d > s.today)
            told.say(
                "Today",
                f"{_day(s.today)}: not a test day; leave the add-on as it is. The next is "
                f"{_day(ahead)}.",
            )
        return
    i = days.index(s.today)
    unit, row = _unit_of(s, s.today), sheet_rows(s.study)[s.days.index(s.today)]
    fresh = unit.unit == s.today
    said = [f"{_day(s.today)}, day {i + 1} of {len(days)}"]
    if s.today in s.driven:
        arm = "" if s.blind else f" {one_line(row.state)};"
        here, all_runs = sum(log.day == s.today for log in s.logs), s.study.plan.runs_per_day
        came = f"{here} of {all_runs} drives are in" if here < all_runs else "its logs are in"
        told.say("Today", f"{said[0]}:{arm} {came}.")
        return
    if s.blind:
        said[0] += ": the switcher knows the arm. See that the seal is whole, note its number."
    else:
        said[0] += f": {one_line(row.state)}."
        said.append(_switch(row))
    if fresh:
        said.append(_washout(s))
        if tanks_must_differ(s.study):
            said.append("Fill the tank to full before the first drive.")
    if row.last_of_block and not tanks_must_differ(s.study):
        said.append("Refuel after the last drive, if at all.")
    told.say("Today", *said)


def _switch(row: Row) -> str:
    doing = {
        "fit": "Fit it before the first drive, engine off and cool.",
        "take out": "Take it out before the first drive, engine off and cool.",
        "leave shut": "It stays as it was the day before.",
    }
    return doing.get(
        row.switch, "It stays; open and shut the place all the same, engine off and cool."
    )


def _washout(s: Standing) -> str:
    km, plan = s.study.device.washout_km, s.study.plan
    if s.study.device.carry_over == "none" or km <= 0:
        return ""
    way = told(km, "km", 0 if float(km).is_integer() else 1)
    if km >= plan.km_per_run * plan.runs_per_day:
        return f"The first {way} are set aside, so perhaps all drives of the day: drive them."
    return f"The first {way} are set aside: drive them all the same."


def _clock(s: Standing) -> tuple[str, str] | None:
    """What is wrong with the day by what is dated later, and a day that would do."""
    if s.told_date:
        return None
    last = max(s.driven, default=None)
    day = dt.timedelta(days=1)  # so far may time zones lie apart
    if last is not None and s.today < last - day:
        return f"This computer says {_day(s.today)}, and a log is of {_day(last)}.", f"{last}"
    made = None if s.registered is None else s.registered.date()
    if made is not None and s.today < made - day:
        said = f"This computer says {_day(s.today)}, and the plan was registered on {_day(made)}."
        return said, f"{made}"
    return None


def _missed(s: Standing, past: Sequence[dt.date]) -> str:
    """Past days without a log, and what becomes of their units."""
    gone = [d for d in past if d not in s.driven]
    if not gone:
        return ""
    lost = {_unit_of(s, d).unit for d in gone if _lost(s, _unit_of(s, d))}
    said = f"No log of {_named([_day(d) for d in gone])}: take it in if it was driven."
    if lost:
        units = "its switch unit is" if len(lost) == 1 else f"{len(lost)} switch units are"
        return f"{said} Else {units} lost; the others keep their days, nothing is drawn again."
    return f"{said} Else its switch unit lives on by its other days; nothing is drawn again."


def _lost(s: Standing, unit: ScheduleUnit) -> bool:
    """Whether a unit has no log and no day left."""
    days = [d for d in (unit.unit, *unit.also) if isinstance(d, dt.date)]
    return not any(d in s.driven or d >= s.today for d in days)


def _refused(s: Standing) -> tuple[str, bool]:
    """Logs that can't be used or weren't looked at, and whether the tester hasn't been told yet."""
    bad = [log for log in s.logs if log.usable is False]
    unseen = sum(log.usable is None for log in s.logs)
    if bad:
        first = bad[-1]
        verdict = first.verdict.removeprefix("not usable because ")
        more = f"; {len(bad) - 1} more" if len(bad) > 1 else ""
        said = f"{_short(first.file, 60)} can't be used: {_short(verdict)}{more}."
        return said, unseen > 0 or not all(log.told for log in bad)
    return (f"{_count(unseen, 'log')} not checked yet.", True) if unseen else ("", False)


def _notes_missing(s: Standing) -> tuple[str, dt.date | None]:
    """Driven days without notes, and the first of them."""
    scheduled = {d for d in s.days if isinstance(d, dt.date)}
    open_days = sorted(
        d for d in s.driven - s.noted if d <= s.today and d in (scheduled or s.driven)
    )
    if not open_days:
        return "", None
    return f"No notes of {_named([_day(d) for d in open_days])}.", open_days[0]


def _accessory(s: Standing) -> str:
    """Noted days that leave the accessory open; days without notes are asked for as a whole."""
    open_days = sorted((s.noted & s.driven) - s.accessory)
    if not open_days:
        return ""
    return f"Air conditioning on {_named([_day(d) for d in open_days])}: on or off?"


def _fills(s: Standing) -> str:
    """Switching times that are over and have no fill, where fuel has to tell the arms apart."""
    if not tanks_must_differ(s.study) or s.study.fills or s.study.schedule is None:
        return ""
    starts = [u.unit for u in s.study.schedule.unit if u.unit in s.driven]
    days = [d for d in starts if isinstance(d, dt.date)]
    spare = s.fills - set(days)  # a fill on the evening before serves too, but only once
    bare = [d for d in days if d not in s.fills and d - dt.timedelta(days=1) not in spare]
    if not bare:
        return ""
    return f"No fill at {len(bare)} of {len(days)} switching times (add those you have)."


def _strays(s: Standing, days: Sequence[dt.date]) -> str:
    """Logs of days that the schedule hasn't got."""
    own = sorted(s.driven - set(days))
    undated = sum(log.day is None for log in s.logs if log.usable is not False)
    said = ""
    if own:
        said = (
            f"Logs of {_named([_day(d) for d in own])}, which the schedule hasn't got: right car?"
        )
    if undated:
        said += f" {_count(undated, 'log')} without a date."
    return said.strip()


def _faults(s: Standing, told: _Told) -> None:
    if s.faults:
        more = f" (and {len(s.faults) - 1} more)" if len(s.faults) > 1 else ""
        told.say("Mend", _short(s.faults[0]) + more)


def _registered(s: Standing) -> str:
    if s.registered is None:
        return ""
    said = f"Registered {_day(s.registered.date())} {s.registered.year}"
    if s.changed:
        said += f" ({_count(len(s.changed), 'change')} since, which the report lists)"
    return said + ";"


def _looks(s: Standing) -> str:
    early = sum(look.interim for look in s.looks)
    if not early:
        return ""
    spends = s.study.schedule is not None and s.study.schedule.spending != "none"
    what = "each makes the last interval wider" if spends else "they decide nothing"
    return f"{_count(early, 'look')} before the last day: {what}."


def _unit_of(s: Standing, day: dt.date) -> ScheduleUnit:
    units = s.study.schedule.unit if s.study.schedule else ()
    return next(u for u in units if day in (u.unit, *u.also))


def _note(s: Standing, day: dt.date) -> str:
    other = day != s.today or s.told_date
    return command("note", s.folder, *(("--date", f"{day}") if other else ()))


def _date(s: Standing) -> tuple[str, ...]:
    return ("--date", f"{s.today}") if s.told_date else ()


def _named(names: Sequence[str]) -> str:
    shown = list(names[:MOST_NAMED])
    if len(names) > MOST_NAMED:
        return f"{', '.join(shown)} and {len(names) - MOST_NAMED} more"
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)


def _short(text: str, most: int = LONGEST_QUOTE) -> str:
    text = one_line(text).rstrip(".")
    return text if len(text) <= most else text[: most - 1] + "…"


def _day(day: dt.date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"
