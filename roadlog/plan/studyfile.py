"""Writing a schedule or a column's meaning into study.toml without touching anything else there.

The file's text and a `Schedule` go in, or a header and its `ColumnRule`; the text with a new
`[schedule]` table or one line more in `[columns]` comes out, comments, order and spacing of the
rest as they were.
"""

import csv
import datetime as dt
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from roadlog.errors import InputError
from roadlog.ingest.text.handtable import split_unit
from roadlog.quantities.units import UnitChoice
from roadlog.runs.guesses import GUESS
from roadlog.study.durable import atomic_write
from roadlog.study.settings import ColumnRule, Schedule, Study, parse_study
from roadlog.wording.units import shown_in, symbol

_NOTE = "Drawn by roadlog plan. Later changes are listed in the report."
_SHUT = "Drawn by roadlog plan and sealed: roadlog unseal puts the arms in, after the last drive."


def with_schedule(text: str, schedule: Schedule) -> str:
    """The text of study.toml with its `[schedule]` table replaced or appended.

    Raises
    ------
    InputError
        If the text isn't TOML, or its schedule is written in a way that can't be replaced.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    before = parse_study(text)
    try:
        document = tomlkit.parse(text)
        if "schedule" in document:
            document["schedule"] = _table(schedule)
        else:
            if text and not text.endswith("\n\n"):
                document.add(tomlkit.nl())
            document.add("schedule", _table(schedule))
        new = tomlkit.dumps(document)
        after = parse_study(new)
    except (TOMLKitError, InputError) as e:
        raise InputError(
            "study.toml: its schedule is written in a way that can't be replaced: delete "
            "[schedule] and plan again"
        ) from e
    if after != _with(before, schedule):
        raise InputError(
            "study.toml: replacing [schedule] would change other tables: move [schedule] to the "
            "end of the file, or delete it, and plan again"
        )
    return new


def write_schedule(path: Path, schedule: Schedule) -> None:
    """Put the schedule into the file in one step."""
    new = with_schedule(path.read_bytes().decode("utf-8-sig"), schedule)
    atomic_write(path, lambda p: p.write_bytes(new.encode("utf-8")))


def with_column(text: str, header: str, rule: ColumnRule) -> str:
    """The text of study.toml with one column's meaning in its `[columns]`.

    Raises
    ------
    InputError
        If the text isn't TOML, or its columns are written in a way that can't be added to.
    """
    import tomlkit

    before = parse_study(text)
    wanted = before.model_copy(update={"columns": {**before.columns, header: rule}})
    if rule.unit is None:
        return _with_entries(text, {"columns": {header: rule.signal}}, wanted)
    row = tomlkit.inline_table()
    row.update({"signal": rule.signal, "unit": rule.unit})
    return _with_entries(text, {"columns": {header: row}}, wanted)


def with_day_first(text: str, day_first: bool) -> str:
    """The text of study.toml that says whether dates have the day before the month.

    Raises
    ------
    InputError
        If the text isn't TOML, or its `[time]` is written in a way that can't be added to.
    """
    before = parse_study(text)
    time = before.time.model_copy(update={"day_first": day_first})
    wanted = before.model_copy(update={"time": time})
    return _with_entries(text, {"time": {"day_first": day_first}}, wanted)


def with_plan_values(text: str, values: Mapping[str, Any]) -> str:
    """The text of study.toml with values in its `[plan]`.

    Where somebody else switches, `[analysis]` says too that the driver needn't know the arm.

    Raises
    ------
    InputError
        If the text isn't TOML, or those tables are written in a way that can't be added to.
    """
    before = parse_study(text)
    tables: dict[str, Mapping[str, Any]] = {"plan": values}
    wanted: dict[str, Any] = {"plan": before.plan.model_copy(update=dict(values))}
    if "switched_by_other" in values:
        tables["analysis"] = known = {"driver_knew_arm": not values["switched_by_other"]}
        wanted["analysis"] = before.analysis.model_copy(update=known)
    return _with_entries(text, tables, before.model_copy(update=wanted))


def _with_entries(text: str, tables: Mapping[str, Mapping[str, Any]], wanted: Study) -> str:
    """The text with entries of tables set, if that and nothing else makes the study `wanted`."""
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    names = {table: ", ".join(f"'{key}'" for key in entries) for table, entries in tables.items()}
    by_hand = " and ".join(f"{keys} into [{table}]" for table, keys in names.items())
    by_hand = f"write {by_hand} by hand"
    try:
        document = tomlkit.parse(text)
        for table, entries in tables.items():
            if table not in document:
                so_far = tomlkit.dumps(document)
                if so_far and not so_far.endswith("\n\n"):
                    document.add(tomlkit.nl())
                document.add(table, tomlkit.table())
            there: Any = document[table]
            for key, value in entries.items():
                there[key] = value
        new = tomlkit.dumps(document)
        after = parse_study(new)
    except (TOMLKitError, InputError, TypeError, ValueError) as e:
        either = " or ".join(f"[{table}]" for table in tables)
        raise InputError(
            f"study.toml: its {either} is written in a way that can't be added to: {by_hand}"
        ) from e
    if after != wanted:
        keys = ", ".join(names.values())
        raise InputError(f"study.toml: writing {keys} would change other tables: {by_hand}")
    return new


def write_column(path: Path, header: str, rule: ColumnRule) -> None:
    """Put a column's meaning into the file in one step."""
    new = with_column(path.read_bytes().decode("utf-8-sig"), header, rule)
    atomic_write(path, lambda p: p.write_bytes(new.encode("utf-8")))


def write_day_first(path: Path, day_first: bool) -> None:
    """Put the order of day and month into the file in one step."""
    new = with_day_first(path.read_bytes().decode("utf-8-sig"), day_first)
    atomic_write(path, lambda p: p.write_bytes(new.encode("utf-8")))


def write_plan_values(path: Path, values: Mapping[str, Any]) -> None:
    """Put values into [plan] in one step, all else as it stood (`with_plan_values`)."""
    new = with_plan_values(path.read_bytes().decode("utf-8-sig"), values)
    atomic_write(path, lambda p: p.write_bytes(new.encode("utf-8")))


def _with(study: Study, schedule: Schedule) -> Study:
    return study.model_copy(update={"schedule": schedule})


def _table(schedule: Schedule) -> Any:
    import tomlkit

    table = tomlkit.table()
    table.comment(_SHUT if schedule.shut else _NOTE)
    keys = ("switched_by", "randomised", "seed", "weekday_limit", "spending", "sealed")
    for key in (*keys, *(["dummy_days"] if schedule.sealed else [])):
        value = getattr(schedule, key)
        if value is not None:
            table.add(key, value)
    units = tomlkit.array()
    units.multiline(True)
    for u in schedule.unit:
        row = tomlkit.inline_table()
        row.update({"unit": u.unit} if u.arm is None else {"unit": u.unit, "arm": u.arm})
        if u.block is not None:
            row.append("block", u.block)
        if u.also:
            row.append("also", [*u.also])
        units.append(row)
    table.add("unit", units)
    return table


def schedule_csv(schedule: Schedule) -> str:
    """One row a day: date, weekday, switch unit, arm (unless it is sealed), block.

    >>> print(schedule_csv(Schedule.model_validate(
    ...     {"unit": [{"unit": dt.date(2026, 3, 2), "arm": "fitted", "block": 1}]})).strip())
    date,weekday,switch unit,arm,block
    2026-03-02,mon,2026-03-02,fitted,1
    """
    rows = [f"date,weekday,switch unit,{'' if schedule.shut else 'arm,'}block"]
    for u in schedule.unit:
        for day in (u.unit, *u.also):
            weekday = f"{day:%a}".lower() if isinstance(day, dt.date) else ""
            arm = "" if u.arm is None else f"{u.arm},"
            rows.append(f"{day},{weekday},{u.unit},{arm}{'' if u.block is None else u.block}")
    return "\n".join(rows) + "\n"


NOTED = (
    "air conditioning",
    "windows",
    "cold tyre pressure [kPa]",
    "payload [kg]",
    "fuel batch",
    "soak [h]",
    "wet road",
    "deviation",
    "seal",
    "remarks",
)


def noted_in(units: UnitChoice) -> tuple[str, ...]:
    """The headings of a new notes.csv, in the units that the study says.

    >>> [h for h in noted_in("us") if "[" in h]
    ['cold tyre pressure [psi]', 'payload [lb]', 'soak [h]']
    """
    with shown_in(units):
        pressure, mass = f"[{symbol('kPa')}]", f"[{symbol('kg')}]"
    return tuple(h.replace("[kPa]", pressure).replace("[kg]", mass) for h in NOTED)


def notes_template(
    schedule: Schedule, named: Sequence[str] = (), units: UnitChoice = "metric"
) -> str:
    """An empty `notes.csv`, one row a scheduled day, with a column for each `named` covariate too.

    A driver who isn't to know the arm guesses it daily, in a column of its own.

    >>> notes_template(Schedule()).startswith("date,air conditioning")
    True
    """
    days = [d for u in schedule.unit for d in (u.unit, *u.also)]
    noted = noted_in(units)
    if schedule.sealed is not None:
        noted = (*noted[:-1], GUESS, noted[-1])
    usual = {split_unit(c)[0] for c in noted} | {c.casefold() for c in noted}
    columns = ["date", *noted, *(n for n in named if n.casefold() not in usual)]
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(
        [columns, *([d, *[""] * (len(columns) - 1)] for d in days)]
    )
    return text.getvalue()
