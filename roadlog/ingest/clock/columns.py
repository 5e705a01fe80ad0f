"""The time columns of a log to one clock.

In come the columns that say when a row was taken (wall clock, date, time of day, elapsed); out
come seconds since the first row, non-decreasing, the wall clock of the first row, and the rows
kept in their order. Small disorder is repaired and noted; a clock that runs backwards is refused.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from roadlog.errors import InputError
from roadlog.ingest import shelf
from roadlog.ingest.clock.coarse import without_standing
from roadlog.ingest.clock.datetext import (
    DayMonthUnclear,
    NoSuchDay,
    Times,
    is_plain,
    parse_times,
    zone_of,
)
from roadlog.ingest.clock.datewords import in_plain_forms
from roadlog.ingest.clock.order import Place, in_order
from roadlog.ingest.clock.sixdigits import is_six_digits, six_digit_clock, six_digit_dates
from roadlog.ingest.facts import LeftOpen, Repair, Unclear
from roadlog.ingest.log import shown
from roadlog.ingest.text import cells
from roadlog.ingest.text.columns import Meaning
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Fact
from roadlog.quantities.units import convert
from roadlog.study.settings import TimeRule

_SECONDS_PER_DAY = 86400.0
_LONGEST_STEP_S = 20.0
_SHORTEST_STEP_S = 0.02  # few diagnostic sockets answer 50 times a second
_LONGEST_DAY_STEP = 60 / _SECONDS_PER_DAY
_LEAST_MINUTE_ROWS = 30
_LONGEST_EPOCH_LOG_S = 366 * _SECONDS_PER_DAY  # ticks since the start pass through an epoch's range
_WORDY = r"\p{L}{2}|[ap][. ]+m|[^\x00-\x7f]|[\[(]|\d\s?h\s?\d|\d[.\-]\d\d$"
_FILE_DATE = re.compile(
    r"(?<!\d)(20\d{2})([-_.]?)(0[1-9]|1[0-2])\2(0[1-9]|[12]\d|3[01])"
    r"(?:[ T_-]+([01]\d|2[0-3])[-_.h:]?([0-5]\d)(?:[-_.m:]?([0-5]\d))?)?(?!\d)"
)


@dataclass(frozen=True)
class TimeColumn:
    """A column that tells time: its meaning, its cells and its first cells as they are written."""

    meaning: Meaning
    cells: pa.ChunkedArray
    samples: tuple[str, ...]


@dataclass(frozen=True)
class Clock:
    """Seconds of every kept row, the wall clock of the first, and which rows are kept.

    `assumed` is the header of a time column whose unit, `unit`, was taken for want of one.
    """

    t_s: Floats
    start: pd.Timestamp | None
    rows: NDArray[np.int64] | None
    notes: tuple[Fact, ...]
    assumed: str = ""
    unit: str = "s"


class UnitUnclear(Exception):
    """Elapsed numbers without a unit that can't be seconds; holds their step."""


def read_clock(
    columns: Sequence[TimeColumn],
    rule: TimeRule,
    place: Place,
    decimal: str = ".",
    *,
    long: bool = False,
) -> Clock:
    """One clock from a log's time columns; `long` if each row is one reading of many.

    Raises
    ------
    InputError
        If no column gives a time, if day and month can't be told apart, or if the clock runs
        backwards.
    """
    notes: list[Fact] = []
    dated = any(c.meaning.role == "date" for c in columns)
    read = [(c, _read(c, rule, place, decimal, dated, notes)) for c in columns]
    found = [(c, t) for c, t in read if t is not None and not np.isnan(t.seconds).all()]
    if not found:
        raise _unreadable(columns, place)
    times = _combine(found, place, notes)
    rows = _with_time(times.seconds, place, notes)
    seconds = times.seconds if rows is None else times.seconds[rows]
    shelf.rest()
    order, seconds = in_order(seconds, rows, times, place, notes)
    if order is not None:
        rows = order if rows is None else rows[order]
    if not long:
        order, seconds = without_standing(seconds, rows, place, notes)
        rows = order
    start = times.origin
    if start is not None:
        start = start + pd.Timedelta(round(float(seconds[0]) * 1e9), unit="ns")
    else:
        start = _start_from_name(times, float(seconds[0]), place, notes)
    if times.place_zone and rule.zone is None:
        rule = rule.model_copy(update={"zone": times.place_zone})
    start = in_zone(start, rule, place.path, notes)
    assumed = times.assumed if times.kind in ("elapsed", "date") else ""
    since = shelf.copied(seconds)
    for part in shelf.parts(len(since)):
        since[part] -= seconds[0]
    return Clock(since, start, rows, tuple(notes), assumed, times.unit)


def in_zone(
    start: pd.Timestamp | None, rule: TimeRule, path: Path, notes: list[Fact]
) -> pd.Timestamp | None:
    """The start in the study's zone, if the study names one; a naive start is local to it."""
    if start is None or rule.zone is None:
        return start
    try:
        zone = ZoneInfo(rule.zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as e:
        raise InputError(
            f"{path}: [time] zone '{rule.zone}' is not known: write one such as 'Europe/Paris'"
        ) from e
    if start.tz is not None:
        return start.tz_convert(zone)
    local = start.tz_localize(zone, ambiguous=True, nonexistent="shift_forward")
    if local != start.tz_localize(zone, ambiguous=False, nonexistent="shift_forward"):
        notes.append(Repair.REPEATED_HOUR())
    return local


def _unreadable(columns: Sequence[TimeColumn], place: Place) -> InputError:
    """What to say where no column gives a time: the cell that can't be read, if it isn't blank."""
    where = f"{place.path}: line {place.line(0)}"
    for column in columns:
        text = cells.texts(column.cells)[:200].drop_null()
        if len(text) and pc.any(pc.match_substring_regex(text, r"\d.*\D.*\d")).as_py():
            return InputError(
                f"{where}, column '{column.meaning.header}': '{shown(text[0].as_py())}' is in no "
                "form of time that is read: export the time as 2026-03-05 07:10:00 or as seconds"
            )
    names = ", ".join(f"'{c.meaning.header}'" for c in columns)
    return InputError(
        f"{where}: no time can be read from column {names}: name "
        'the time column in study.toml, as [columns] "its header" = "time"'
    )


def _read(
    column: TimeColumn,
    rule: TimeRule,
    place: Place,
    decimal: str,
    dated: bool,
    notes: list[Fact],
) -> Times | None:
    header = column.meaning.header
    try:
        return _read_cells(column, rule, place, decimal, dated, notes)
    except NoSuchDay:
        date = shown(next((x for x in column.samples if x), ""))
        raise InputError(
            f"{place.path}: line {place.line(0)}, column '{header}': '{date}' is no date of the "
            "calendar (1900 to 2200): export the log again, or name another time column"
        ) from None
    except UnitUnclear as e:
        raise InputError(
            f"{place.path}: line {place.line(0)}, column '{header}': steps of {e.args[0]:.3g} "
            "can't be seconds: name the unit in study.toml under [columns], as "
            f'"{header}" = {{signal = "time", unit = "min"}}'
        ) from None


def _read_cells(
    column: TimeColumn,
    rule: TimeRule,
    place: Place,
    decimal: str,
    dated: bool,
    notes: list[Fact],
) -> Times | None:
    kind = column.cells.type
    header = column.meaning.header
    if pa.types.is_timestamp(kind):
        return _from_timestamps(column)
    if pa.types.is_floating(kind):
        return _from_numbers(cells.floats(column.cells), column.meaning, dated)
    text, place_zone = _in_plain_forms(column, notes)
    day_first = rule.day_first if rule.day_first is not None else _order_in_header(header)
    named = _FILE_DATE.search(place.path.stem)
    if day_first is None and named:
        day_first = _order_from(text, int(named[3]), int(named[4]))
    try:
        if column.meaning.role == "date" and is_six_digits(text):
            return six_digit_dates(text, day_first, named and f"{named[1]}-{named[3]}-{named[4]}")
        if column.meaning.role == "time" and is_six_digits(text):
            times = six_digit_clock(text, sure=dated)
            if times is not None:
                return times
        times = parse_times(text, day_first)
    except DayMonthUnclear:
        date = shown(next((x for x in column.samples if x), ""))
        if is_six_digits(text):
            raise LeftOpen(
                f"{place.path}",
                Unclear.SIX_DIGITS(line=place.line(0), header=header, date=date),
                ": set day_first = true (ddmmyy) or false (mmddyy) under [time] in study.toml, or "
                "put the date into the file's name",
            ) from None
        raise LeftOpen(
            f"{place.path}",
            Unclear.DAY_OR_MONTH(line=place.line(0), header=header, date=date),
            ": set day_first = true or false under [time] in study.toml",
        ) from None
    if times is None:
        own = column.meaning.unit or "s"
        values, bad = cells.numbers(column.cells, decimal, own)
        if bad.mean() > 0.5:
            return None
        return _from_numbers(values, column.meaning, dated)
    if place_zone:
        times = replace(times, place_zone=place_zone)
    if times.minutes_only:
        if column.meaning.elapsed:
            return Times("elapsed", times.seconds / 60)
        if times.kind == "day time":
            return _hours_or_minutes(times, place, header)
    if times.kind == "day time" and column.meaning.elapsed:
        return replace(times, kind="elapsed")
    if times.kind == "wall" and times.origin is not None and times.origin.tz is None:
        return replace(times, origin=_zone_in_header(times.origin, header))
    return times


def _in_plain_forms(
    column: TimeColumn, notes: list[Fact]
) -> tuple[pa.Array | pa.ChunkedArray, str]:
    """The column's texts without words in them, and the place whose zone they name."""
    text = cells.texts_of(column.cells)
    if (
        is_plain(text)
        or not pc.any(pc.match_substring_regex(text[:200], _WORDY, ignore_case=True)).as_py()
    ):
        return text, ""
    plain = in_plain_forms(text)
    if plain.unknown_zone:
        zone = shown(plain.unknown_zone)
        notes.append(Repair.UNKNOWN_ZONE(header=column.meaning.header, zone=zone))
    return plain.text, plain.place_zone


def _from_timestamps(column: TimeColumn) -> Times:
    stamps = column.cells.cast(pa.int64())
    valid = next((x for c in stamps.chunks if len(c) for x in [c[0].as_py()]), None)
    if stamps.null_count:
        kept = stamps.drop_null()
        valid = kept[0].as_py() if len(kept) else None
    if valid is None:
        return Times("wall", np.full(len(stamps), np.nan))
    seconds, at = shelf.space(len(stamps)), 0
    for c in stamps.chunks:
        part = seconds[at : at + len(c)]
        known = c.fill_null(valid) if c.null_count else c
        part[:] = (known.to_numpy(zero_copy_only=False) - valid) / 1e9
        if c.null_count:
            part[~c.is_valid().to_numpy(zero_copy_only=False)] = np.nan
        at += len(c)
    origin = pd.Timestamp(valid, unit="ns")
    if column.cells.type.tz is not None:
        zone = zone_of(next(x for x in column.samples if x)) or "UTC"
        return Times("wall", seconds, origin.tz_localize("UTC").tz_convert(zone))
    if all("T" not in x and ":" not in x for x in column.samples):
        return Times("date", seconds, origin)
    return Times("wall", seconds, _zone_in_header(origin, column.meaning.header))


def _from_numbers(values: Floats, meaning: Meaning, dated: bool) -> Times | None:
    """Epoch, packed date or time, spreadsheet serial day, or elapsed, by size and step."""
    values = shelf.copied(values)
    for part in shelf.parts(len(values)):
        some = values[part]
        some[~((some > -1e6) & (some < 1e20))] = np.nan
    known = shelf.where(~np.isnan(values), values)
    if not len(known):
        return None
    size, span = _middle_and_span(known)
    stamps = np.unique(known[:5000])
    step = float(np.median(np.diff(stamps))) if len(stamps) > 1 else 0.0
    least = 1.0 if meaning.unit is None else round(convert(1.0, "s", meaning.unit), 9)
    for scale in (1e9, 1e6, 1e3, 1.0):
        if span > _LONGEST_EPOCH_LOG_S * scale:
            continue
        if scale >= least and 3e8 * scale < size < 6e9 * scale and not _is_packed(known):
            values = np.where((values > 0) & (values < 7e9 * scale), values, np.nan)
            first = float(values[~np.isnan(values)][0])
            origin = pd.Timestamp(round(first / scale * 1e9), unit="ns", tz="UTC")
            return Times("wall", (values - first) / scale, origin)
    if meaning.unit is not None:
        return Times("elapsed", convert(values, meaning.unit, "s"))
    if dated and meaning.role == "time" and not meaning.elapsed and _is_packed_clock(known):
        return Times("day time", values // 10000 * 3600 + values // 100 % 100 * 60 + values % 100)
    if _is_packed(known) or (meaning.role == "date" and (known == np.trunc(known)).all()):
        return _from_packed(values)
    if 2e4 < size < 8e4 and step < 0.05 and not meaning.elapsed:
        first = float(np.trunc(known[0]))
        origin = pd.Timestamp("1899-12-30") + pd.Timedelta(int(first), unit="D")
        kind = "date" if (known == np.trunc(known)).all() else "wall"
        rounded = np.round((values - first) * _SECONDS_PER_DAY, 3)
        return Times(kind, rounded, origin)  # type: ignore[arg-type]
    fraction = 0 < step < _LONGEST_DAY_STEP and known.min() > 0 and known.max() < 1.0001
    if fraction and not meaning.elapsed:
        return Times("day time", np.round(values * _SECONDS_PER_DAY, 3))
    mean_step = float(np.ptp(stamps)) / max(1, len(stamps) - 1)
    if 0 < mean_step < _SHORTEST_STEP_S:
        raise UnitUnclear(mean_step)
    long = step >= _LONGEST_STEP_S or np.ptp(known) > _SECONDS_PER_DAY
    if long and step >= 1 and (known == np.trunc(known)).all():
        note = Repair.MILLISECONDS(header=meaning.header, step=step)
        named = "" if meaning.by_rule else meaning.header
        return Times("elapsed", values / 1000, note=note, assumed=named, unit="ms")
    taken = None if meaning.elapsed else Repair.SECONDS(header=meaning.header)
    return Times("elapsed", values, note=taken, assumed=meaning.header)


def _middle_and_span(known: Floats) -> tuple[float, float]:
    """The middle number, and over how much nine tenths of them go."""
    held, half = shelf.copied(known), len(known) // 2
    held.partition(half)
    middle = float(held[half])
    return middle, float(np.subtract(*np.quantile(held, [0.95, 0.05], overwrite_input=True)))


def _is_packed(known: Floats) -> bool:
    return bool(((known > 19e12) & (known < 21e12)).all())


def _from_packed(values: Floats) -> Times | None:
    text = pa.array([None if np.isnan(v) else f"{v:.0f}" for v in values], pa.string())
    if (some := next((t for t in text.to_pylist() if t), "")) and len(some) not in (8, 14):
        return None
    return parse_times(text, None)


def _combine(found: Sequence[tuple[TimeColumn, Times]], place: Place, notes: list[Fact]) -> Times:
    wall = _first(found, "wall", notes)
    date, clock, elapsed = (_first(found, k, notes) for k in ("date", "day time", "elapsed"))
    if wall and clock and _midnights_only(wall):
        date, wall = wall, None
    if wall is None and date and clock and date.origin is not None:
        seconds = clock.seconds
        days = date.seconds
        if not days[~np.isnan(days)].any():
            seconds = _over_midnight(seconds)
        wall = replace(date, kind="wall", seconds=days + seconds)
        clock = None
    if clock is not None:
        clock = replace(clock, seconds=_over_midnight(clock.seconds))
    _note_gps_clock(found, wall, notes)
    base = wall or clock
    if elapsed is None:
        if base is None:
            raise InputError(
                f"{place.path}: line {place.line(0)}: the log gives dates but no time of day: name "
                'the time column in study.toml, as [columns] "its header" = "time"'
            )
        return base
    if base is None:
        if date is not None and date.origin is not None:
            first = elapsed.seconds[~np.isnan(elapsed.seconds)][0]
            clock_s = _clock_in_name(date.origin, place)
            if clock_s is None:
                notes.append(Repair.MIDNIGHT())
            else:
                notes.append(Repair.CLOCK_FROM_NAME())
            seconds = elapsed.seconds - first + (clock_s or 0.0)
            return replace(date, seconds=seconds, assumed=elapsed.assumed, unit=elapsed.unit)
        return elapsed
    both = ~np.isnan(base.seconds) & ~np.isnan(elapsed.seconds)
    apart = base.seconds - elapsed.seconds
    if both.sum() < 0.9 * max(1, (~np.isnan(base.seconds)).sum()) or (
        np.ptp(apart[both]) > max(2.0, 1e-3 * float(np.ptp(elapsed.seconds[both])))
    ):
        notes.append(Repair.CLOCKS_DISAGREE())
        return base
    shift = float(apart[both][0])
    return replace(base, seconds=elapsed.seconds + shift)


def _note_gps_clock(
    found: Sequence[tuple[TimeColumn, Times]], used: Times | None, notes: list[Fact]
) -> None:
    """A receiver's clock is mostly UTC; say so where it has no zone and gives the time."""
    for column, times in found:
        gps = "gps" in column.meaning.header.lower()
        if not gps or times is not used or times.origin is None or times.origin.tz is not None:
            continue
        notes.append(Repair.RECEIVER_LOCAL(header=column.meaning.header))


def _clock_in_name(day: pd.Timestamp, place: Place) -> float | None:
    """Time of day [s] in the file's name, if the name holds the same day."""
    m = _FILE_DATE.search(place.path.stem)
    if not m or m[5] is None or f"{m[1]}-{m[3]}-{m[4]}" != f"{day:%Y-%m-%d}":
        return None
    return 3600.0 * int(m[5]) + 60.0 * int(m[6]) + int(m[7] or 0)


def _is_packed_clock(known: Floats) -> bool:
    """Whether numbers beside a date are times of day written as `hhmmss`.

    In the hour after midnight they are below 10000, as elapsed seconds are; but those take the
    values 60 to 99 of each hundred, which no minute has.
    """
    known = np.trunc(known)
    fields = (known // 10000, known // 100 % 100, known % 100)
    inside = all((f < top).all() for f, top in zip(fields, (24, 60, 60), strict=True))
    after_midnight = known.max() >= 160 and len(np.unique(known)) >= _LEAST_MINUTE_ROWS
    return bool(inside and (known >= 0).all() and (known.max() >= 10000 or after_midnight))


def _midnights_only(wall: Times) -> bool:
    """Whether a wall clock only carries the date (`2024-01-02 00:00:00` in every row)."""
    if wall.origin is None or wall.origin != wall.origin.normalize():
        return False
    return not (wall.seconds[~np.isnan(wall.seconds)] % _SECONDS_PER_DAY).any()


def _first(found: Sequence[tuple[TimeColumn, Times]], kind: str, notes: list[Fact]) -> Times | None:
    fits = sorted(((c, t) for c, t in found if t.kind == kind), key=lambda ct: ct[0].meaning.rank)
    if not fits:
        return None
    column, times = fits[0]
    if len(fits) > 1:
        rest = ", ".join(f"'{c.meaning.header}'" for c, _ in fits[1:])
        notes.append(Repair.ONE_OF_CLOCKS(header=column.meaning.header, rest=rest))
    if times.note:
        notes.append(times.note)
    return times


def _hours_or_minutes(times: Times, place: Place, header: str) -> Times:
    """`30:15` can only be minutes and seconds; `12:30` can be either and is asked for."""
    known = times.seconds[~np.isnan(times.seconds)]
    if len(known) and known.max() >= _SECONDS_PER_DAY:
        return Times("elapsed", times.seconds / 60)
    raise InputError(
        f"{place.path}: line {place.line(0)}, column '{header}': it can be hours:minutes or "
        "minutes:seconds: log the time with seconds"
    )


def _over_midnight(seconds: Floats) -> Floats:
    known = np.flatnonzero(~np.isnan(seconds))
    steps = np.diff(seconds[known])
    days = np.concatenate([[0.0], np.cumsum(steps < -_SECONDS_PER_DAY / 2)])
    out = seconds.copy()
    out[known] += days[: len(known)] * _SECONDS_PER_DAY
    return out


def _with_time(seconds: Floats, place: Place, notes: list[Fact]) -> NDArray[np.int64] | None:
    blank = np.isnan(seconds)
    if not blank.any():
        return None
    rows = np.flatnonzero(~blank)
    if blank.sum() > max(2, 0.2 * len(seconds)):
        line = place.line(int(np.flatnonzero(blank)[0]))
        raise InputError(
            f"{place.path}: line {line}: {int(blank.sum())} of {len(seconds)} rows have no "
            "readable time: export the log again, with a time in every row"
        )
    notes.append(Repair.NO_TIME(n=int(blank.sum())))
    return rows


def _start_from_name(
    times: Times, first_s: float, place: Place, notes: list[Fact]
) -> pd.Timestamp | None:
    """A date that the preamble or the file's name gives to a clock that has none."""
    for text, of_day, of_start in (
        *((p, Repair.DATE_FROM_PREAMBLE, Repair.START_FROM_PREAMBLE) for p in place.preamble),
        (place.path.stem, Repair.DATE_FROM_NAME, Repair.START_FROM_NAME),
    ):
        m = _FILE_DATE.search(text)
        if not m:
            continue
        try:
            day = pd.Timestamp(int(m[1]), int(m[3]), int(m[4]))
        except ValueError:
            continue
        if times.kind == "day time":
            notes.append(of_day(start=day))
            return day + pd.Timedelta(round(first_s * 1e9), unit="ns")
        if m[5] is None:
            continue
        start = day + pd.Timedelta(hours=int(m[5]), minutes=int(m[6]), seconds=int(m[7] or 0))
        notes.append(of_start(start=start))
        return start
    return None


def _order_in_header(header: str) -> bool | None:
    low = header.lower()
    if re.search(r"\bdd[./-]mm\b", low):
        return True
    return False if re.search(r"\bmm[./-]dd\b", low) else None


def _order_from(text: pa.Array | pa.ChunkedArray, month: int, day: int) -> bool | None:
    """Day first or not, if the first cell agrees with the date in the file's name one way only."""
    first = next((t for t in text[:50].to_pylist() if t), "")
    m = re.match(r"(\d{1,2})[-/.](\d{1,2})[-/.]", first)
    if not m or month == day:
        return None
    a, b = int(m[1]), int(m[2])
    return True if (a, b) == (day, month) else False if (a, b) == (month, day) else None


def _zone_in_header(origin: pd.Timestamp, header: str) -> pd.Timestamp:
    in_utc = re.search(r"(?<![a-z])(utc|gmt)(?![a-z])", header.lower())
    return origin.tz_localize("UTC") if in_utc else origin
