"""What each vehicle of a fleet is, and in which arm it was on each day.

Tables kept by hand go in (`vehicles.csv`, a schedule by vehicle and day), their columns matched by
meaning; out come the vehicles as `[vehicle]` would have them, and the rule that gives a day's arm.
"""

import datetime as dt
import re
import unicodedata
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from pydantic import ValidationError

from roadlog.errors import InputError
from roadlog.fleet.facts import LeftOut
from roadlog.ingest.clock.handdates import order_matters, read_days, turned
from roadlog.ingest.text.handnumbers import decimal_mark, quantity
from roadlog.ingest.text.handtable import line_of, read_table, split_unit
from roadlog.physics.roadload import CLASSES
from roadlog.quantities.arms import ARMS, Arm
from roadlog.quantities.facts import Fact
from roadlog.quantities.fuelnames import FUEL_NAMES
from roadlog.study.car import Vehicle
from roadlog.study.faults import first_fault
from roadlog.study.settings import Study

LONGEST_NAME = 60
NUMBERS = {  # our field: unit, words
    "displacement_l": ("l", ("displacement", "engine size", "engine displacement", "capacity")),
    "mass_kg": ("kg", ("mass", "test mass", "weight", "kerb mass", "curb weight", "kerb weight")),
    "cylinders": ("", ("cylinders", "number of cylinders")),
}
TEXTS = {
    "vehicle": ("vehicle", "car", "vehicle id", "fleet number", "name", "id", "van", "bus", "truck",
                "taxi", "registration", "plate", "number plate"),
    "vin": ("vin", "vehicle identification number", "chassis number"),
    "fuel": ("fuel", "fuel type"),
    "class": ("class", "vehicle class"),
    "aspiration": ("aspiration",),
    "zone": ("zone", "time zone", "timezone"),
    "arm": ("arm",),
}  # fmt: skip
DATES = {
    "fitted_from": ("fitted from", "fitted", "fitted on", "roll out", "rollout", "rolled out",
                    "roll out date", "installed", "installed on", "date fitted"),
    "fitted_until": ("fitted until", "removed", "removed on", "taken out"),
    "day": ("day", "date"),
}  # fmt: skip
BLOCK = ("block",)
NEVER = ("never", "not fitted", "none", "no", "-", "–")  # for the day on which it was fitted
LATEST = "9999-12-31"
LEAST_MISSED, MISSED_SHARE = 2, 0.1  # days that the schedule lacks, for a clock to be a day off
_ZEROS, _JOINTS = re.compile(r"(?<!\d)0+(?=\d)"), re.compile(r"[\s_-]+")
DECLARED = ("fuel", "displacement_l", "mass_kg", "cylinders", "aspiration")


@dataclass(frozen=True)
class Listed:
    """One vehicle's line: what is declared of it, its arm or the days of it, and other columns."""

    name: str
    line: int
    vehicle: Vehicle
    vin: str = ""
    zone: str | None = None
    arm: Arm | None = None
    fitted_from: str = ""  # days as YYYY-MM-DD
    fitted_until: str = ""
    labels: Mapping[str, str] = field(default_factory=dict)

    def label(self, heading: str) -> str:
        """What stands under a heading of the table, "" where nothing does."""
        wanted = heading.strip().casefold()
        return next((v for h, v in self.labels.items() if h.casefold() == wanted), "")


class Assigned(NamedTuple):
    """What a day was given: its arm, its switch unit and the block that chance dealt within."""

    arm: Arm
    unit: str
    block: str = ""


@dataclass(frozen=True)
class Arms:
    """In which arm a vehicle was on a day.

    `days` is the schedule. Without one the add-on was in from `fitted_from` on, and where no such
    day is told `arm` is for good.
    """

    days: Mapping[str, Assigned] | None = None
    arm: Arm | None = None
    fitted_from: str = ""
    fitted_until: str = ""
    table: str = "vehicles.csv"
    by_order: bool = False  # whether the schedule's days hang on which of day and month comes first

    def turned(self, driven: Collection[str]) -> bool:
        """Whether the schedule fits the days driven better with day and month changed over."""
        if not self.by_order or self.days is None:
            return False
        return turned({*driven}, self.days)

    def shifted(self, driven: Collection[str]) -> int:
        """By how many days the drives lie off the schedule (1: a day late), 0 where they don't.

        A clock that is a day off gives every drive another day's arm. What it leaves behind are
        days driven that the schedule hasn't got, and all of them are there a day earlier or later.
        """
        if self.days is None:
            return 0
        days = [dt.date.fromisoformat(d) for d in driven]
        missed = sum(d.isoformat() not in self.days for d in days)
        if missed < max(LEAST_MISSED, MISSED_SHARE * len(days)):
            return 0
        for by in (1, -1):
            if all((d - dt.timedelta(days=by)).isoformat() in self.days for d in days):
                return by
        return 0

    def of(self, day: str) -> Assigned | Fact:
        """What a day (YYYY-MM-DD) was given, or why nothing."""
        if self.days is not None:
            return self.days.get(day) or LeftOut.NOT_SCHEDULED(day=day)
        if self.arm is not None and not self.fitted_from:
            return Assigned(self.arm, day)
        if not self.fitted_from:
            return LeftOut.NO_ARM(table=self.table)
        if day in (self.fitted_from, self.fitted_until):
            return LeftOut.CHANGED_THAT_DAY()
        fitted = day > self.fitted_from and not (self.fitted_until and day > self.fitted_until)
        return Assigned(ARMS[fitted], day)


def tidy(name: object) -> str:
    """A vehicle's name on one line, accents in one spelling."""
    return unicodedata.normalize("NFC", " ".join(str(name).split()))


def bad_name(name: str) -> Fact | None:
    """Why a name can't be a vehicle's."""
    printable = all(unicodedata.category(c)[0] != "C" for c in name)
    return None if 0 < len(name) <= LONGEST_NAME and printable else LeftOut.NAME(name=name[:80])


def alike(name: str) -> str:
    """What two spellings have in common that tell a reader the same name.

    >>> alike("Van 07") == alike("van_7"), alike("van 7") == alike("van 70")
    (True, False)
    """
    plain = unicodedata.normalize("NFKC", name).casefold()
    return _ZEROS.sub("", _JOINTS.sub(" ", plain))


def by_spelling(names: Iterable[str]) -> dict[str, list[str]]:
    """Names by what those have in common that a reader takes for one (`alike`).

    >>> by_spelling(["van 7", "Van 07", "van 8"])
    {'van 7': ['van 7', 'Van 07'], 'van 8': ['van 8']}
    """
    found: dict[str, list[str]] = {}
    for name in names:
        found.setdefault(alike(name), []).append(name)
    return found


def near_names(name: str, others: Mapping[str, Sequence[str]]) -> list[str]:
    """Other spellings of a name, of `by_spelling`."""
    return [n for n in others.get(alike(name), ()) if n and n != name]


def near_name(name: str, others: Mapping[str, Sequence[str]], where: str) -> str:
    """The end of a sentence that names another spelling, "" where there is none."""
    found = near_names(name, others)
    return f"; {where} '{found[0]}': spell the two alike" if found else ""


def read_vehicles(path: Path, study: Study, logged: Collection[str] = ()) -> dict[str, Listed]:
    """The table of vehicles, by name.

    Of several columns that may name the vehicle (a number, a plate) that one does which has most of
    the names that are `logged`. A column that isn't known is a label of the vehicle (depot, tyre),
    for strata and groups. What a line leaves blank is as in the study's `[vehicle]`.

    Raises
    ------
    InputError
        If it has no column of names, or naming the line of a wrong cell.
    """
    table = read_table(path)
    columns, labels = _columns(table, path, study.time.day_first, logged)
    if "vehicle" not in columns:
        raise InputError(f"{path}: no column 'vehicle': add one with the name of each vehicle")
    if not len(table):
        raise InputError(f"{path}: no vehicle in it: give each a line")
    found: dict[str, Listed] = {}
    vins: dict[str, int] = {}
    for i in range(len(table)):
        line = line_of(table, i)
        cells = {k: v.iloc[i] for k, v in columns.items() if pd.notna(v.iloc[i])}
        name = tidy(cells.get("vehicle", ""))
        if bad_name(name):
            raise InputError(f"{path}: line {line}: no vehicle: give its name, on one line")
        if name in found:
            raise InputError(
                f"{path}: line {line}: '{name}' is on line {found[name].line} already: keep one"
            )
        listed = _listed(cells, study, f"{path}: line {line}")
        if listed["vin"] and vins.setdefault(listed["vin"], line) != line:
            raise InputError(
                f"{path}: line {line}: the vehicle identification number of line "
                f"{vins[listed['vin']]}: correct one, or put the logs of one vehicle under one name"
            )
        own = {h: str(c.iloc[i]) for h, c in labels.items() if pd.notna(c.iloc[i])}
        told: dict[str, str] = {k: str(cells[k]) for k in ("fuel", "class") if k in cells}
        found[name] = Listed(name=name, line=line, labels=told | own, **listed)
    return found


class Schedule(NamedTuple):
    """Vehicle ("" for all) -> day -> arm and block; `by_order` as `Arms` has it."""

    days: Mapping[str, Mapping[str, Assigned]]
    by_order: bool = False


def read_schedule(path: Path, study: Study) -> Schedule:
    """A schedule by vehicle and day.

    Raises
    ------
    InputError
        If a column is missing, or naming the line of a wrong cell.
    """
    table = read_table(path)
    columns, _ = _columns(table, path, study.time.day_first)
    for name in ("day", "arm"):
        if name not in columns:
            raise InputError(
                f"{path}: no column '{name}': add it (known: vehicle, day, arm, block)"
            )
    if not len(table):
        raise InputError(f"{path}: no day in it: give each day of each vehicle a line")
    blocks = next((table[h] for h in table.columns if split_unit(str(h))[0] in BLOCK), None)
    days, arms = columns["day"].tolist(), columns["arm"].tolist()
    named = columns["vehicle"].tolist() if "vehicle" in columns else [""] * len(table)
    dealt = [""] * len(table) if blocks is None else blocks.fillna("").tolist()
    names: dict[str, str] = {}
    known: dict[object, Arm | None] = {}
    found: dict[str, dict[str, Assigned]] = {}
    for i, (day, cell, of, block) in enumerate(zip(days, arms, named, dealt, strict=True)):
        if cell not in known:
            known[cell] = _arm(cell, study, f"{path}: line {line_of(table, i)}")
        arm = known[cell]
        if arm is None or pd.isna(day) or pd.isna(of):
            where = f"{path}: line {line_of(table, i)}"
            what = "vehicle" if pd.isna(of) else "day or arm"
            raise InputError(f"{where}: {what} is blank: fill it in")
        if of not in names:
            names[of] = tidy(of)
        name = names[of]
        told = Assigned(arm, str(day), str(block))
        if found.setdefault(name, {}).setdefault(str(day), told) != told:
            where = f"{path}: line {line_of(table, i)}"
            raise InputError(f"{where}: {name or 'the fleet'} has {day} twice: keep one")
    heading = next(h for h in map(str, table.columns) if _field(split_unit(h)[0], h) == "day")
    return Schedule(found, order_matters(table[heading]))


def _columns(
    table: pd.DataFrame, path: Path, day_first: bool | None, logged: Collection[str] = ()
) -> tuple[dict[str, pd.Series], dict[str, pd.Series]]:
    """Columns by our field, in our units; those that mean nothing to us by their heading."""
    mark = decimal_mark(table)
    known: dict[str, pd.Series] = {}
    labels: dict[str, pd.Series] = {}
    heads = [h for h in map(str, table.columns) if _field(split_unit(h)[0], h) == "vehicle"]
    known_of = {h: sum(tidy(c) in logged for c in table[h].dropna()) for h in heads}
    called = max(known_of, key=known_of.__getitem__, default="")
    for header in map(str, table.columns):
        words, unit = split_unit(header)
        cells = table[header]
        name = _field(words, header)
        if name is None or (name == "vehicle" and header != called):
            labels[" ".join(header.split())] = cells
            continue
        if name in known:
            raise InputError(f"{path}: two columns give {name.replace('_', ' ')}: leave one out")
        if name in DATES:
            never = cells.fillna("").str.strip().str.casefold().isin(NEVER)
            never &= name == "fitted_from"
            days = read_days(cells.mask(never), day_first, path, header)
            known[name] = days.mask(never, LATEST)
        elif name == "cylinders":
            known[name] = quantity(cells, None, "ratio", path, header, decimal=mark)
        elif name in NUMBERS:
            own = NUMBERS[name][0]
            known[name] = quantity(cells, unit, own, path, header, decimal=mark)
        else:
            known[name] = cells
    return known, labels


def _field(words: str, header: str) -> str | None:
    plain = header.strip().lower()
    for name, (_, spelled) in NUMBERS.items():
        if words in spelled or plain == name:
            return name
    for name, spelled in {**TEXTS, **DATES}.items():
        if words in spelled or plain in (*spelled, name):
            return name
    return None


def _listed(cells: Mapping[str, object], study: Study, where: str) -> dict[str, Any]:
    """What a line says, as `Listed` has it."""
    declared: dict[str, object] = {k: cells[k] for k in DECLARED if k in cells}
    if "fuel" in declared:
        declared["fuel"] = _spelled(str(declared["fuel"]), FUEL_NAMES)
    if "aspiration" in declared:
        declared["aspiration"] = str(declared["aspiration"]).strip().lower()
    if "cylinders" in declared:
        declared["cylinders"] = int(np.round(float(str(declared["cylinders"]))))
    own = str(cells.get("class", "")).strip().lower().replace(" ", "-")
    base: dict[str, object] = dict(study.vehicle.model_dump())
    if own in CLASSES:
        for name in ("mass_kg", "road_load", "cda_m2", "crr"):
            base.pop(name)
        declared["class"] = own
        base.pop("vehicle_class")
    try:
        vehicle = Vehicle.model_validate({**base, **declared})
    except ValidationError as e:
        raise InputError(f"{where}: {first_fault(e, Vehicle)}") from e
    days = {k: str(cells[k]) for k in ("fitted_from", "fitted_until") if k in cells}
    if days.get("fitted_until", "~") <= days.get("fitted_from", ""):
        raise InputError(f"{where}: taken out on {days['fitted_until']}, before it was fitted")
    arm = _arm(cells.get("arm"), study, where)
    if arm == "baseline" and days.get("fitted_from", LATEST) != LATEST:
        raise InputError(f"{where}: in the baseline arm, yet fitted on {days['fitted_from']}")
    return {
        "vehicle": vehicle,
        "vin": str(cells.get("vin", "")).strip().upper(),
        "zone": _zone(cells.get("zone"), where),
        "arm": arm,
        **days,
    }


def _zone(cell: object, where: str) -> str | None:
    if cell is None:
        return None
    name = str(cell).strip()
    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError) as e:
        raise InputError(f"{where}: '{name}' is no time zone: write one as Europe/Vienna") from e
    return name


def _spelled(word: str, choices: tuple[str, ...]) -> str:
    tidied = word.strip()
    return next((c for c in choices if c.casefold() == tidied.casefold()), tidied)


def _arm(cell: object, study: Study, where: str) -> Arm | None:
    if cell is None or pd.isna(cell):  # type: ignore[call-overload]
        return None
    words: dict[str, Arm] = {
        **{a: a for a in ARMS},
        **{w.casefold(): a for a, w in study.labels.items()},
    }
    arm = words.get(" ".join(str(cell).split()).casefold())
    if arm is None:
        raise InputError(f"{where}: '{cell}' is no arm: write {' or '.join(words)}")
    return arm


def arms_of(
    name: str,
    listed: Listed | None,
    schedule: "Schedule | None",
    study: Study,
    table: str,
) -> Arms:
    """How one vehicle was switched: by the fleet's schedule, the study's own, or its line."""
    if schedule is not None:
        own = {**schedule.days.get("", {}), **schedule.days.get(name, {})}
        return Arms(days=own, by_order=schedule.by_order)
    if study.schedule is not None and study.schedule.unit:
        days = {
            str(day): Assigned(u.arm, str(u.unit), "" if u.block is None else str(u.block))
            for u in study.schedule.unit
            if u.arm is not None
            for day in (u.unit, *u.also)
            if isinstance(day, dt.date)
        }
        return Arms(days=days)
    if listed is None:
        return Arms(table=table)
    since = listed.fitted_from
    until = None if study.fleet is None else study.fleet.baseline_until
    if not since and listed.arm == "fitted" and until is not None:
        since = until.isoformat()  # nobody had it before that day
    return Arms(None, listed.arm, since, listed.fitted_until, table)
