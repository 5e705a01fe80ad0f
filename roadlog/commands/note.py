"""`roadlog note`: the day's notes, asked one by one or given as options, into notes.csv."""

import argparse
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.commands.next_step import a_date
from roadlog.commands.sources import opened, writing
from roadlog.errors import InputError

if TYPE_CHECKING:
    from roadlog.analysis.day_notes import Day
    from roadlog.runs.daily_notes import Column

FILL_NAMES = {
    "fill": "litres", "litres": "litres", "liters": "litres", "fuel filled": "litres",
    "odometer": "odometer_km", "price": "price_per_l", "full": "full", "time": "time",
    "fill time": "time",
}  # fmt: skip
YES = {"yes": True, "y": True, "no": False, "n": False}


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "note",
        help="write down the day's notes, and a fill if there was one",
        description=(
            "Ask the day's notes one by one, check them, and write the row of notes.csv (and of "
            "fills.csv for a fill). Only while parked. Enter takes the answer in brackets, - "
            "leaves a thing blank. With --set nothing is asked."
        ),
        epilog=(
            "examples:\n"
            "  roadlog note my_test\n"
            "  roadlog note my_test --date 2026-03-02 --set 'tyre pressure=33 psi' --set "
            "windows=shut\n"
            "  roadlog note my_test --set 'fill=31.4 L' --set odometer=41230 --set price=1.739\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", type=Path, metavar="STUDY", help="folder with study.toml")
    p.add_argument("--date", type=a_date, metavar="DATE", help="another day than today")
    p.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="an answer, such as windows=shut or 'tyre pressure=33 psi'; may be repeated",
    )
    p.add_argument("--replace", action="store_true", help="let --set change what is noted already")
    p.add_argument("--anyway", action="store_true", help="note a day that the schedule hasn't got")
    p.set_defaults(run=_note)


def _again(day: "Day") -> str:
    """The command that goes on with the answers that aren't written."""
    from roadlog.plan.today import command

    sets = [f"{h}={c}" for h, c in day.cells.items() if c]
    sets += [f"{k.partition('_')[0]}={v}" for k, v in day.fill.items() if v]
    options = ["--date", f"{day.date}"] if day.told_date else []
    return command("note", str(day.folder), *options, *(o for s in sets for o in ("--set", s)))


def _note(a: argparse.Namespace) -> int:
    from roadlog.analysis.day_notes import day_of
    from roadlog.analysis.standing import with_logs_order

    study = with_logs_order(a.study, opened(a.study))
    day = day_of(a.study, study, a.date, anyway=a.anyway)
    print(_first_line(day))
    if a.set:
        _given(day, a.set, replace=a.replace)
    elif sys.stdin.isatty():
        try:
            if not _asked(day, input, print):
                print("Left as it is.")
                return 0
        except (EOFError, KeyboardInterrupt):
            print()
            return _interrupted(day)
    else:
        names = ", ".join(dict.fromkeys([c.item.name for c in day.columns] + ["fill", "odometer"]))
        raise InputError(
            f"there is no terminal to ask at: give --set NAME=VALUE, NAME one of {names}"
        )
    if not day.cells and day.made is None:
        print("Nothing to write.")
        return 0
    _write(day)
    return 0


def _first_line(day: "Day") -> str:
    from roadlog.analysis.day_notes import scheduled
    from roadlog.plan.today import short_name

    days = scheduled(day.study)
    place = f", day {days.index(day.date) + 1} of {len(days)}" if day.date in days else ""
    when = f"{day.date:%a} {day.date.day} {day.date:%b %Y}"
    return f"Parked? Then the notes of {when}{place}, for {short_name(day.study, 40)}."


def _given(day: "Day", sets: Sequence[str], *, replace: bool) -> None:
    """Answers from options."""
    from roadlog.runs.daily_notes import cell_of

    for text in sets:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise InputError(f"--set {text[:60]}: write NAME=VALUE, as windows=shut")
        plain = " ".join(name.split()).casefold()
        if plain in FILL_NAMES:
            day.fill[FILL_NAMES[plain]] = value
            continue
        column = _column(day, plain)
        cell = cell_of(column, value)
        was = day.row.cells.get(column.heading, "")
        if was and was != cell and not replace:
            raise InputError(
                f"{column.item.name} of {day.date} is noted already, as '{was[:60]}': add "
                f"--replace to change it to '{cell[:60]}'"
            )
        if was != cell:
            day.cells[column.heading] = cell
    if day.fill and "litres" not in day.fill:
        raise InputError("--set: a fill needs its amount too: add --set 'fill=31.4 L'")
    day.plan_fill()


def _column(day: "Day", name: str) -> "Column":
    """The column that a name means; a known thing that the file lacks becomes a column."""
    from roadlog.plan.studyfile import noted_in
    from roadlog.runs.daily_notes import columns_of

    def means(c: "Column") -> bool:
        return name in (c.item.name, c.heading.casefold()) or name in c.item.headings

    exact = [c for c in day.columns if means(c)]
    part = [c for c in day.columns if name in c.heading.casefold() or name in c.item.name]
    if exact or len(part) == 1:
        return (exact or part)[0]
    new = [c for c in columns_of(noted_in(day.study.units)) if means(c)]
    if new and not part:
        return new[0]
    names = ", ".join([c.item.name for c in part or day.columns] + ([] if part else ["fill"]))
    raise InputError(f"--set {name[:40]}: {'means several' if part else 'is none of'}: {names}")


def _asked(day: "Day", read: Callable[[str], str], say: Callable[[str], object]) -> bool:
    """Answers typed in; False if a day that is noted is to stay as it is."""
    from roadlog.runs.daily_notes import cell_of
    from roadlog.runs.deviations import agreed_word
    from roadlog.wording.screen import paragraph

    standing = day.row.filled
    columns = list(day.columns)
    if standing:
        told = "; ".join(f"{h}: {c}" for h, c in standing.items())
        say("\n".join(paragraph("", f"Noted already: {told}")))
        if not _yes(read, say, "Replace it (yes / no)", "no"):
            columns = [c for c in columns if not standing.get(c.heading)]
            if not columns or not _yes(read, say, "Fill in what is blank (yes / no)", "no"):
                return False
    for column in columns:
        was = day.row.cells.get(column.heading, "")
        if column.item.name == "guess" and was:
            continue  # a guess that was made is the one that counts
        usual = day.before.get(column.heading, "") if column.item.repeats else ""
        default = was or usual
        agreed = day.study.analysis.exclude_if
        if column.item.name == "deviation" and agreed:
            words = f"Words agreed to set a day's drives aside: {', '.join(agreed)}."
            say("\n".join(paragraph("", words)))
        check: Callable[[str], str] = partial(cell_of, column)
        cell = _answer(read, say, column.question, default, check)
        if column.item.name == "deviation" and cell:
            word = agreed_word(cell, agreed)
            say(f"  '{word}': the day's drives are set aside." if word else "  The drives count.")
        if cell != was:
            day.cells[column.heading] = cell
    _asked_fill(day, read, say)
    return True


def _asked_fill(day: "Day", read: Callable[[str], str], say: Callable[[str], object]) -> None:
    from roadlog.closure.fillnote import units_of_fills

    litres, km, price = units_of_fills(day.folder, day.study)
    today = day.date == day.now.date()
    questions = (
        ("litres", f"Fuel filled, {litres} (blank: none)", ""),
        ("odometer_km", f"  Odometer, {km} (blank: not read)", ""),
        ("price_per_l", f"  Price of {price} (blank: not kept)", ""),
        ("full", "  Filled up to full: yes or no", "yes"),
        ("time", "  Time of day", f"{day.now:%H:%M}" if today else ""),
    )
    for name, question, default in questions:

        def checked(text: str, name: str = name) -> str:
            day.fill[name] = text
            try:
                day.plan_fill()
            except InputError:
                del day.fill[name]
                raise
            return text

        if not _answer(read, say, question, default, checked) and name == "litres":
            day.fill.clear()
            return


def _answer(
    read: Callable[[str], str],
    say: Callable[[str], object],
    question: str,
    default: str,
    check: Callable[[str], str],
) -> str:
    """One answer, asked until it will do."""
    from roadlog.ingest.text.handanswer import plain_answer

    while True:
        text = plain_answer(read(f"{question}{f' [{default}]' if default else ''}: "))
        text = "" if text == "-" else text or default
        try:
            return check(text)
        except InputError as e:
            say(f"  {e}: try again")


def _yes(
    read: Callable[[str], str], say: Callable[[str], object], question: str, default: str
) -> bool:
    def known(text: str) -> str:
        if text.lower() not in YES:
            raise InputError("yes or no")
        return text.lower()

    return YES[_answer(read, say, question, default, known)]


def _write(day: "Day") -> None:
    """Write what was answered, unless others wrote the same things since they were asked."""
    try:
        with writing(day.folder, "roadlog note"):
            day.hold_against_now()
            _put(day)
    except InputError as e:
        raise InputError(f"{e}; no answer is lost, go on with  {_again(day)}") from e


def _put(day: "Day") -> None:
    from roadlog.closure.fillnote import write_fill
    from roadlog.plan.today import command
    from roadlog.wording.screen import paragraph
    from roadlog.wording.units import told

    try:
        if day.cells:
            day.write_row()
            row = "; ".join(f"{h}: {c}" for h, c in day.cells.items() if c) or "all blank"
            print(f"Written: {day.folder / 'notes.csv'}, the row of {day.date}")
            print("\n".join(paragraph("", f"  {row}")))
            day.cells.clear()
        if day.made is not None:
            write_fill(day.made, day.study.time.day_first)
            print(f"Written: {day.made.path}: {told(day.made.fill.litres, 'L', 2)}")
    except OSError as e:
        raise InputError(f"{e.filename or day.folder}: {e.strerror}") from e
    print(f"Next: {command('next', str(day.folder))}")


def _interrupted(day: "Day") -> int:
    """Keep the answers so far, and say how to go on."""
    if day.made is not None and not all(k in day.fill for k in ("odometer_km", "full")):
        day.made = None  # half a fill isn't written; the command holds what was told of it
    fill = {} if day.made is not None else dict(day.fill)
    some = len(day.cells)
    if day.cells or day.made is not None:
        _write(day)
    day.fill = fill
    kept = "one answer was" if some == 1 else f"{some} answers were"
    print(f"Stopped; {kept} kept. Go on with:\n  {_again(day)}", file=sys.stderr)
    return 1
