"""A fleet's receipts: one table of fills with a column that names the vehicle, as fuel cards list.

The table goes in, columns matched by meaning and unit; each vehicle's receipts come out. A row that
can't be read costs itself, and other columns (site, driver, amount of money) are passed over.
"""

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from roadlog.closure.fuelbook import (
    FILL_NUMBERS,
    FULL,
    TIME_WORDS,
    clock_of,
    gallon_named,
    is_gallon,
    pump_mark,
)
from roadlog.errors import InputError
from roadlog.fleet.facts import FillOut
from roadlog.fleet.vehicles import by_spelling, near_name, tidy
from roadlog.ingest.clock.handdates import Moment, order_matters, read_moments, settled_order
from roadlog.ingest.text.columns import unit_of
from roadlog.ingest.text.handnumbers import decimal_mark, quantity
from roadlog.ingest.text.handtable import line_of, read_table, split_unit
from roadlog.quantities.facts import Fact
from roadlog.quantities.fuelnames import FUEL_NAMES
from roadlog.quantities.units import UNITS, convert
from roadlog.study.folder import row_of
from roadlog.study.settings import Fill

VEHICLE_WORDS = (
    "vehicle", "car", "van", "bus", "truck", "taxi", "cab", "vehicle id", "vehicle name",
    "vehicle number", "fleet number", "registration", "vehicle registration", "reg", "plate",
    "number plate", "license plate", "licence plate", "vin",
)  # fmt: skip
CLOCK_WORDS = (
    *TIME_WORDS, "timestamp", "day", "fill date", "transaction date", "transaction time",
    "date of fill", "time of day", "filled at",
)  # fmt: skip
LITRE_WORDS = (*FILL_NUMBERS["litres"][1], "qty", "fuel volume", "volume dispensed", "filled")
ODOMETER_WORDS = (*FILL_NUMBERS["odometer_km"][1], "odo", "odometer km", "km reading", "kilometres",
                  "kilometers", "meter reading")  # fmt: skip
FULL_WORDS = ("full", "full tank", "full or partial", "filled", "filled up")
GOODS_WORDS = ("product", "fuel", "fuel type", "grade", "article", "item", "goods", "product name",
               "description")  # fmt: skip
NO_FUEL = ("adblue", "ad blue", "def", "urea", "aus 32", "aus32", "oil", "wash", "washing",
           "screenwash", "shop", "toll", "parking", "coolant", "fee", "service")  # fmt: skip
PETROL = ("petrol", "gasoline", "unleaded", "super", "benzin", "essence",
          *(name.lower() for name in FUEL_NAMES if name != "diesel"))  # fmt: skip
DIESEL = ("diesel", "derv", "gasoil", "gas oil", "gazole", "b7", "b10", "hvo", "xtl")
_NUMBER = re.compile(r"[+-]?\d[\d.,'\s]*")
_ALIAS = ("plate", "registration", "number plate", "license plate", "licence plate",
          "vehicle registration", "reg", "fleet number", "vehicle number",
          "vehicle id")  # fmt: skip


@dataclass(frozen=True)
class Receipt:
    """One line of the table: the fill, or why it is none; `litres` may be negative (taken back)."""

    line: int
    time: Moment | None
    fill: Fill | None
    goods: str = ""
    why: Fact | None = None
    litres: float = float("nan")

    @property
    def what(self) -> str:
        """What it is called in lists.

        >>> Receipt(7, dt.date(2026, 3, 2), None).what
        'line 7, 2026-03-02'
        """
        if self.time is None:
            return f"line {self.line}"
        clock = f"{self.time:%Y-%m-%d %H:%M}" if isinstance(self.time, dt.datetime) else self.time
        return f"line {self.line}, {clock}"


@dataclass(frozen=True)
class Receipts:
    """A fleet's receipts by vehicle; `lost` (vehicle as written, what, why) are nobody's.

    `by_order` tells whether a date would be another with day and month the other way round.
    """

    of: Mapping[str, tuple[Receipt, ...]] = field(default_factory=dict)
    lost: tuple[tuple[str, str, Fact], ...] = ()
    by_order: bool = False
    name: str = ""


def read_receipts(
    path: Path, labels: Mapping[str, Mapping[str, str]], day_first: bool | None
) -> Receipts:
    """Read a fleet's table of fills.

    Parameters
    ----------
    labels : mapping of vehicle to its other columns in the table of vehicles
        A vehicle may be called by its plate there.
    day_first : bool or None
        The order of day and month, where the study tells it.

    Raises
    ------
    InputError
        If a column is missing, may be two things, or its unit or dates can't be told.
    """
    table = read_table(path)
    if not len(table):
        raise InputError(f"{path}: no fill in it: give each fill a line")
    names = _aliases(labels)
    whose = _vehicle_column(table, names, path)
    if whose is None:  # all fills are of the one vehicle
        whose = "vehicle"
        table = table.assign(**{whose: next(iter(labels))})
    clock, told = clock_of(table, path, CLOCK_WORDS)
    times, unread = _moments(told, day_first, path, " ".join(clock))
    rest = table.drop(columns=[whose, *clock])
    numbers, bad = _numbers(rest, path)
    full = _texts(rest, FULL_WORDS, numbers)
    goods = _texts(rest, GOODS_WORDS, numbers)
    known = by_spelling(names)
    found: dict[str, list[Receipt]] = {}
    lost: list[tuple[str, str, Fact]] = []
    for i, cell in enumerate(table[whose].tolist()):
        line = line_of(table, i)
        receipt = _receipt(
            line, times[i], {k: v.iloc[i] for k, v in numbers.items()}, full[i], goods[i],
            unread.get(i, "") or bad.get(i, ""), path,
        )  # fmt: skip
        name = "" if pd.isna(cell) else tidy(cell)
        if name in names:
            found.setdefault(names[name], []).append(receipt)
        elif not name:
            lost.append(("", receipt.what, FillOut.NO_VEHICLE()))
        else:
            near = near_name(name, known, "the fleet has")
            lost.append((name, receipt.what, FillOut.NO_SUCH_VEHICLE(near=near)))
    return Receipts(
        {n: tuple(own) for n, own in found.items()}, tuple(lost), order_matters(told), path.name
    )


def _aliases(labels: Mapping[str, Mapping[str, str]]) -> dict[str, str]:
    """What each vehicle may be called: its name, or its plate or number if that is one's alone."""
    called: dict[str, set[str]] = {}
    for vehicle, own in labels.items():
        for heading, label in own.items():
            if split_unit(heading)[0] in _ALIAS and label:
                called.setdefault(tidy(label), set()).add(vehicle)
    alone = {label: next(iter(of)) for label, of in called.items() if len(of) == 1}
    return {**alone, **{n: n for n in labels}}


def _vehicle_column(table: pd.DataFrame, names: Mapping[str, str], path: Path) -> str | None:
    """The column that names vehicles; of several the one that names most of the fleet's.

    None where there is none, and the fleet is one vehicle.
    """
    heads = [str(h) for h in table.columns if split_unit(str(h))[0] in VEHICLE_WORDS]
    if not heads:
        if len({*names.values()}) == 1:
            return None
        raise InputError(
            f"{path}: no column 'vehicle': add one with the name of each fill's vehicle"
        )
    return max(heads, key=lambda h: sum(tidy(c) in names for c in table[h].dropna()))


def _moments(
    cells: pd.Series, day_first: bool | None, path: Path, header: str
) -> tuple[list[Moment | None], dict[int, str]]:
    """When each fill was, None where that can't be read or isn't told, and why not by row."""
    first = settled_order(cells, day_first, path, header)
    try:
        times = read_moments(cells, first, path, header)
    except InputError:
        times = []
        for i in range(len(cells)):
            try:
                times += read_moments(cells.iloc[i : i + 1], first, path, header)
            except InputError:
                times.append(None)
    unread = {
        i: "no date" if pd.isna(cells.iloc[i]) else f"'{str(cells.iloc[i])[:40]}' is no date"
        for i, t in enumerate(times)
        if t is None
    }
    return times, unread


def _numbers(table: pd.DataFrame, path: Path) -> tuple[dict[str, pd.Series], dict[int, str]]:
    """Litres and odometer [km] of each row, NaN where blank; by row, cells that are no litres."""
    mark = decimal_mark(table)
    found: dict[str, pd.Series] = {}
    bad: dict[int, str] = {}
    for name, own, words in (("litres", "l", LITRE_WORDS), ("odometer_km", "km", ODOMETER_WORDS)):
        heading, unit = _column(table, name, own, words, path)
        if heading is None:
            continue
        cells = table[heading]
        wrong = ~cells.fillna("0").str.strip().map(_NUMBER.fullmatch).astype(bool)
        for i in wrong.to_numpy().nonzero()[0].tolist():
            if name == "litres":
                bad[i] = f"'{str(cells.iloc[i])[:40]}' is no number of litres"
        cells = cells.mask(wrong)
        if own == "km":  # the unit table has metres as the base of length
            found[name] = 0.001 * quantity(
                cells, unit or "km", "m", path, heading, decimal=mark, whole=True
            )
        else:
            found[name] = quantity(
                cells, unit, own, path, heading, decimal=mark or pump_mark(cells)
            )
    if "litres" not in found:
        raise InputError(f"{path}: no column 'litres': add one with the volume of each fill")
    return found, bad


def _column(
    table: pd.DataFrame, name: str, own: str, words: tuple[str, ...], path: Path
) -> tuple[str | None, str | None]:
    """The heading that gives a quantity with its unit; one that names a unit goes before others."""
    known: list[tuple[str, str | None]] = []
    for head in map(str, table.columns):
        said, unit = split_unit(head)
        gallons = name == "litres" and is_gallon(head)
        if not gallons and said not in words and head.strip().lower() not in words:
            continue
        named = None if unit is None else unit_of(unit)
        of_kind = named is not None and _is_kind(named, own)
        if not gallons and ((unit is not None and not of_kind) or not _is_numeric(table[head])):
            continue  # money, or text
        known.append((head, gallon_named(head, "gal" if gallons else unit, path)))
    told = [k for k in known if k[1] is not None] or known
    if len(told) > 1:
        raise InputError(
            f"{path}: columns '{told[0][0]}' and '{told[1][0]}' both give {name.split('_')[0]}: "
            "leave one out"
        )
    return told[0] if told else (None, None)


def _is_kind(unit: str, own: str) -> bool:
    return UNITS[unit].dimension == UNITS["m" if own == "km" else own].dimension


def _is_numeric(cells: pd.Series) -> bool:
    told = cells.dropna().str.strip()
    return bool(len(told)) and float(told.map(_NUMBER.fullmatch).astype(bool).mean()) >= 0.5


def _texts(
    table: pd.DataFrame, words: tuple[str, ...], numbers: Mapping[str, pd.Series]
) -> list[str]:
    """Cells of the first column of these words that isn't one of numbers, "" where blank."""
    read = {str(s.name) for s in numbers.values()}
    for head in map(str, table.columns):
        if split_unit(head)[0] in words and head not in read:
            if words is GOODS_WORDS and _is_numeric(table[head]):
                continue
            return [str(c).strip() for c in table[head].fillna("")]
    return [""] * len(table)


def _receipt(
    line: int,
    time: Moment | None,
    numbers: Mapping[str, float],
    full: str,
    goods: str,
    unread: str,
    path: Path,
) -> Receipt:
    litres = float(numbers["litres"])
    made = Receipt(line, time, None, goods, litres=litres)
    if unread or time is None:
        return _unreadable(made, unread)
    if litres < 0:
        return made
    if pd.isna(litres) or litres == 0:
        return _unreadable(made, "no litres")
    odometer = float(numbers.get("odometer_km", float("nan")))
    row: dict[str, object] = {"time": time, "litres": litres}
    if odometer > 0:  # nobody's car reads zero: it wasn't read off
        row["odometer_km"] = odometer
    row["full"] = FULL.get(full.lower(), False)
    try:
        fill = row_of(Fill, row, f"{path}: line {line}")
    except InputError as e:
        return _unreadable(made, str(e))
    return Receipt(line, time, fill, goods, litres=litres)


def _unreadable(receipt: Receipt, why: str) -> Receipt:
    return Receipt(
        receipt.line, receipt.time, None, receipt.goods, FillOut.UNREADABLE(why=why), receipt.litres
    )


def wrong_goods(goods: str, *, diesel: bool) -> Fact | None:
    """Why what a receipt names can't have gone into this vehicle's tank.

    >>> str(wrong_goods("AdBlue 10 l", diesel=True)), wrong_goods("Diesel B7", diesel=True)
    ("'AdBlue 10 l' isn't fuel", None)
    """
    said = f" {re.sub(r'[^a-z0-9]+', ' ', goods.lower()).strip()} "

    def names(words: tuple[str, ...]) -> bool:
        return any(f" {w} " in said for w in words)

    if names(NO_FUEL) and not names(DIESEL if diesel else PETROL):
        return FillOut.NO_FUEL(goods=goods[:40])
    if names(PETROL if diesel else DIESEL) and not names(DIESEL if diesel else PETROL):
        return FillOut.OTHER_FUEL(goods=goods[:40])
    return None


def in_gallons(factor: float) -> str:
    """The gallon whose litres a factor is, "" for neither.

    >>> in_gallons(3.8), in_gallons(1 / 4.5), in_gallons(1.05)
    ('US gallons', 'imperial gallons', '')
    """
    for unit, name in (("gal (us)", "US gallons"), ("gal (imp)", "imperial gallons")):
        by = float(convert(1.0, unit, "l"))
        if 0.95 < max(factor, 1 / factor) / by < 1.05:
            return name
    return ""
