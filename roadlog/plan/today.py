"""What a study needs today: facts of its folder go in, a few lines and the next command come out.

Nothing is read here and no effect is known: `roadlog.commands.next_step` gathers the facts. Under a
schedule that the driver isn't to know, no line tells an arm.
"""

import datetime as dt
import shlex
from collections.abc import Sequence
from dataclasses import dataclass, field

from roadlog.plan.facts import Day, Days, English, Stands, Step
from roadlog.plan.result import Look
from roadlog.plan.sheet import Row, sheet_rows
from roadlog.plan.to_log import tanks_must_differ
from roadlog.quantities.facts import Fact
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

    told: Sequence[tuple[str, Sequence[Fact | str]]]
    step: Fact | str = ""
    command: str = ""
    title: str = ""

    @property
    def rows(self) -> list[tuple[str, str]]:
        """Each label with its sentences in English."""
        return [(label, " ".join(map(str, said))) for label, said in self.told]

    @property
    def why(self) -> str:
        """What the command is for, in English."""
        return str(self.step)


@dataclass
class _Told:
    told: dict[str, list[Fact | str]] = field(default_factory=dict)

    def say(self, label: str, *sentences: Fact | str) -> None:
        """Add sentences under a label, behind those that stand there."""
        for sentence in sentences:
            if sentence != "":
                self.told.setdefault(label, []).append(sentence)

    def advice(self, step: Fact | str, line: str, title: str) -> Advice:
        """All of it, and the next step."""
        return Advice(tuple(self.told.items()), step, line, title)


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
    return Advice([("Done", [said])], Step.START(), command("new", folder))


@in_own_units
def advise(s: Standing) -> Advice:
    """What is done, what is missing, what to do today, and the next command."""
    told = _Told()
    title = short_name(s.study)
    if s.study.synthetic and "synthetic" not in title.lower():
        title += " (synthetic)"
    why, line = _steps(s, told)
    return told.advice(why, line, title)


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


def _steps(s: Standing, told: _Told) -> tuple[Fact | str, str]:
    """Fill in what there is to say; return why and what comes next."""
    if s.study.device.carry_over == "permanent" and not s.days:
        told.say("Today", Stands.PERMANENT())
        return Step.DESIGNS(), command("plan", s.folder, "--dry-run")
    if not s.days:
        return _without_schedule(s, told)
    if wrong := _clock(s):
        told.say("Clock", wrong[0])
        return Step.CLOCK(), command("next", s.folder, "--date", wrong[1])
    if not all(isinstance(d, dt.date) for d in s.days):
        return _by_log(s, told)
    return _by_day(s, told)


def _without_schedule(s: Standing, told: _Told) -> tuple[Fact | str, str]:
    if not s.logs:
        told.say("Done", Stands.WRITTEN())
        _faults(s, told)
        return Step.SEE_DAYS(), command("plan", s.folder, "--dry-run")
    told.say(
        "Done",
        f"{_count(len(s.logs), 'log')}; no schedule, so chance decided nothing, and the report "
        "says so.",
    )
    _faults(s, told)
    bad, untold = _refused(s)
    told.say("Missing", bad)
    if untold:
        return Step.VERDICTS(), command("check", s.folder)
    return _after_the_end(s, told)


def _by_log(s: Standing, told: _Told) -> tuple[Fact | str, str]:
    """A schedule whose units are logs by name (runs, half-days)."""
    names = {log.file for log in s.logs} | {log.file.rpartition("/")[2] for log in s.logs}
    left = [u for u in (s.study.schedule.unit if s.study.schedule else ()) if
            str(u.unit) not in names and u.unit not in s.driven]  # fmt: skip
    told.say(
        "Done", _registered(s), Stands.UNITS_IN(came=len(s.days) - len(left), units=len(s.days))
    )
    _faults(s, told)
    if why_next := _before_drives(s, told):
        return why_next
    if not left:
        return _after_the_end(s, told)
    told.say("Today", f"The next unit is {_one_unit(s, left[0])}.", _washout(s))
    bad, untold = _refused(s)
    told.say("Missing", bad, _notes_missing(s)[0])
    if untold:
        return Step.VERDICTS(), command("check", s.folder)
    return Step.TAKE_THEN(), command("note", s.folder, *_date(s))


def _one_unit(s: Standing, unit: ScheduleUnit) -> str:
    name = one_line(str(unit.unit))[:LONGEST_NAME]
    return f"'{name}'; the switcher knows its arm" if s.blind else (
        f"'{name}': {one_line(s.study.label(unit.arm))}"
    )  # fmt: skip


def _by_day(s: Standing, told: _Told) -> tuple[Fact | str, str]:
    days = sorted(d for d in s.days if isinstance(d, dt.date))
    past = [d for d in days if d < s.today]
    came = sum(d in s.driven for d in days)
    units = s.study.schedule.unit if s.study.schedule else ()
    begun = [u for u in units if any(d in s.driven for d in (u.unit, *u.also))]
    logs = Stands.LOGS(n=len(s.logs))
    done = Stands.DRIVEN(begun=len(begun), units=len(units), logs=logs)
    told.say("Done", _registered(s), done, _looks(s))
    _today(s, told, days)
    _faults(s, told)
    (bad, untold), (unnoted, first_unnoted) = _refused(s), _notes_missing(s)
    step = _before_drives(s, told)
    gaps = [bad, unnoted, *_missed(s, past), _strays(s, days), _accessory(s), _fills(s)]
    gaps = [gap for gap in gaps if gap != ""]
    more = len(gaps) - MOST_MISSING
    told.say("Missing", *gaps[:MOST_MISSING], Stands.MORE(count=more) if more > 0 else "")
    if step:
        return step
    if untold:
        return Step.VERDICTS(), command("check", s.folder)
    if first_unnoted is not None:
        return Step.WRITE_DOWN(day=Day(first_unnoted)), _note(s, first_unnoted)
    over = s.today > days[-1] or (days[-1] in s.driven and s.today == days[-1])
    if over:
        if not came:
            return Step.NO_LOGS(), command("plan", s.folder, "--redraw", "--dry-run")
        return _after_the_end(s, told)
    if s.today in days and s.today not in s.driven and s.today in s.noted:
        return Step.NOTED(), command("check", s.folder)
    if s.today in days and s.today not in s.driven:
        return Step.AFTER_LAST(), _note(s, s.today)
    ahead = next(d for d in days if d > s.today)
    return Step.EVENING(day=Day(ahead)), command("next", s.folder, "--date", f"{ahead}")


def _before_drives(s: Standing, told: _Told) -> tuple[Fact | str, str] | None:
    """What has to be right whatever the day: registration, papers, files that can be read."""
    if s.faults:
        return Step.MEND(), command("next", s.folder, *_date(s))
    if s.registered is None:
        told.say("Missing", Stands.NOT_REGISTERED(), Stands.LATE() if s.logs else "")
        return Step.FIX(), command("plan", s.folder, "--register")
    if not s.papers and not s.logs:
        return Step.PRINT(), command("plan", s.folder)
    return None


def _after_the_end(s: Standing, told: _Told) -> tuple[Fact | str, str]:
    files = frozenset(log.file for log in s.logs)
    if s.analysed is None:
        told.say("Today", Stands.NOTHING_LEFT() if s.days else "")
        if s.sealed:
            return Step.UNSEAL(), command("unseal", s.folder, "FILE")
        return Step.SETTLE(), command("analyze", s.folder)
    if new := len(files - s.analysed):
        told.say("Missing", Stands.NEW_LOGS(n=new))
        return Step.AGAIN(), command("analyze", s.folder)
    if s.stale:
        told.say("Missing", Stands.STALE(file=s.stale))
        return Step.AGAIN(), command("analyze", s.folder)
    told.say("Today", Stands.ANALYSED())
    if s.published:
        return Step.DONE(), ""
    return Step.PUBLISH(), command("publish", s.folder)


def _today(s: Standing, told: _Told, days: Sequence[dt.date]) -> None:
    today = Day(s.today)
    if s.today not in days:
        if s.today < days[0]:
            wait = (days[0] - s.today).days
            told.say("Today", Stands.BEFORE(today=today, day=Day(days[0]), n=wait))
        elif s.today > days[-1]:
            told.say("Today", Stands.AFTER(today=today, day=Day(days[-1])))
        else:
            ahead = next(d for d in days if d > s.today)
            told.say("Today", Stands.NO_TEST_DAY(today=today, day=Day(ahead)))
        return
    i = days.index(s.today)
    unit, row = _unit_of(s, s.today), sheet_rows(s.study)[s.days.index(s.today)]
    fresh = unit.unit == s.today
    head = Stands.OF_DAYS(today=today, n_th=i + 1, all=len(days))
    if s.today in s.driven:
        arm = "" if s.blind else f" {one_line(row.state)};"
        here, all_runs = sum(log.day == s.today for log in s.logs), s.study.plan.runs_per_day
        came = (
            Stands.CAME_SOME(head=head, arm=arm, here=here, all=all_runs)
            if here < all_runs
            else Stands.CAME_ALL(head=head, arm=arm)
        )
        told.say("Today", came)
        return
    if s.blind:
        told.say("Today", Stands.BLIND(head=head))
    else:
        told.say("Today", Stands.ARM(head=head, arm=one_line(row.state)), _switch(row))
    if fresh:
        told.say("Today", _washout(s))
        if tanks_must_differ(s.study):
            told.say("Today", Stands.FILL_FIRST())
    if row.last_of_block and not tanks_must_differ(s.study):
        told.say("Today", Stands.REFUEL_LAST())


def _switch(row: Row) -> Fact:
    doing = {"fit": Stands.FIT(), "take out": Stands.TAKE_OUT(), "leave shut": Stands.LEAVE()}
    return doing.get(row.switch, Stands.HANDLE())


def _washout(s: Standing) -> Fact | str:
    km, plan = s.study.device.washout_km, s.study.plan
    if s.study.device.carry_over == "none" or km <= 0:
        return ""
    way = told(km, "km", 0 if float(km).is_integer() else 1)
    whole_day = km >= plan.km_per_run * plan.runs_per_day
    return (Stands.WASHOUT_ALL if whole_day else Stands.WASHOUT)(way=way)


def _clock(s: Standing) -> tuple[Fact | str, str] | None:
    """What is wrong with the day by what is dated later, and a day that would do."""
    if s.told_date:
        return None
    last = max(s.driven, default=None)
    day = dt.timedelta(days=1)  # so far may time zones lie apart
    if last is not None and s.today < last - day:
        return Stands.CLOCK_LOG(today=Day(s.today), day=Day(last)), f"{last}"
    made = None if s.registered is None else s.registered.date()
    if made is not None and s.today < made - day:
        return Stands.CLOCK_PLAN(today=Day(s.today), day=Day(made)), f"{made}"
    return None


def _missed(s: Standing, past: Sequence[dt.date]) -> tuple[Fact, ...]:
    """Past days without a log, and what becomes of their units."""
    gone = tuple(d for d in past if d not in s.driven)
    if not gone:
        return ()
    lost = {_unit_of(s, d).unit for d in gone if _lost(s, _unit_of(s, d))}
    then = Stands.LOST(n=len(lost)) if lost else Stands.LIVES()
    return (Stands.NO_LOG_THEN(no_log=Stands.NO_LOG(days=Days(gone, MOST_NAMED)), then=then),)


def _lost(s: Standing, unit: ScheduleUnit) -> bool:
    """Whether a unit has no log and no day left."""
    days = [d for d in (unit.unit, *unit.also) if isinstance(d, dt.date)]
    return not any(d in s.driven or d >= s.today for d in days)


def _refused(s: Standing) -> tuple[Fact | str, bool]:
    """Logs that can't be used or weren't looked at, and whether the tester hasn't been told yet."""
    bad = [log for log in s.logs if log.usable is False]
    unseen = sum(log.usable is None for log in s.logs)
    if bad:
        first = bad[-1]
        verdict = first.verdict.removeprefix("not usable because ")
        file, why, more = _short(first.file, 60), _short(verdict), len(bad) - 1
        said = (
            Stands.REFUSED_MORE(file=file, why=English(why), more=more)
            if more
            else Stands.REFUSED(file=file, why=English(why))
        )
        return said, unseen > 0 or not all(log.told for log in bad)
    return (Stands.NOT_CHECKED(n=unseen), True) if unseen else ("", False)


def _notes_missing(s: Standing) -> tuple[Fact | str, dt.date | None]:
    """Driven days without notes, and the first of them."""
    scheduled = {d for d in s.days if isinstance(d, dt.date)}
    open_days = sorted(
        d for d in s.driven - s.noted if d <= s.today and d in (scheduled or s.driven)
    )
    if not open_days:
        return "", None
    return Stands.NO_NOTES(days=Days(tuple(open_days), MOST_NAMED)), open_days[0]


def _accessory(s: Standing) -> Fact | str:
    """Noted days that leave the accessory open; days without notes are asked for as a whole."""
    open_days = sorted((s.noted & s.driven) - s.accessory)
    if not open_days:
        return ""
    return Stands.ACCESSORY(days=Days(tuple(open_days), MOST_NAMED))


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
        named = Days(tuple(own), MOST_NAMED)
        said = f"Logs of {named}, which the schedule hasn't got: right car?"
    if undated:
        said += f" {_count(undated, 'log')} without a date."
    return said.strip()


def _faults(s: Standing, told: _Told) -> None:
    if s.faults:
        more = f" (and {len(s.faults) - 1} more)" if len(s.faults) > 1 else ""
        told.say("Mend", _short(s.faults[0]) + more)


def _registered(s: Standing) -> Fact | str:
    if s.registered is None:
        return ""
    day, year = Day(s.registered.date()), s.registered.year
    if s.changed:
        return Stands.CHANGED(day=day, year=year, n=len(s.changed))
    return Stands.REGISTERED(day=day, year=year)


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


def _short(text: str, most: int = LONGEST_QUOTE) -> str:
    text = one_line(text).rstrip(".")
    return text if len(text) <= most else text[: most - 1] + "…"


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"
