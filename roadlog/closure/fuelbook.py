"""The fuel measured outside the car: `fills.csv` and `cans.csv` go in, fills and cans come out.

Columns are matched by meaning and unit; each row becomes the same model that `[[fills]]` and
`[[cans]]` of study.toml use, so that both are checked alike.
"""

import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from pathlib import Path

import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.clock.handdates import looks_like_a_date, read_days, read_moments
from roadlog.ingest.text.columns import unit_of
from roadlog.ingest.text.handnumbers import decimal_mark, quantity
from roadlog.ingest.text.handtable import line_of, read_table, split_unit
from roadlog.quantities.units import UNITS, convert
from roadlog.study.folder import row_of
from roadlog.study.settings import Can, Fill

Cells = dict[str, object]

FILL_NUMBERS = {  # our field: unit, words
    "litres": ("l", ("litres", "liters", "volume", "fuel", "amount", "quantity")),
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
_TIME_OF_DAY = re.compile(r"\s*\d{1,2}:\d{2}(:\d{2})?\s*")
_KIND = r"[\[(]?(?:us|uk|imp|imperial)\.?[\])]?"
_GALLONS_ALONE = re.compile(rf"(?:{_KIND} ?)?gal(?:lon)?s?(?: ?{_KIND})?")


def read_fills(path: Path, day_first: bool | None = None) -> tuple[Fill, ...]:
    """Read `fills.csv`, one row a fill-up.

    `day_first` is the order of day and month that the study's logs or its `[time]` settle.

    Raises
    ------
    InputError
        Naming the line where a value is missing, unreadable or impossible.
    """
    table = read_table(path)
    clock, told = clock_of(table, path)
    times = read_moments(told, day_first, path, " ".join(clock))
    rows = []
    body = _rows(table.drop(columns=list(clock)), path, FILL_NUMBERS, FILL_TEXTS, day_first)
    for (line, row), time in zip(body, times, strict=True):
        if time is None:
            raise InputError(f"{path}: line {line}: no date: write 2026-03-02T08:00")
        row["time"] = time
        if "full" in row:
            word = str(row["full"]).lower()
            if word not in FULL:
                raise InputError(f"{path}: line {line}: '{row['full']}' is neither yes nor no: "
                                 "say whether the tank was filled up")  # fmt: skip
            row["full"] = FULL[word]
        rows.append(row_of(Fill, row, f"{path}: line {line}"))
    return tuple(rows)


def clock_of(
    table: pd.DataFrame, path: Path, words: Collection[str] = TIME_WORDS
) -> tuple[tuple[str, ...], pd.Series]:
    """The columns that tell when each fill was, and what they say: a date may have its time of day
    in a column of its own.

    Raises
    ------
    InputError
        If there is none.

    >>> clock_of(pd.DataFrame({"date": ["2026-03-02"], "time": ["7:05"]}), Path("fills.csv"))
    (('date', 'time'), 0    2026-03-02 07:05
    dtype: str)
    """
    known = [str(h) for h in table.columns if split_unit(str(h))[0] in words]
    if not known:
        raise InputError(f"{path}: no column 'time': add one with date and time of each fill")
    of_day = [h for h in known if table[h].map(_TIME_OF_DAY.fullmatch, na_action="ignore").any()]
    days = [h for h in known if h not in of_day]
    if len(known) == 1 or not of_day or not days:
        return (known[0],), table[known[0]]
    day, hour = days[0], of_day[0]
    text = table[hour].fillna("").str.strip()
    text = text.where(text.str.find(":") != 1, "0" + text)
    both = (table[day].str.strip() + " " + text).str.strip()
    return (day, hour), both


def read_cans(path: Path, day_first: bool | None = None) -> tuple[Can, ...]:
    """Read `cans.csv`, one row a can weighed before and after.

    Raises
    ------
    InputError
        As `read_fills`.
    """
    table = read_table(path)
    return tuple(
        row_of(Can, row, f"{path}: line {line}")
        for line, row in _rows(table, path, CAN_NUMBERS, CAN_TEXTS, day_first)
    )


def fill_headings(headings: Iterable[str], path: Path) -> dict[str, tuple[str, str | None]]:
    """Which heading of `fills.csv` gives which field of a fill, with the unit that it tells.

    Raises
    ------
    InputError
        If a heading isn't known.

    >>> fill_headings(["time", "volume [US gal]"], Path("fills.csv"))
    {'time': ('time', None), 'litres': ('volume [US gal]', 'US gal')}
    """
    found: dict[str, tuple[str, str | None]] = {}
    for heading in headings:
        if split_unit(heading)[0] in TIME_WORDS:
            found.setdefault("time", (heading, None))
            continue
        name, _, unit = _meaning(heading, path, FILL_NUMBERS, FILL_TEXTS)
        found.setdefault(name, (heading, unit))
    return found


def _rows(
    table: pd.DataFrame,
    path: Path,
    numbers: Mapping[str, tuple[str, tuple[str, ...]]],
    texts: Mapping[str, tuple[str, ...]],
    day_first: bool | None,
) -> Iterator[tuple[int, Cells]]:
    """Line number and named values of each row; blank cells are left out."""
    columns: dict[str, pd.Series] = {}
    mark = decimal_mark(table)
    for header in table.columns:
        name, own, unit = _meaning(str(header), path, numbers, texts)
        if name in columns:
            raise InputError(f"{path}: two columns give {name.replace('_', ' ')}: leave one out")
        cells = table[header]
        if name in texts:
            told = cells.fillna("").str.strip()
            columns[name] = told
            if name == "unit":
                columns[name] = _unit_names(told, day_first, path, str(header))
        elif own == "km":  # the unit table has metres as the base of length
            columns[name] = KM_PER_M * quantity(
                cells,
                unit or "km",
                "m",
                path,
                str(header),
                decimal=mark,
                whole=name == "odometer_km",
            )
        elif name == "price_per_l":
            price = quantity(cells, None, own, path, str(header), decimal=mark or pump_mark(cells))
            columns[name] = price / litres_priced(unit, path, str(header))
        else:
            pumped = mark or (pump_mark(cells) if name == "litres" else None)
            columns[name] = quantity(cells, unit, own, path, str(header), decimal=pumped)
    for i in range(len(table)):
        values = {name: cells.iloc[i] for name, cells in columns.items()}
        yield line_of(table, i), {k: v for k, v in values.items() if not pd.isna(v) and v != ""}


def is_gallon(header: str) -> bool:
    """Whether a heading is nothing but a gallon, of either kind or none.

    >>> is_gallon("US gal"), is_gallon("volume [US gal]")
    (True, False)
    """
    return _GALLONS_ALONE.fullmatch(header.strip().lower()) is not None


def gallon_named(header: str, unit: str | None, path: Path) -> str | None:
    """The unit, a gallon as the kind that the heading names (its currency may).

    Raises
    ------
    InputError
        If it may be either, a fifth apart.
    """
    priced, slash, volume = (unit or "").rpartition("/")
    if unit_of(volume) != "gal":
        return unit
    words = {w.strip(".") for w in re.split(r"[^a-z.£$]+", header.lower())}
    us, imperial = (
        bool(words & {"us", "u.s", "usd"}),
        bool(words & {"uk", "imp", "imperial", "gbp"}),
    )
    if us == imperial:
        raise InputError(
            f"{path}: column '{header}' is in gallons, US or imperial (a fifth more): name which, "
            "as in 'volume [US gal]' or 'volume [UK gal]'"
        )
    return f"{priced}{slash}{'gal (us)' if us else 'gal (imp)'}"


def pump_mark(cells: pd.Series) -> str:
    """The decimal mark of a price or a fill: pumps show three decimals of both, and no thousands.

    >>> pump_mark(pd.Series(["1,799"])), pump_mark(pd.Series(["41.234"]))
    (',', '.')
    """
    return "," if cells.dropna().str.contains(",", regex=False).any() else "."


def _unit_names(cells: pd.Series, day_first: bool | None, path: Path, header: str) -> pd.Series:
    """Switch units as the schedule spells them: days as YYYY-MM-DD, other names as they are."""
    dates = cells.where(cells.map(looks_like_a_date).astype(bool))
    return read_days(dates, day_first, path, header).fillna(cells)


def litres_priced(priced: str | None, path: Path, header: str) -> float:
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
    if "litres" in numbers and is_gallon(plain):
        return "litres", "l", gallon_named(header, "gal", path)
    for name, (own, known) in numbers.items():
        if words in known or plain in (*known, name):
            return (name, own, gallon_named(header, unit, path))
    for name, known in texts.items():
        if words in known or plain in known:
            return name, "", None
    every = [w[0] for _, w in numbers.values()] + [w[0] for w in texts.values()]
    raise InputError(f"{path}: column '{header}' is not known: known are {', '.join(every)}")
