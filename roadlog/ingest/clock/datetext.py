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

from roadlog.ingest import shelf
from roadlog.ingest.clock.places import groups_by_place
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


def parse_times(text: pa.Array | pa.ChunkedArray, day_first: bool | None) -> Times | None:
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
    pieces = [few[0]] if few is not None else _pieces(text)
    spread = partial(_spread, None if few is None else few[1])
    names = set(pattern.groupindex)
    cut = _cut_up(pieces, pattern.pattern, names)
    clock = spread(cut.clock)
    if kind == "day time" and "h" not in names:
        return Times("elapsed", _over_hours(clock))
    if kind == "day time":
        return Times(kind, clock, minutes_only=cut.minutes_only)
    days, note = _days(cut, clock, day_first, spread)
    valid = ~np.isnan(days)
    if not valid.any():
        raise NoSuchDay
    first = days[int(valid.argmax())]
    if kind == "wall":
        seconds = _seconds(days, first, clock, None if cut.offset is None else spread(cut.offset))
        known = ~np.isnan(seconds)
        shift = seconds[int(known.argmax())]
        if np.isnan(shift):
            return None
        origin = pd.Timestamp(int(first), unit="D") + pd.Timedelta(round(shift * 1e9), unit="ns")
        for part in shelf.parts(len(seconds)):
            seconds[part] -= shift
        if cut.zone is not None:
            origin = origin.tz_localize("UTC").tz_convert(cut.zone)
        return Times(kind, seconds, origin, note)
    return Times(kind, _seconds(days, first), pd.Timestamp(int(first), unit="D"), note)


def _seconds(
    days: Floats, first: float, clock: Floats | None = None, offset: Floats | None = None
) -> Floats:
    """Seconds since the first day began, by UTC where offsets are known; of days alone their
    beginning."""
    out = shelf.space(len(days))
    for part in shelf.parts(len(days)):
        seconds = (days[part] - first) * 86400.0
        if clock is not None:
            by_utc = 0.0 if offset is None else np.nan_to_num(offset[part])
            seconds = seconds + clock[part] - by_utc
        out[part] = seconds
    return out


@dataclass(frozen=True)
class _Cut:
    """The fields of a column's cells: seconds of the clock, days or the numbers that may be day
    and month, offset from UTC [s] with the first zone; None where the form has none."""

    clock: Floats
    minutes_only: bool
    days: Floats | None
    year: Floats | None
    first: Floats | None
    second: Floats | None
    separator: str
    offset: Floats | None
    zone: str | None


def _pieces(text: pa.Array | pa.ChunkedArray) -> list[pa.Array]:
    if not isinstance(text, pa.ChunkedArray):
        return [text]
    return list(text.chunks) if len(text) >= shelf.LARGE_ROWS else [text.combine_chunks()]


def _cut_up(pieces: Sequence[pa.Array], pattern: str, names: set[str]) -> _Cut:
    """The fields of all cells, piece by piece."""
    rows = sum(map(len, pieces))
    columns: dict[str, Floats] = {}
    minutes_only, separator, zone, at = True, "", None, 0
    for piece in pieces:
        parts = groups_by_place(piece, pattern)
        if parts is None:
            parts = pc.extract_regex(piece, pattern=pattern)
        clock, no_seconds = _clock_seconds(parts, names)
        offset, named = _offsets(parts, names)
        found = {"clock": clock, **_day_fields(parts, names)}
        if offset is not None:
            found["offset"] = offset
        minutes_only, zone = minutes_only and no_seconds, zone or named
        if "sep" in names and not separator:
            separator = next((x for x in pc.struct_field(parts, "sep").to_pylist() if x), "")
        for name, values in found.items():
            if len(pieces) == 1:
                columns[name] = values
                continue
            if name not in columns:
                columns[name] = shelf.space(rows)
                columns[name][:at] = np.nan
            columns[name][at : at + len(values)] = values
        if "offset" in columns and offset is None:
            columns["offset"][at : at + len(piece)] = np.nan
        at += len(piece)
        if len(pieces) > 1:
            shelf.rest()
    empty = columns.get
    return _Cut(
        clock=columns["clock"],
        minutes_only=minutes_only,
        days=empty("days"),
        year=empty("y"),
        first=empty("a"),
        second=empty("b"),
        separator=separator,
        offset=empty("offset"),
        zone=zone,
    )


def _spread(codes: NDArray[np.int32] | None, values: Floats) -> Floats:
    """What was read of each distinct cell, for every row."""
    return values if codes is None else np.append(values, np.nan)[codes]


def is_plain(text: pa.Array | pa.ChunkedArray) -> bool:
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


def _day_fields(parts: pa.Array, names: set[str]) -> dict[str, Floats]:
    """Days, or year and the two numbers that are day and month, as far as the form has them."""
    if "y" not in names:
        return {}
    y = _number(parts, "y")
    short = pc.fill_null(pc.less_equal(pc.utf8_length(pc.struct_field(parts, "y")), 2), False)
    y = np.where(np.asarray(short.to_numpy(zero_copy_only=False), bool), y + 2000, y)
    if "mon" in names:
        name = pc.utf8_lower(pc.struct_field(parts, "mon"))
        month = pc.index_in(name, value_set=pa.array(_MONTHS))
        mo = np.asarray(month.cast(pa.float64()).to_numpy(zero_copy_only=False), np.float64) + 1
        return {"days": civil_days(y, mo, _number(parts, "d"))}
    if "mo" in names:
        return {"days": civil_days(y, _number(parts, "mo"), _number(parts, "d"))}
    return {"y": y, "a": _number(parts, "a"), "b": _number(parts, "b")}


def _days(
    cut: _Cut, clock: Floats, day_first: bool | None, spread: Spread
) -> tuple[Floats, Fact | None]:
    if cut.days is not None:
        return spread(cut.days), None
    assert cut.year is not None
    assert cut.first is not None
    assert cut.second is not None
    y, a, b = spread(cut.year), spread(cut.first), spread(cut.second)
    first, note = _day_is_first(y, a, b, clock, day_first, cut.separator)
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
    back, count, last = 0, 0, 0.0
    for part in shelf.parts(len(days)):
        t = days[part] * 86400 + clock[part]
        t = t[~np.isnan(t)]
        if len(t):
            back += int((np.diff(t) < 0).sum()) + int(count > 0 and t[0] < last)
            count, last = count + len(t), float(t[-1])
    return back / (count - 1) if count > 1 else 0.0


def _longest_step(days: Floats) -> float:
    longest, last = 0.0, None
    for part in shelf.parts(len(days)):
        found = days[part][~np.isnan(days[part])]
        if len(found):
            before = found[:1] if last is None else np.array([last])
            longest = max(longest, float(np.abs(np.diff(np.concatenate([before, found]))).max()))
            last = found[-1]
    return longest


def civil_days(y: Floats, mo: Floats, d: Floats) -> Floats:
    """Days since 1970-01-01 of year, month and day, NaN where there is no such date."""
    if len(y) > shelf.LARGE_ROWS:
        out = shelf.space(len(y))
        for part in shelf.parts(len(y)):
            out[part] = civil_days(y[part], mo[part], d[part])
        return out
    ok = (mo >= 1) & (mo <= 12) & (d >= 1) & (d <= 31) & (y >= 1900) & (y <= 2200)
    months: NDArray[np.int64] = np.where(ok, (y - 1970) * 12 + mo - 1, 0).astype(np.int64)
    start = months.astype("datetime64[M]").astype("datetime64[D]")
    day = start + np.where(ok, d - 1, 0).astype("timedelta64[D]")
    ok = ok & (day.astype("datetime64[M]").astype(np.int64) == months)
    return np.where(ok, day.astype(np.int64).astype(np.float64), np.nan)


def _offsets(parts: pa.Array, names: set[str]) -> tuple[Floats | None, str | None]:
    """Offset from UTC [s] of each cell (NaN without), and the first one's zone."""
    if "z" not in names:
        return None, None
    zones = pc.struct_field(parts, "z")
    if not any(pc.unique(zones).to_pylist()):
        return None, None
    text = pd.Series(zones.to_numpy(zero_copy_only=False))
    known = {z: _offset_minutes(z) for z in text.dropna().unique() if z}
    minutes = text.map({z: m for z, m in known.items() if m is not None}).to_numpy(np.float64)
    have: Bools = ~np.isnan(minutes)
    if not have.any():
        return None, None
    return minutes * 60, _zone_name(float(minutes[have][0]))
