"""Long logs, one reading a row (time, signal, value, unit), to one column a signal.

In come the columns that name the signal and hold its value; out comes a frame on the union of the
times, NaN where a signal has no reading at that time. Part of the ingest stage.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import partial

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from roadlog.errors import InputError
from roadlog.ingest import shelf
from roadlog.ingest.clock.columns import Clock
from roadlog.ingest.clock.order import Place
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import ColumnMatch, UnitEvidence, shown
from roadlog.ingest.table.byvalues import in_read_units, units_by_values
from roadlog.ingest.table.trims import trims_in_percent
from roadlog.ingest.text import cells
from roadlog.ingest.text.columns import Meaning, match_columns, misfits, unit_of
from roadlog.ingest.text.grown import taken
from roadlog.ingest.text.numerals import MarkUnclear, Unsettled
from roadlog.ingest.text.rivals import Claim, canonical
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Fact
from roadlog.quantities.signals import REACHES_THOUSANDS, SIGNALS
from roadlog.study.settings import ColumnRule

Spread = Callable[[int, NDArray[np.intp]], dict[str, Floats]]


def widen(
    meanings: Sequence[Meaning],
    table: pa.Table,
    clock: Clock,
    decimal: str,
    rules: Mapping[str, ColumnRule],
    place: Place,
    notes: list[Fact],
) -> tuple[Spread, tuple[ColumnMatch, ...], tuple[UnitEvidence, ...]]:
    """Match every signal name of a long log; how to spread its values, and what told their units.

    Raises
    ------
    InputError
        If no signal name is recognised, or two names claim one signal.
    """
    column = {m.role: f"c{i}" for i, m in enumerate(meanings) if f"c{i}" in table.column_names}
    if clock.rows is not None:
        table = _in_clock_order(table, clock.rows)
    names, of = _coded(table[column["name"]])
    units = _coded(table[column["unit"]]) if "unit" in column else None
    values = table.select([column["value"]])
    places: dict[str, NDArray[np.intp]] = {}
    claims: list[Claim] = []
    matches: list[ColumnMatch] = []
    for code, name in enumerate(names):
        rows = _rows_of(of, code)
        unit = _one_unit(name, units, rows, place)
        meaning = match_columns([name], [unit], rules, place.path)[0]
        if meaning.role != "signal" or meaning.signal is None:
            matches.append(ColumnMatch(name, None, meaning.unit, meaning.not_used, "unmatched"))
            notes += misfits([meaning])
            continue
        if meaning.signal in places:
            other = next(m.header for m in matches if m.signal == meaning.signal)
            raise InputError(
                f"{place.path}: '{shown(other)}' and '{shown(name)}' both claim {meaning.signal}: "
                f'settle it in study.toml under [columns], as "{shown(name)}" = "ignore"'
            )
        try:
            read = _values(meaning, taken(values, rows)[column["value"]], decimal, name, notes)
        except MarkUnclear as e:
            raise InputError(
                f"{place.path}: line {place.line(_row(clock, int(rows[e.row])))}: '{shown(e.cell)}'"
                f" of '{shown(name)}' can have decimals or be in thousands: export it without "
                "marks between thousands"
            ) from None
        places[meaning.signal] = rows
        claims.append(Claim(meaning, shelf.kept(read), 0))
        matches.append(ColumnMatch(name, meaning.signal, meaning.unit, meaning.note))
        shelf.rest()
    if not claims:
        listed = ", ".join(f"'{shown(m.header)}'" for m in matches[:12])
        raise InputError(
            f"{place.path}: no signal is recognised among {listed}: name them in study.toml under "
            '[columns], as "its name" = "speed_kmh"'
        )
    told, evidence = units_by_values(trims_in_percent(claims, notes), clock.t_s, notes)
    readings = {c.signal: (places[c.signal], canonical(c).values) for c in told}
    return partial(_spread, readings), in_read_units(matches, evidence), evidence


def times_once(t_s: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Each time once, and which of these every one is; `t_s` doesn't decrease.

    >>> times_once(np.array([0.0, 0.0, 1.5]))
    (array([0. , 1.5]), array([0, 0, 1]))
    """
    back = shelf.whole_numbers(len(t_s))
    n = 0
    for part in shelf.parts(len(t_s)):
        before = t_s[part.start - 1] if part.start else np.nan
        new = t_s[part] != np.concatenate([[before], t_s[part][:-1]])
        back[part] = n - 1 + np.cumsum(new)
        n += int(np.count_nonzero(new))
    once = shelf.space(n)
    for part in shelf.parts(len(t_s)):
        once[back[part]] = t_s[part]
    return once, back


def spread(
    values: Floats, back: NDArray[np.intp], n: int, rows: NDArray[np.intp] | None = None
) -> Floats:
    """Values of these rows of a log (all) as a column of `n` times; `back` says which a row has."""
    out = shelf.space(n)
    for part in shelf.parts(n):
        out[part] = np.nan
    for part in shelf.parts(len(values)):
        have = ~np.isnan(values[part])
        at = back[part] if rows is None else back[rows[part]]
        out[at[have]] = values[part][have]
    return out


def _spread(
    readings: Mapping[str, tuple[NDArray[np.intp], Floats]], n: int, back: NDArray[np.intp]
) -> dict[str, Floats]:
    """Each signal's readings as a column of `n` times."""
    return {
        signal: spread(values, back, n, rows)
        for signal in SIGNALS
        if signal in readings
        for rows, values in [readings[signal]]
    }


def _in_clock_order(table: pa.Table, rows: NDArray[np.int64]) -> pa.Table:
    ascending = all((np.diff(rows[p.start : p.stop + 1]) > 0).all() for p in shelf.parts(len(rows)))
    return taken(table, rows) if ascending else table.take(pa.array(rows))


def _coded(column: pa.ChunkedArray) -> tuple[list[str], NDArray[np.int32]]:
    """The distinct words of a column, trimmed, and which each cell is; -1 where it is blank."""
    words: dict[str, int] = {}
    of, at = shelf.whole_numbers(len(column), np.int32), 0
    for chunk in column.chunks:
        coded = pc.dictionary_encode(chunk)
        told = cells.texts(coded.dictionary).to_pylist()
        code = [-1 if w is None else words.setdefault(w, len(words)) for w in told]
        held = coded.indices.fill_null(len(told)).to_numpy(zero_copy_only=False)
        of[at : at + len(chunk)] = np.array([*code, -1], np.int32)[held]
        at += len(chunk)
        shelf.rest()
    return list(words), of


def _rows_of(of: NDArray[np.int32], code: int) -> NDArray[np.intp]:
    """Where the code stands, in order."""
    found = [np.flatnonzero(of[part] == code) + part.start for part in shelf.parts(len(of))]
    rows, at = shelf.whole_numbers(sum(map(len, found))), 0
    for some in found:
        rows[at : at + len(some)] = some
        at += len(some)
    return rows


def _values(
    meaning: Meaning, part: pa.ChunkedArray, decimal: str, name: str, notes: list[Fact]
) -> Floats:
    if meaning.signal == "fuel_status":
        values, bad = cells.statuses(part)
    elif meaning.signal == "mil_on":
        values, bad = cells.switches(part, decimal)
    elif meaning.signal in ("lat_deg", "lon_deg"):
        values, bad = cells.angles(part, decimal)
    else:
        unsettled: Unsettled = "group" if meaning.signal in REACHES_THOUSANDS else "ask"
        values, bad = cells.numbers(part, decimal, meaning.unit, unsettled)
    if bad.any():
        notes.append(Repair.READING_NO_NUMBER(header=shown(name), n=int(bad.sum())))
    return values


def _row(clock: Clock, row: int) -> int:
    return row if clock.rows is None else int(clock.rows[row])


def _one_unit(
    name: str,
    units: tuple[list[str], NDArray[np.int32]] | None,
    rows: NDArray[np.intp],
    place: Place,
) -> str | None:
    if units is None:
        return None
    words, of = units
    told = {int(c) for part in shelf.parts(len(rows)) for c in np.unique(of[rows[part]])} - {-1}
    found = [words[code] for code in sorted(told)]
    if len(found) > 1:
        listed = ", ".join(shown(u) for u in sorted(found)[:4])
        raise InputError(
            f"{place.path}: '{shown(name)}' comes in more than one unit ({listed}): log it in one"
        )
    return unit_of(found[0]) if found else None
