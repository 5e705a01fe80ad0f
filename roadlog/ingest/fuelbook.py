"""The fuel measured outside the car: `fills.csv` and `cans.csv` go in, fills and cans come out.

Columns are matched by meaning and unit; each row becomes the same model that `[[fills]]` and
`[[cans]]` of study.toml use, so that both are checked alike.
"""

import datetime as dt
from collections.abc import Iterator, Mapping
from pathlib import Path

import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.columns import unit_of
from roadlog.ingest.notebook import quantity, read_table, split_unit
from roadlog.study import Can, Fill, row_of
from roadlog.units import UNITS, convert

Cells = dict[str, object]

FILL_NUMBERS = {  # our field: unit, words
    "litres": ("l", ("litres", "liters", "volume", "fuel", "amount", "gallons", "quantity")),
    "odometer_km": ("km", ("odometer", "odometer reading", "mileage")),
    "price_per_l": ("ratio", ("price", "price per litre", "price per liter", "price per")),
    "temp_c": ("°c", ("temperature", "fuel temperature", "temp")),
}
FILL_TEXTS = {
    "batch": ("batch", "fuel batch"),
    "unit": ("unit", "switch unit"),
    "arm": ("arm",),
    "full": ("full", "full tank", "full or partial", "filled"),
}
CAN_NUMBERS = {
    "before_kg": ("kg", ("before", "mass before", "weight before")),
    "after_kg": ("kg", ("after", "mass after", "weight after")),
    "km": ("km", ("distance", "km", "driven")),
}
CAN_TEXTS = {
    "run": ("run", "log", "file"),
    "unit": ("unit", "switch unit", "day", "date"),
    "arm": ("arm",),
    "batch": ("batch", "fuel batch"),
}
TIME_WORDS = ("time", "date", "date time", "datetime", "date and time")
FULL = {"yes": True, "full": True, "true": True, "1": True, "y": True, "": True,
        "no": False, "partial": False, "false": False, "0": False, "n": False}  # fmt: skip
KM_PER_M = 0.001


def read_fills(path: Path) -> tuple[Fill, ...]:
    """Read `fills.csv`, one row a fill-up.

    Raises
    ------
    InputError
        Naming the line where a value is missing, unreadable or impossible.
    """
    table = read_table(path)
    clock = next((h for h in table.columns if split_unit(h)[0] in TIME_WORDS), None)
    if clock is None:
        raise InputError(f"{path}: no column 'time': add one with date and time of each fill")
    rows = []
    for line, row in _rows(table.drop(columns=clock), path, FILL_NUMBERS, FILL_TEXTS):
        row["time"] = _moment(table[clock].iloc[line - 2], path, line)
        if "full" in row:
            word = str(row["full"]).lower()
            if word not in FULL:
                raise InputError(f"{path}: line {line}: '{row['full']}' is neither yes nor no: "
                                 "say whether the tank was filled up")  # fmt: skip
            row["full"] = FULL[word]
        rows.append(row_of(Fill, row, f"{path}: line {line}"))
    return tuple(rows)


def read_cans(path: Path) -> tuple[Can, ...]:
    """Read `cans.csv`, one row a can weighed before and after.

    Raises
    ------
    InputError
        As `read_fills`.
    """
    table = read_table(path)
    return tuple(
        row_of(Can, row, f"{path}: line {line}")
        for line, row in _rows(table, path, CAN_NUMBERS, CAN_TEXTS)
    )


def _rows(
    table: pd.DataFrame,
    path: Path,
    numbers: Mapping[str, tuple[str, tuple[str, ...]]],
    texts: Mapping[str, tuple[str, ...]],
) -> Iterator[tuple[int, Cells]]:
    """Line number and named values of each row; blank cells are left out."""
    columns: dict[str, pd.Series] = {}
    for header in table.columns:
        name, own, told = _meaning(str(header), path, numbers, texts)
        if name in columns:
            raise InputError(f"{path}: two columns give {name.replace('_', ' ')}: leave one out")
        cells = table[header]
        if name in texts:
            columns[name] = cells.fillna("").str.strip()
        elif own == "km":  # the unit table has metres as the base of length
            columns[name] = KM_PER_M * quantity(cells, told or "km", "m", path, str(header))
        elif name == "price_per_l":
            columns[name] = quantity(cells, None, own, path, str(header)) / _litres(
                told, path, str(header)
            )
        else:
            columns[name] = quantity(cells, told, own, path, str(header))
    for i in range(len(table)):
        values = {name: cells.iloc[i] for name, cells in columns.items()}
        yield i + 2, {k: v for k, v in values.items() if not pd.isna(v) and v != ""}


def _litres(priced: str | None, path: Path, header: str) -> float:
    """Litres that a price is for; `priced` as "EUR/L", "gallon", or a currency alone (a litre)."""
    if priced is None:
        return 1.0
    unit = unit_of(priced.rpartition("/")[2])
    if unit is None and "/" not in priced:
        return 1.0
    if unit is None or UNITS[unit].dimension != UNITS["l"].dimension:
        raise InputError(f"{path}: column '{header}': give the price of a litre or a gallon")
    return float(convert(1.0, unit, "l"))


def _meaning(
    header: str,
    path: Path,
    numbers: Mapping[str, tuple[str, tuple[str, ...]]],
    texts: Mapping[str, tuple[str, ...]],
) -> tuple[str, str, str | None]:
    """Our field, its unit, and the unit that the header tells."""
    words, unit = split_unit(header)
    plain = header.strip().lower()
    for name, (own, known) in numbers.items():
        if words in known or plain in (*known, name):
            return name, own, unit or ("gal" if "gallons" in (words, plain) else None)
    for name, known in texts.items():
        if words in known or plain in known:
            return name, "", None
    every = [w[0] for _, w in numbers.values()] + [w[0] for w in texts.values()]
    raise InputError(f"{path}: column '{header}' is not known: known are {', '.join(every)}")


def _moment(text: object, path: Path, line: int) -> dt.datetime | dt.date:
    """A date, or a date with time as the wall clock shows it."""
    try:
        moment = pd.Timestamp(str(text).strip())
    except ValueError as e:
        raise InputError(f"{path}: line {line}: '{text}' is no date: write 2026-03-02T08:00") from e
    if pd.isna(moment):
        raise InputError(f"{path}: line {line}: no date: write 2026-03-02T08:00")
    has_time = ":" in str(text)
    return moment.to_pydatetime() if has_time else moment.date()
