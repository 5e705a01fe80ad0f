"""A table whose columns are typed already (Parquet) to a `Log`.

Headings mean what they would in a text log, by the same words, units and rules; only the text's own
troubles aren't there. The raw side of section 2 of the method.
"""

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from roadlog.errors import InputError
from roadlog.ingest import shelf
from roadlog.ingest.clock.columns import TimeColumn, read_clock
from roadlog.ingest.clock.datetext import DayMonthUnclear, NoSuchDay, parse_times
from roadlog.ingest.clock.order import Place
from roadlog.ingest.datum import datum_from
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import Log, shown
from roadlog.ingest.table.byvalues import in_read_units, units_by_values
from roadlog.ingest.table.delimited import column_matches
from roadlog.ingest.table.trims import trims_in_percent
from roadlog.ingest.text import cells
from roadlog.ingest.text.columns import Meaning, match_columns
from roadlog.ingest.text.numerals import MarkUnclear, Unsettled
from roadlog.ingest.text.rivals import Claim, clean, settle
from roadlog.quantities.facts import Fact
from roadlog.quantities.signals import REACHES_THOUSANDS
from roadlog.study.settings import ColumnRule, TimeRule

_SORTS_AS_TEXT = re.compile(r"(\d{4}-\d\d-\d\d|\d\d:\d\d:)(?!.*[+-]\d\d:?\d\d$)")
_FIRST = 5  # cells that tell how a column of times is written


def columns_to_log(
    path: Path, table: pa.Table, columns: Mapping[str, ColumnRule], time: TimeRule
) -> Log:
    """A log of typed columns, in order of time.

    Raises
    ------
    InputError
        If it has no rows, no time or no column that means anything, or two claim one signal.
    """
    if not table.num_rows:
        raise InputError(f"{path} holds no row")
    plain = {name: _plain(table[name]) for name in table.column_names}
    meanings = _meanings(path, plain, columns, time)
    times = [i for i, m in enumerate(meanings) if m.role in ("time", "date")]
    if not times:
        raise InputError(f"{path}: no time column among {', '.join(plain)}: name it in [columns]")
    cells_of = list(plain.values())
    place = Place(path, lambda row: row + 1)
    notes: list[Fact] = []
    clock = read_clock(
        [TimeColumn(meanings[i], cells_of[i], _written(cells_of[i])) for i in times], time, place
    )
    notes.extend(clock.notes)
    claims = []
    for i, m in enumerate(meanings):
        if m.role == "signal":
            claim = _claim(m, cells_of[i], i, place, notes)
            claims.append(claim if clock.rows is None else claim.at(clock.rows))
    if not claims:
        raise InputError(
            f"{path}: no column is recognised among {', '.join(plain)}: name them in [columns]"
        )
    claims, units = units_by_values(trims_in_percent(claims, notes), clock.t_s, notes)
    kept = settle(claims, path)
    notes.extend(kept.notes)
    matches = in_read_units(column_matches(meanings, times, kept.dropped), units)
    frame = clean({c.signal: c.values for c in kept.claims}, path, notes)
    return Log(
        path=path,
        frame=shelf.framed({"t_s": clock.t_s, **frame}),
        start=clock.start,
        columns=matches,
        facts=tuple(notes),
        altitude_datum=datum_from(matches),
        units=units,
    )


def _plain(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column as text logs have it: numbers as floats, times in nanoseconds, text decoded."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    if pa.types.is_timestamp(kind):
        return column.cast(pa.timestamp("ns", kind.tz))
    if pa.types.is_date(kind):
        return column.cast(pa.timestamp("ns"))
    if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        return column.cast(pa.float64(), safe=False)  # a count of nanoseconds keeps its 16 digits
    if pa.types.is_time(kind):
        return column.cast(pa.string())
    if pa.types.is_boolean(kind):
        return column.cast(pa.int8()).cast(pa.float64())
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        return column.cast(pa.string())
    return pa.chunked_array([pa.nulls(len(column), pa.string())])


def _meanings(
    path: Path,
    plain: Mapping[str, pa.ChunkedArray],
    columns: Mapping[str, ColumnRule],
    time: TimeRule,
) -> list[Meaning]:
    """What each column means; a lone column of times is the clock whatever it is called."""
    rules = dict(columns)
    stamped = [n for n, c in plain.items() if pa.types.is_timestamp(c.type)]
    if time.column is not None:
        rules[time.column] = ColumnRule(signal="time")
    found = match_columns(list(plain), [None] * len(plain), rules, path)
    if not any(m.role in ("time", "date") for m in found) and len(stamped) == 1:
        rules[stamped[0]] = ColumnRule(signal="time")
        found = match_columns(list(plain), [None] * len(plain), rules, path)
    return found


def _written(column: pa.ChunkedArray) -> tuple[str, ...]:
    first = column.drop_null().slice(0, _FIRST).to_pylist() if column.null_count else None
    some = column.slice(0, _FIRST).to_pylist() if first is None else first
    return tuple(x.isoformat() if isinstance(x, dt.datetime) else str(x) for x in some)


def _claim(
    meaning: Meaning, column: pa.ChunkedArray, index: int, place: Place, notes: list[Fact]
) -> Claim:
    what = Repair.NO_NUMBER
    if meaning.signal == "fuel_status":
        (values, bad), what = cells.statuses(column), Repair.NO_STATUS
    elif meaning.signal == "mil_on":
        (values, bad), what = cells.switches(column, "."), Repair.NO_SWITCH
    elif meaning.signal in ("lat_deg", "lon_deg"):
        (values, bad), what = cells.angles(column, "."), Repair.NO_ANGLE
    elif pa.types.is_floating(column.type):
        values = np.asarray(column.to_numpy(), np.float64)
        bad = np.zeros(len(values), bool)
    else:
        unsettled: Unsettled = "group" if meaning.signal in REACHES_THOUSANDS else "ask"
        try:
            values, bad = cells.numbers(column, ".", meaning.unit, unsettled)
        except MarkUnclear as e:
            raise InputError(
                f"{place.path}: row {e.row + 1}, column '{shown(meaning.header)}': "
                f"'{shown(e.cell)}' can have decimals or be in thousands: write numbers"
            ) from None
    if bad.any():
        first = int(np.flatnonzero(bad)[0]) + 1
        notes.append(what(header=meaning.header, n=int(bad.sum()), line=first))
    return Claim(meaning, values, index)


def sorted_by_time(
    table: pa.Table, columns: Sequence[str], day_first: bool | None = None
) -> tuple[pa.Table, int]:
    """The rows in order of some columns, each once, and how many were there twice.

    Text is put in order by the time that it tells; where that can't be told, rows stay as they are.
    """
    keys = [_order(table[name], day_first) for name in columns]
    if all(key is not None for key in keys):
        names = [str(i) for i in range(len(keys))]
        order = pa.table(dict(zip(names, keys, strict=True)))
        rows = pc.sort_indices(order, [(n, "ascending") for n in names])
        in_order = np.array_equal(rows.to_numpy(), np.arange(len(rows)))
        table = table if in_order else table.take(rows)
    if any(pc.count_distinct(table[name], mode="all").as_py() == len(table) for name in columns):
        return table, 0
    frame = table.to_pandas(ignore_metadata=True)
    twice = frame.duplicated().to_numpy()
    if not twice.any():
        return table, 0
    return table.filter(pa.array(~twice)), int(twice.sum())


def _order(column: pa.ChunkedArray, day_first: bool | None) -> pa.ChunkedArray | None:
    """What a column of times is put in order by, None where its text leaves it open."""
    plain = _plain(column)
    if not pa.types.is_string(plain.type):
        return plain
    first = next((str(x) for x in plain.drop_null().slice(0, 1).to_pylist()), "")
    if _SORTS_AS_TEXT.match(first):
        return plain
    try:
        times = parse_times(plain, day_first)
    except (DayMonthUnclear, NoSuchDay):
        return None
    return None if times is None else pa.chunked_array([pa.array(times.seconds)])


def time_columns(
    table: pa.Table, columns: Mapping[str, ColumnRule], time: TimeRule
) -> tuple[str, ...]:
    """The columns that order the rows: the first that tells the date, the first that tells time."""
    plain = {name: _plain(table[name].slice(0, 1)) for name in table.column_names}
    first: dict[str, str] = {}
    for meaning in _meanings(Path(), plain, columns, time):
        first.setdefault(meaning.role, meaning.header)
    return tuple(first[role] for role in ("date", "time") if role in first)


def texts_of(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column of names as text, whatever type it has."""
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if pa.types.is_floating(column.type):
        whole = pc.all(pc.equal(pc.floor(column), column)).as_py()
        column = column.cast(pa.int64()) if whole else column
    return column.cast(pa.string())
