"""Date and time texts to seconds, a whole column at a time.

In comes a text column; out come seconds and the instant they count from. A column has one form,
found on its first cells; fields are cut by one regular expression and added up as arrays, so that
mixed fractions, am/pm, decimal commas and zones cost nothing extra. Day before month or after is
settled from the data, or asked for.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from roadlog.ingest.facts import Repair
from roadlog.ingest.text.cells import coded
from roadlog.quantities.arrays import Bools, Floats
from roadlog.quantities.facts import Fact

Kind = Literal["wall", "date", "day time", "elapsed"]
Spread = Callable[[Floats], Floats]

_MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
_MONTH = (
    r"(?P<mon>[Jj][Aa][Nn]|[Ff][Ee][Bb]|[Mm][Aa][RrYy]|[Aa][Pp][Rr]|[Jj][Uu][NnLl]|[Aa][Uu][Gg]"
    r"|[Ss][Ee][Pp]|[Oo][Cc][Tt]|[Nn][Oo][Vv]|[Dd][Ee][Cc])"
    r"(?i:uary|ruary|ch|il|e|y|ust|t|tember|ober|ember)?"
)
_ZONE = r"\s*(?P<z>(?:UTC|GMT)?[+-]\d{1,2}(?::?\d{2})?|Z|z|UTC|GMT)?"
_TIME = (
    r"(?P<h>\d{1,3}):(?P<mi>\d{1,2})(?::(?P<s>\d{1,2}(?:[.,:]\d+)?))?"
    r"\s*(?P<p>[AaPp])?\.?(?:[Mm]\.?)?" + _ZONE
)
_TIME_PACKED = r"(?P<h>\d{2})(?P<mi>\d{2})(?P<s>\d{2}(?:[.,]\d+)?)" + _ZONE
_DATES = {
    "year first": r"(?P<y>\d{4})[-/.](?P<mo>\d{1,2})[-/.](?P<d>\d{1,2})",
    "year last": r"(?P<a>\d{1,2})(?P<sep>[-/.])(?P<b>\d{1,2})[-/.](?P<y>\d{4}|\d{2})",
    "named": r"(?P<d>\d{1,2})[-. /]*" + _MONTH + r"[-. /,]*(?P<y>\d{4}|\d{2})",
    "named first": r"(?:[A-Za-z]{3,9},?\s+)?" + _MONTH + r"[. -]+(?P<d>\d{1,2}),?\s+"
    r"(?P<y>\d{4})",
    "packed": r"(?P<y>(?:19|20)\d{2})(?P<mo>\d{2})(?P<d>\d{2})",
}
_GAP = r"[T,;_ ]\s*"
_FORMS: tuple[tuple[Kind, re.Pattern[str]], ...] = (
    *(("wall", re.compile(f"^{d}{_GAP}{_TIME}$")) for d in _DATES.values()),
    ("wall", re.compile(f"^{_DATES['packed']}[T,;_ ]?{_TIME_PACKED}$")),
    (
        "wall",
        re.compile(
            r"^(?:[A-Za-z]{3} )?" + _MONTH + r" +(?P<d>\d{1,2}) "
            + _TIME.replace("|UTC|GMT)", "|UTC|GMT|[A-Z]{3,4})")
            + r" (?P<y>\d{4})$"
        ),
    ),
    *(("date", re.compile(f"^{d}$")) for d in _DATES.values()),
    ("day time", re.compile(f"^{_TIME}$")),
    ("day time", re.compile(r"^(?P<mi>\d{1,2}):(?P<s>\d{2}[.,]\d+)$")),
)  # fmt: skip

_WORDS = re.compile(r"[^\W\d_]{3,}|[^\x00-\x7f]")
_WRAPPED_HOUR_S = 3000.0


class DayMonthUnclear(Exception):
    """Neither the fields nor the order of rows say whether day or month comes first."""


class NoSuchDay(Exception):
    """The texts have the form of dates, but the calendar knows none of them."""


@dataclass(frozen=True)
class Times:
    """A time column read: seconds since `origin` (wall, date), midnight (day time) or its zero.

    `assumed` is the column's header where a unit was taken for want of one, `unit` that unit, "s"
    or "ms"; `place_zone` the
    zone that the cells name by a place (`Europe/Paris`).
    """

    kind: Kind
    seconds: Floats
    origin: pd.Timestamp | None = None
    note: Fact | None = None
    minutes_only: bool = False
    assumed: str = ""
    unit: str = "s"
    place_zone: str = ""


def parse_times(text: pa.Array, day_first: bool | None) -> Times | None:
    """Read a trimmed text column; None if no known form fits its cells.

    Raises
    ------
    DayMonthUnclear
        If day and month can't be told apart and `day_first` is None.
    NoSuchDay
        If no date is in the calendar.
    """
    head = [s for s in text[:200].to_pylist() if s]
    form = _form(head)
    if form is None:
        return None
    kind, pattern = form
    few = coded(text)
    parts = pc.extract_regex(text if few is None else few[0], pattern=pattern.pattern)
    spread = partial(_spread, None if few is None else few[1])
    names = set(pattern.groupindex)
    clock, minutes_only = _clock_seconds(parts, names)
    clock = spread(clock)
    if kind == "day time" and "h" not in names:
        return Times("elapsed", _over_hours(clock))
    if kind == "day time":
        return Times(kind, clock, minutes_only=minutes_only)
    days, note = _days(parts, names, clock, day_first, spread)
    valid = ~np.isnan(days)
    if not valid.any():
        raise NoSuchDay
    first = days[valid][0]
    offset, zone = _offsets(parts, names, spread)
    seconds = (days - first) * 86400.0
    if kind == "wall":
        seconds = seconds + clock - np.nan_to_num(offset)
        first_row = int(np.flatnonzero(~np.isnan(seconds))[0]) if (~np.isnan(seconds)).any() else 0
        shift = seconds[first_row]
        if np.isnan(shift):
            return None
        origin = pd.Timestamp(int(first), unit="D") + pd.Timedelta(round(shift * 1e9), unit="ns")
        seconds = seconds - shift
        if zone is not None:
            origin = origin.tz_localize("UTC").tz_convert(zone)
        return Times(kind, seconds, origin, note)
    return Times(kind, seconds, pd.Timestamp(int(first), unit="D"), note)


def _spread(codes: NDArray[np.int32] | None, values: Floats) -> Floats:
    """What was read of each distinct cell, for every row."""
    return values if codes is None else np.append(values, np.nan)[codes]


def is_plain(text: pa.Array) -> bool:
    """Whether the first cells are all in one known form and hold no words but am and pm."""
    head = [s for s in text[:200].to_pylist() if s]
    form = _form(head)
    return form is not None and all(form[1].match(s) and not _WORDS.search(s) for s in head[:50])


def _over_hours(seconds: Floats) -> Floats:
    """Minutes and seconds whose hours a spreadsheet left out: each fall by near an hour is one."""
    known = np.flatnonzero(~np.isnan(seconds))
    out = seconds.copy()
    if len(known) and np.nanmax(seconds) < 3600:
        hours = np.concatenate([[0.0], np.cumsum(np.diff(seconds[known]) < -_WRAPPED_HOUR_S)])
        out[known] += 3600.0 * hours[: len(known)]
    return out


def zone_of(text: str) -> str | None:
    """The zone that a time text ends in (`UTC` or `+02:00`), None if it has none."""
    m = re.search(r"(?:\d|[AaPp][Mm])\s*(Z|z|UTC|GMT|(?:UTC|GMT)?[+-]\d{2}(?::?\d{2})?)$", text)
    if not m or re.fullmatch(r"\d{4}-\d{2}-\d{2}", text.strip()):
        return None
    minutes = _offset_minutes(m[1])
    return None if minutes is None else _zone_name(minutes)


def _zone_name(minutes: float) -> str:
    if not minutes:
        return "UTC"
    sign = "-" if minutes < 0 else "+"
    return f"{sign}{int(abs(minutes)) // 60:02d}:{int(abs(minutes)) % 60:02d}"


def _offset_minutes(text: str) -> float | None:
    m = re.fullmatch(r"(?:UTC|GMT)?([+-])(\d{1,2}):?(\d{2})?", text)
    if m:
        minutes = int(m[2]) * 60 + int(m[3] or 0)
        return None if minutes > 18 * 60 else float(minutes if m[1] == "+" else -minutes)
    return 0.0 if text.upper() in ("Z", "UTC", "GMT") else None


def _form(samples: Sequence[str]) -> tuple[Kind, re.Pattern[str]] | None:
    some = [s for s in samples[:50] if s]
    best = max(_FORMS, key=lambda f: sum(f[1].match(s) is not None for s in some))
    hits = sum(best[1].match(s) is not None for s in some)
    return best if some and 2 * hits > len(some) else None


def _number(parts: pa.Array, name: str) -> Floats:
    field = pc.struct_field(parts, name)
    field = pc.if_else(pc.equal(field, ""), pa.scalar(None, field.type), field)
    return np.asarray(pc.cast(field, pa.float64()).to_numpy(zero_copy_only=False), np.float64)


def _clock_seconds(parts: pa.Array, names: set[str]) -> tuple[Floats, bool]:
    if "mi" not in names:
        return np.zeros(len(parts)), False
    seconds_text = pc.replace_substring_regex(pc.struct_field(parts, "s"), "[,:]", ".")
    seconds_text = pc.if_else(pc.equal(seconds_text, ""), "0", seconds_text)
    s = np.asarray(pc.cast(seconds_text, pa.float64()).to_numpy(zero_copy_only=False), np.float64)
    mi = _number(parts, "mi")
    h = _number(parts, "h") if "h" in names else np.zeros(len(parts))
    if "p" in names:
        half = pc.utf8_lower(pc.struct_field(parts, "p"))
        am = pc.fill_null(pc.equal(half, "a"), False).to_numpy(zero_copy_only=False)
        pm = pc.fill_null(pc.equal(half, "p"), False).to_numpy(zero_copy_only=False)
        h = np.where(am & (h == 12), 0, np.where(pm & (h < 12), h + 12, h))
    bad = (mi > 59) & (h > 0) | (s >= 61)
    no_seconds = "s" in names and bool(
        pc.all(pc.fill_null(pc.equal(pc.struct_field(parts, "s"), ""), True)).as_py()
    )
    return np.where(bad, np.nan, h * 3600 + mi * 60 + s), no_seconds


def _days(
    parts: pa.Array, names: set[str], clock: Floats, day_first: bool | None, spread: Spread
) -> tuple[Floats, Fact | None]:
    y = _number(parts, "y")
    short = pc.fill_null(pc.less_equal(pc.utf8_length(pc.struct_field(parts, "y")), 2), False)
    y = np.where(np.asarray(short.to_numpy(zero_copy_only=False), bool), y + 2000, y)
    if "mon" in names:
        name = pc.utf8_lower(pc.struct_field(parts, "mon"))
        month = pc.index_in(name, value_set=pa.array(_MONTHS))
        mo = np.asarray(month.cast(pa.float64()).to_numpy(zero_copy_only=False), np.float64) + 1
        return spread(civil_days(y, mo, _number(parts, "d"))), None
    if "mo" in names:
        return spread(civil_days(y, _number(parts, "mo"), _number(parts, "d"))), None
    y, a, b = spread(y), spread(_number(parts, "a")), spread(_number(parts, "b"))
    separator = next((x for x in pc.struct_field(parts, "sep").to_pylist() if x), "")
    first, note = _day_is_first(y, a, b, clock, day_first, separator)
    return (civil_days(y, b, a) if first else civil_days(y, a, b)), note


def _day_is_first(
    y: Floats, a: Floats, b: Floats, clock: Floats, rule: bool | None, separator: str
) -> tuple[bool, Fact | None]:
    if rule is not None:
        return rule, None
    over_a, over_b = bool((a > 12).any()), bool((b > 12).any())
    if over_a != over_b:
        return over_a, None
    if bool(np.all((a == b) | np.isnan(a))):
        return True, None
    runs = {
        day_first: _share_backwards(civil_days(y, *((b, a) if day_first else (a, b))), clock)
        for day_first in (True, False)
    }
    if runs[True] == 0 and runs[False] > 0:
        return True, Repair.DAY_FIRST_BY_ORDER()
    if runs[False] == 0 and runs[True] > 0:
        return False, Repair.MONTH_FIRST_BY_ORDER()
    steps = {d: _longest_step(civil_days(y, *((b, a) if d else (a, b)))) for d in (True, False)}
    if min(steps.values()) <= 1 < max(steps.values()):
        best = steps[True] < steps[False]
        return best, (Repair.DAY_FIRST_BY_STEPS if best else Repair.MONTH_FIRST_BY_STEPS)()
    if separator == ".":
        return True, Repair.DAY_FIRST_BY_DOTS()
    raise DayMonthUnclear


def _share_backwards(days: Floats, clock: Floats) -> float:
    t = days * 86400 + clock
    t = t[~np.isnan(t)]
    return float(np.mean(np.diff(t) < 0)) if len(t) > 1 else 0.0


def _longest_step(days: Floats) -> float:
    found = days[~np.isnan(days)]
    return float(np.abs(np.diff(found)).max()) if len(found) > 1 else 0.0


def civil_days(y: Floats, mo: Floats, d: Floats) -> Floats:
    """Days since 1970-01-01 of year, month and day, NaN where there is no such date."""
    ok = (mo >= 1) & (mo <= 12) & (d >= 1) & (d <= 31) & (y >= 1900) & (y <= 2200)
    months: NDArray[np.int64] = np.where(ok, (y - 1970) * 12 + mo - 1, 0).astype(np.int64)
    start = months.astype("datetime64[M]").astype("datetime64[D]")
    day = start + np.where(ok, d - 1, 0).astype("timedelta64[D]")
    ok = ok & (day.astype("datetime64[M]").astype(np.int64) == months)
    return np.where(ok, day.astype(np.int64).astype(np.float64), np.nan)


def _offsets(parts: pa.Array, names: set[str], spread: Spread) -> tuple[Floats, str | None]:
    """Offset from UTC [s] of each row (NaN without), and the first row's zone."""
    none = spread(np.full(len(parts), np.nan))
    if "z" not in names:
        return none, None
    text = pd.Series(pc.struct_field(parts, "z").to_numpy(zero_copy_only=False))
    known = {z: _offset_minutes(z) for z in text.dropna().unique() if z}
    minutes = spread(
        text.map({z: m for z, m in known.items() if m is not None}).to_numpy(np.float64)
    )
    have: Bools = ~np.isnan(minutes)
    if not have.any():
        return none, None
    return minutes * 60, _zone_name(float(minutes[have][0]))
