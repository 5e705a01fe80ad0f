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
from roadlog.ingest.clock.columns import Clock
from roadlog.ingest.clock.order import Place
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import ColumnMatch, UnitEvidence, shown
from roadlog.ingest.table.byvalues import in_read_units, units_by_values
from roadlog.ingest.table.trims import trims_in_percent
from roadlog.ingest.text import cells
from roadlog.ingest.text.columns import Meaning, match_columns, misfits, unit_of
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
        table = table.take(pa.array(clock.rows))
    names = cells.texts(table[column["name"]])
    units = cells.texts(table[column["unit"]]) if "unit" in column else None
    coded = pc.dictionary_encode(names)
    codes = coded.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    places: dict[str, NDArray[np.intp]] = {}
    claims: list[Claim] = []
    matches: list[ColumnMatch] = []
    for code, name in enumerate(coded.dictionary.to_pylist()):
        rows = np.flatnonzero(codes == code)
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
        part = table[column["value"]].take(pa.array(rows))
        try:
            values = _values(meaning, part, decimal, name, notes)
        except MarkUnclear as e:
            raise InputError(
                f"{place.path}: line {place.line(_row(clock, int(rows[e.row])))}: '{shown(e.cell)}'"
                f" of '{shown(name)}' can have decimals or be in thousands: export it without "
                "marks between thousands"
            ) from None
        places[meaning.signal] = rows
        claims.append(Claim(meaning, values, 0))
        matches.append(ColumnMatch(name, meaning.signal, meaning.unit, meaning.note))
    if not claims:
        listed = ", ".join(f"'{shown(m.header)}'" for m in matches[:12])
        raise InputError(
            f"{place.path}: no signal is recognised among {listed}: name them in study.toml under "
            '[columns], as "its name" = "speed_kmh"'
        )
    told, evidence = units_by_values(trims_in_percent(claims, notes), clock.t_s, notes)
    readings = {c.signal: (places[c.signal], canonical(c).values) for c in told}
    return partial(_spread, readings), in_read_units(matches, evidence), evidence


def _spread(
    readings: Mapping[str, tuple[NDArray[np.intp], Floats]], n: int, back: NDArray[np.intp]
) -> dict[str, Floats]:
    """Each signal's rows and values as a column of `n`; `back` says where a row of the log goes."""
    out: dict[str, Floats] = {}
    for signal in (s for s in SIGNALS if s in readings):
        rows, values = readings[signal]
        have = ~np.isnan(values)
        out[signal] = np.full(n, np.nan)
        out[signal][back[rows[have]]] = values[have]
    return out


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
    name: str, units: pa.Array | None, rows: NDArray[np.intp], place: Place
) -> str | None:
    if units is None:
        return None
    found = {u for u in units.take(pa.array(rows)).unique().to_pylist() if u}
    if len(found) > 1:
        listed = ", ".join(shown(u) for u in sorted(found)[:4])
        raise InputError(
            f"{place.path}: '{shown(name)}' comes in more than one unit ({listed}): log it in one"
        )
    return unit_of(found.pop()) if found else None
