"""A fill that the tester tells: checked against the fills before it, and written into fills.csv.

Typed answers and the fills that are there go in; a row of `fills.csv` in the file's own headings,
units and dialect comes out, which `fuelbook.read_fills` reads to the same fill.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from roadlog.closure.fuelbook import FULL, fill_headings, litres_priced, read_fills
from roadlog.errors import InputError
from roadlog.ingest.text.columns import unit_of
from roadlog.ingest.text.handanswer import as_typed, measured, plain_answer
from roadlog.ingest.text.handedit import hand_text, with_cells
from roadlog.ingest.text.handnumbers import decimal_mark
from roadlog.ingest.text.handtable import read_table
from roadlog.quantities.units import UnitChoice, convert, unit_symbol
from roadlog.study.durable import atomic_write
from roadlog.study.folder import row_of
from roadlog.study.settings import Fill, Study

NAME = "fills.csv"
ASKED = ("litres", "odometer_km", "price_per_l", "full", "time", "batch")
MOST_KM_A_DAY = 2500.0  # what drivers in turns can drive; common practice, no source
_OVERFULL = 1.15  # of tank_l: the filler neck and a rounded tank size


HEADINGS = {  # of a new fills.csv; a price without a unit is that of a litre
    "metric": "time,litres,odometer [km],full,price",
    "km_per_l": "time,litres,odometer [km],full,price",
    "us": "time,volume [US gal],odometer [mi],full,price [per/US gal]",
    "imperial": "time,volume [imp gal],odometer [mi],full,price [per/imp gal]",
}


GALLONS = {"us": "gal (us)", "imperial": "gal (imp)"}


def empty_fills(units: UnitChoice) -> bytes:
    """The headings of a new fills.csv, in the study's units."""
    return f"{HEADINGS[units]}\n".encode()


def units_of_fills(folder: Path, study: Study) -> tuple[str, str, str]:
    """What fuel, odometer and price are asked in: as the headings of the file have it."""
    path = folder / NAME
    raw = path.read_bytes() if path.is_file() else empty_fills(study.units)
    text = hand_text(raw, path)
    columns = fill_headings([h.strip() for h in text.records[text.head][2] if h.strip()], path)
    litres, km = (
        unit_symbol(_unit(columns.get(name, ("", None))[1], own))
        for name, own in (("litres", "l"), ("odometer_km", "km"))
    )
    priced = columns.get("price_per_l", ("", None))[1]
    return (
        litres,
        km,
        {"gal (us)": "a US gallon", "gal (imp)": "an imperial gallon"}.get(
            _gallon(priced) or "", "a litre"
        ),
    )


def fill_told(
    answers: Mapping[str, str],
    day: dt.date,
    columns: Mapping[str, tuple[str, str | None]],
    gallon: str | None = None,
) -> tuple[dict[str, object], dict[str, str]]:
    """The fill's fields from typed answers, and the cells that they become, by heading.

    Parameters
    ----------
    answers : by field of `ASKED`; blank ones are left out
    day : of the fill
    columns : as `fill_headings` gives them
    gallon : the unit's name where the study says which a bare gallon is

    Raises
    ------
    InputError
        If an answer can't be meant, or the file has no column for it.
    """
    given = {k: a for k, v in answers.items() if (a := plain_answer(v))}
    fields: dict[str, object] = {"time": _time(given.pop("time", ""), day)}
    cells = {_heading(columns, "time"): _time_cell(fields["time"])}
    for name, answer in given.items():
        heading = _heading(columns, name)
        unit = columns[name][1]
        if name in ("litres", "odometer_km"):
            own = "l" if name == "litres" else "km"
            answer = _decimals(answer) if name == "litres" else answer
            value, text = measured(
                name.partition("_")[0], answer, _unit(unit, own), gallon=_gallon(unit) or gallon,
                whole=name == "odometer_km",
            )  # fmt: skip
            fields[name] = float(convert(value, _unit(unit, own), own))
            if name == "odometer_km" and "." in text:
                text = f"{value:.1f}"  # three decimals would be read as thousands
        elif name == "price_per_l":
            text, fields[name] = _price(answer, unit, Path(NAME), heading)
        elif name == "full":
            word = answer.lower()
            if word not in FULL:
                raise InputError(f"full: '{answer[:40]}' is neither yes nor no")
            text, fields[name] = ("yes" if FULL[word] else "no"), FULL[word]
        else:
            text = answer
            fields[name] = answer
        cells[heading] = text
    return fields, cells


def refuse_fill(fill: Fill, earlier: Sequence[Fill], study: Study) -> None:
    """Refuse a fill that the tank or the fills around it rule out.

    Raises
    ------
    InputError
    """
    tank = study.vehicle.tank_l
    if tank is not None and fill.litres > _OVERFULL * tank:
        raise InputError(
            f"litres: {fill.litres:.1f} L don't go into a tank of {tank:g} L: correct the number "
            "or its unit"
        )
    for other in earlier:
        if other.time == fill.time and abs(other.litres - fill.litres) < 0.005:
            raise InputError(f"this fill of {_when(other)} is in {NAME} already")
        if fill.odometer_km is None or other.odometer_km is None:
            continue
        order = _order(other, fill)
        ahead = (fill.odometer_km - other.odometer_km) * order
        if order and ahead < 0:
            word = "before" if order > 0 else "after"
            raise InputError(
                f"odometer: {fill.odometer_km:.0f} km, but {other.odometer_km:.0f} km at the fill "
                f"of {_when(other)} {word} it, so it ran backwards: correct the number or its unit "
                "(right car?)"
            )
        days = abs((_day(fill) - _day(other)).days) + 1
        if order and ahead > MOST_KM_A_DAY * days:
            raise InputError(
                f"odometer: {fill.odometer_km:.0f} km is {ahead:.0f} km from the fill of "
                f"{_when(other)}, more than a car drives in {days} days: correct the number or "
                "its unit"
            )


@dataclass(frozen=True)
class NewFill:
    """A fill that fits those before it, and the file's bytes with its row."""

    fill: Fill
    path: Path
    new: bytes
    fills: tuple[Fill, ...]  # as the file then reads


def new_fill(
    folder: Path, empty: bytes, answers: Mapping[str, str], day: dt.date, study: Study
) -> NewFill:
    """The row that typed answers make in `folder/fills.csv`; nothing is written.

    Parameters
    ----------
    empty : the file's bytes where there is none yet
    answers : by field of `ASKED`

    Raises
    ------
    InputError
        If an answer can't be meant, or the fill can't be.
    """
    path, day_first = folder / NAME, study.time.day_first
    there = path.is_file()
    raw = path.read_bytes() if there else empty
    earlier = read_fills(path, day_first) if there else ()
    text = hand_text(raw, path)
    heads = [h.strip() for h in text.records[text.head][2] if h.strip()]
    columns = fill_headings(heads, path)
    for field, heading in (("odometer_km", "odometer [km]"), ("price_per_l", "price"),
                           ("full", "full"), ("batch", "batch")):  # fmt: skip
        if answers.get(field):
            columns.setdefault(field, (heading, None))
    fields, cells = fill_told(answers, day, columns, GALLONS.get(study.units))
    fill = row_of(Fill, fields, "the fill")
    refuse_fill(fill, (*earlier, *study.fills), study)
    if there and decimal_mark(read_table(path)) == ",":
        numbers = {columns[f][0] for f in ("litres", "odometer_km", "price_per_l") if f in columns}
        cells = {h: c.replace(".", ",") if h in numbers else c for h, c in cells.items()}
    return NewFill(fill, path, with_cells(text, {}, [cells]), (*earlier, fill))


def is_written(folder: Path, answers: Mapping[str, str], day: dt.date, study: Study) -> bool:
    """Whether the last fill of the file is the one that the answers tell, as when sent twice."""
    path = folder / NAME
    if not path.is_file():
        return False
    fills = read_fills(path, study.time.day_first)
    text = hand_text(path.read_bytes(), path)
    columns = fill_headings([h.strip() for h in text.records[text.head][2] if h.strip()], path)
    try:
        fields, _ = fill_told(answers, day, columns, GALLONS.get(study.units))
        return bool(fills) and _same(fills[-1], row_of(Fill, fields, "the fill"))
    except (InputError, KeyError):
        return False


def write_fill(made: NewFill, day_first: bool | None) -> None:
    """Write the file in one step.

    Raises
    ------
    InputError
        If it would read otherwise than meant.
    """
    path = made.path
    mode = path.stat().st_mode & 0o777 if path.is_file() else None
    checked = partial(_checked, new=made.new, path=path, day_first=day_first, wanted=made.fills)
    atomic_write(path, checked, mode)


def _checked(
    temporary: Path, *, new: bytes, path: Path, day_first: bool | None, wanted: Sequence[Fill]
) -> None:
    """Write, read again, and refuse where any fill reads otherwise than meant."""
    temporary.write_bytes(new)
    read = read_fills(temporary, day_first)
    if len(read) != len(wanted) or not all(map(_same, read, wanted)):
        raise InputError(
            f"{path}: the fill can't be put in so that it reads as meant: write it by hand"
        )


def _same(a: Fill, b: Fill) -> bool:
    plain, other = a.model_dump(), b.model_dump()
    numbers = ("litres", "odometer_km", "price_per_l", "temp_c")
    for name in numbers:
        x, y = plain.pop(name), other.pop(name)
        if (x is None) != (y is None) or (x is not None and abs(x - y) > 1e-5 * abs(y) + 1e-9):
            return False
    return bool(plain == other)


def _decimals(answer: str) -> str:
    """A lone mark as the decimal one: pumps show three decimals of litres and prices."""
    one = answer.count(",") + answer.count(".") == 1
    return as_typed(answer.replace(",", ".")) if one else answer


def _heading(columns: Mapping[str, tuple[str, str | None]], name: str) -> str:
    if name not in columns:
        raise InputError(f"{NAME} has no column for '{name.partition('_')[0]}': add it, then note")
    return columns[name][0]


def _unit(unit: str | None, own: str) -> str:
    return own if unit is None else unit_of(unit) or own


def _gallon(unit: str | None) -> str | None:
    name = None if unit is None else unit_of(unit.rpartition("/")[2])
    return name if name in ("gal (us)", "gal (imp)") else None


def _price(answer: str, unit: str | None, path: Path, heading: str) -> tuple[str, float]:
    """The cell and the price of a litre; an answer may name what it is for, as 5.10/US gal."""
    litres = litres_priced(unit, path, heading)
    number, _, told = answer.partition("/")
    name = unit_of(told.strip()) if told.strip() else None
    if told.strip() and (name is None or (name == "gal" and not _gallon(unit))):
        raise InputError(f"price: '{told.strip()[:40]}' is no litre or named gallon: write 1.74/L")
    bare = "".join(c for c in number if c.isdigit() or c in ".,-")
    value, text = measured("price", _decimals(bare or number), "ratio")
    if name is not None and name != "gal":
        per_litre = value / float(convert(1.0, name, "l"))
        if abs(per_litre * litres - value) > 1e-9:
            text = f"{per_litre * litres:.6g}"
        return text, float(text) / litres
    return text, value / litres


def _time(text: str, day: dt.date) -> dt.datetime | dt.date:
    if not text:
        return day
    try:
        clock = dt.time.fromisoformat(text.zfill(5) if text[1:2] == ":" else text)
    except ValueError:
        raise InputError(f"time: '{text[:40]}' is no time of day: write 18:30") from None
    return dt.datetime.combine(day, clock.replace(tzinfo=None, microsecond=0))


def _time_cell(time: object) -> str:
    return f"{time:%Y-%m-%dT%H:%M}" if isinstance(time, dt.datetime) else f"{time}"


def _order(a: Fill, b: Fill) -> int:
    """1 if `a` came first, -1 if it came later, 0 where their times don't tell."""
    if _day(a) != _day(b):
        return 1 if _day(a) < _day(b) else -1
    if not (isinstance(a.time, dt.datetime) and isinstance(b.time, dt.datetime)):
        return 0
    first, second = a.time.replace(tzinfo=None), b.time.replace(tzinfo=None)
    return (first < second) - (first > second)


def _day(fill: Fill) -> dt.date:
    return fill.time.date() if isinstance(fill.time, dt.datetime) else fill.time


def _when(fill: Fill) -> str:
    return f"{fill.time:%Y-%m-%d %H:%M}" if isinstance(fill.time, dt.datetime) else f"{fill.time}"
