"""Delimited text of any logger to a `Log`.

In come a file's text and the study's `[columns]` and `[time]` rules; out comes the log in
canonical units. A clean file is parsed once, typed, by pyarrow; only a file that isn't clean is
read again as text and mended, and every mend is noted. The raw side of section 2 of the method.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from roadlog.errors import InputError
from roadlog.ingest import shelf
from roadlog.ingest.clock.columns import TimeColumn, read_clock
from roadlog.ingest.clock.datetext import zone_of
from roadlog.ingest.clock.order import Place
from roadlog.ingest.datum import datum_from
from roadlog.ingest.facts import LeftOpen, Repair, Unclear
from roadlog.ingest.log import ColumnMatch, Log, UnitEvidence, shown
from roadlog.ingest.table.byvalues import in_read_units, unit_name, units_by_values
from roadlog.ingest.table.clockunit import clock_unit
from roadlog.ingest.table.long import spread, times_once, widen
from roadlog.ingest.table.rows import read_rows
from roadlog.ingest.table.trims import trims_in_percent
from roadlog.ingest.text import cells
from roadlog.ingest.text.columns import Meaning, is_known, match_columns, misfits
from roadlog.ingest.text.dialect import (
    BLANKS,
    Dialect,
    all_match,
    as_utf8,
    is_number,
    sniff,
    spaces_to_tabs,
    stray_nuls,
    utf8_text,
)
from roadlog.ingest.text.nearmiss import NearMiss, near_misses
from roadlog.ingest.text.numerals import MarkUnclear, Unsettled
from roadlog.ingest.text.quotes import plain_quotes
from roadlog.ingest.text.rivals import Claim, clean, settle
from roadlog.ingest.text.source import MAX_IN_MEMORY, Text
from roadlog.quantities.arrays import Bools, Floats
from roadlog.quantities.facts import Fact
from roadlog.quantities.signals import REACHES_THOUSANDS, SIGNALS
from roadlog.quantities.units import convert, unit_symbol
from roadlog.study.settings import ColumnRule, TimeRule

_ISO_LINES = re.compile(
    r"(?:\d{4}-\d{2}-\d{2}([ T]\d{2}:\d{2}(:\d{2}(\.\d{1,9})?)?(Z|[+-]\d{2}(:?\d{2})?)?)?\n)*+"
)
_HEAD_BYTES = 1 << 14
_HEMISPHERE = re.compile(r"(?i)^(n/?s|e/?w|(lat|lon)\w*[ _]?(hemi\w*|dir\w*|ns|ew|n/s|e/w|ref))$")


def read_delimited(
    path: Path,
    raw: Text,
    columns: Mapping[str, ColumnRule],
    time: TimeRule,
    *,
    lines_above: int = 0,
) -> Log:
    """Read one delimited text; `lines_above` of its first lines aren't in the file.

    Raises
    ------
    InputError
        If it isn't text, has no header, no rows, no time or no column that means anything, if two
        columns claim one signal, or if its clock runs backwards.
    """
    data = utf8_text(raw, path, legacy=_code_page(raw, path, columns))
    if len(data) < 4096 and not data[:].strip(b" \t\r\n\x1a"):
        raise InputError(f"{path} is empty: give a log with a header and rows")
    rules = dict(columns)
    if time.column is not None:
        rules[time.column] = ColumnRule(signal="time")
    quoted = plain_quotes(data, path)
    data, dialect = _cut(quoted.data, path, rules)
    dialect = replace(dialect, first_line=dialect.first_line - lines_above)
    meanings = match_columns(dialect.headers, dialect.units, rules, path)
    times = _time_columns(meanings, dialect, time, path)
    if dialect.width > dialect.named:
        _check_names_fit(meanings, dialect, path)
    unused = _unused_rules(columns, dialect.headers, meanings)
    notes = [*unused, *misfits(meanings), *quoted.notes, *_of_the_headings(dialect, meanings)]
    if nuls := stray_nuls(raw):
        notes.append(Repair.NUL_BYTES(n=nuls))
    used = _used_columns(meanings, times, dialect, path)
    hemispheres = _hemisphere_columns(dialect.headers)
    written = dialect.columns
    types = {
        i: _type_of(meanings[i], written[i], dialect.numeric[i])
        for i in [*used, *hemispheres.values()]
    }
    table, place = read_rows(data, dialect, types, path, notes, over_lines=quoted.over_lines)
    held = dict(zip(table.column_names, table.columns, strict=True))
    del table
    clock = read_clock(
        [TimeColumn(meanings[i], held[f"c{i}"], written[i]) for i in times],
        time, place, dialect.decimal, long=any(m.role == "name" for m in meanings),
    )  # fmt: skip
    notes.extend(clock.notes)
    for i in times:
        del held[f"c{i}"]
    if len(data) > MAX_IN_MEMORY:
        pa.default_memory_pool().release_unused()
    signals = [(i, meanings[i]) for i in used if meanings[i].role == "signal"]
    claims = []
    for i, m in signals:  # a column leaves the table as it is claimed: none is held twice
        signs = held[f"c{hemispheres[i]}"] if i in hemispheres else None
        claim = _claim(m, held.pop(f"c{i}"), i, signs, dialect, place, notes)
        claims.append(claim if clock.rows is None else claim.at(clock.rows))
        del claim
        shelf.rest()
    claims, units = units_by_values(trims_in_percent(claims, notes), clock.t_s, notes)
    kept = settle(claims, path)
    del claims
    notes.extend(kept.notes)
    frame, t_s = {c.signal: shelf.kept(c.values) for c in kept.claims}, shelf.kept(clock.t_s)
    matches = in_read_units(column_matches(meanings, times, kept.dropped), units)
    long_units: tuple[UnitEvidence, ...] = ()
    if any(m.role == "name" for m in meanings):
        wide, named, long_units = widen(
            meanings, pa.table(held), clock, dialect.decimal, columns, place, notes
        )
        t_s, back = times_once(t_s)
        frame = {name: spread(v, back, len(t_s)) for name, v in frame.items()}
        frame = {**wide(len(t_s), back), **frame}
        matches = (*matches, *named)
    units = (*units, *long_units)
    by_values = {e.header: e.read_as for e in units}
    _note_assumed([m for _, m in signals if by_values.get(m.header, m.unit) == m.unit], notes)
    cleaned = clean(frame, path, notes)
    if clock.assumed:
        evidence = clock_unit(t_s, cleaned, clock.assumed, clock.unit, path)
        units = (*units, evidence)
        if evidence.read_as != clock.unit:
            t_s = t_s * (convert(1.0, evidence.read_as, "s") / convert(1.0, clock.unit, "s"))
            notes = _counted_otherwise(notes, clock.assumed, evidence.read_as)
    return Log(
        path=path,
        frame=shelf.framed({"t_s": t_s, **cleaned}),
        start=clock.start,
        columns=matches,
        facts=tuple(notes),
        altitude_datum=datum_from(matches),
        units=units,
    )


def _of_the_headings(dialect: Dialect, meanings: Sequence[Meaning]) -> list[Fact]:
    """Rows above or unlike their header, and headings that come near a signal's words."""
    has = {m.signal for m in meanings}
    above = [Repair.ABOVE(n=dialect.passed, line=dialect.first_line - 1)] * (dialect.passed > 1)
    return (
        above
        + [Repair.ENDED_ROWS()] * dialect.ended
        + [
            Repair.NEAR_MISS(header=shown(m.header), word=m.word, means=m.means)
            for m in near_misses(meanings)
            if m.means in SIGNALS and m.means not in has
        ]
    )


def _counted_otherwise(notes: Sequence[Fact], header: str, unit: str) -> list[Fact]:
    """The notes with what the drive says of the clock's unit in place of the first guess."""
    guess = (Repair.SECONDS, Repair.MILLISECONDS)
    kept = [n for n in notes if n.code not in guess or n.value("header") != header]
    return [*kept, Repair.COUNTING(header=header, unit=unit_name(unit))]


def _code_page(raw: Text, path: Path, rules: Mapping[str, ColumnRule]) -> str:
    """Western or Central European, whichever makes more of the header's words known."""
    head = raw[:_HEAD_BYTES].rpartition(b"\n")[0]
    if head.isascii():
        return "cp1252"
    best, most = "cp1252", -1
    for page in ("cp1252", "cp1250"):
        words = re.split(r"[,;\t|\r\n]", as_utf8(head, path, legacy=page).decode()[:4096])
        known = sum(is_known(w.strip().strip('"'), rules) for w in set(words) if 0 < len(w) < 200)
        if known > most:
            best, most = page, known
    return best


def _cut(data: Text, path: Path, rules: Mapping[str, ColumnRule]) -> tuple[Text, Dialect]:
    """The text and its dialect; a text that only spaces delimit is delimited by tabs first."""
    tabbed = spaces_to_tabs(data, rules)
    if tabbed is not None:
        data = tabbed
    return data, sniff(data, path, rules)


def _unused_rules(
    rules: Mapping[str, ColumnRule], headers: Sequence[str], meanings: Sequence[Meaning]
) -> list[Fact]:
    """A note for each rule that names no column (in a long log, rules name signals instead)."""
    if any(m.role == "name" for m in meanings):
        return []
    known = {h.casefold() for h in headers}
    return [Repair.UNUSED_RULE(header=shown(h)) for h in rules if h.strip().casefold() not in known]


def _used_columns(
    meanings: Sequence[Meaning], times: Sequence[int], dialect: Dialect, path: Path
) -> list[int]:
    roles = ("signal", "name", "value", "unit")
    used = [i for i, m in enumerate(meanings) if m.role in roles or i in times]
    if not any(meanings[i].role in ("signal", "value") for i in used):
        near = next((m for m in near_misses(meanings) if m.means in SIGNALS), None)
        headers = _listed(dialect.headers)
        remedy = 'name them in study.toml under [columns], as "its header" = "speed_kmh"'
        place = f"{path}: line {dialect.first_line - 1}"
        if near is None:
            raise LeftOpen(place, Unclear.NO_COLUMN(headers=headers), f": {remedy}")
        fault = Unclear.NO_COLUMN_BUT_NEAR(
            headers=headers, header=shown(near.header), word=near.word
        )
        raise LeftOpen(place, fault, f" {_option(near, near.means)}{remedy}")
    return used


def _time_columns(
    meanings: Sequence[Meaning], dialect: Dialect, rule: TimeRule, path: Path
) -> list[int]:
    found = [i for i, m in enumerate(meanings) if m.role in ("time", "date")]
    if rule.column is not None:
        wanted = rule.column.strip().casefold()
        named = [i for i in found if dialect.headers[i].casefold() == wanted]
        if not named:
            raise InputError(
                f"{path}: [time] column '{rule.column}' is not among {_listed(dialect.headers)}: "
                "correct it in study.toml"
            )
        return named + [i for i in found if meanings[i].role == "date" and i not in named]
    by_rule = [i for i in found if meanings[i].by_rule]
    found = by_rule or found
    if not found:
        place = f"{path}: line {dialect.first_line - 1}"
        raise _no_time(meanings, _listed(dialect.headers), place)
    return found


def _check_names_fit(meanings: Sequence[Meaning], dialect: Dialect, path: Path) -> None:
    """Refuse rows that end in a blank cell too many if a name that is missing explains them better.

    A column of junk alone doesn't: it is junk also with its neighbour's values.

    Raises
    ------
    InputError
        Naming the line and the column.
    """
    below = [_numbers_below(dialect, i) for i in range(dialect.width)]
    stand = np.array(list(map(_misfit, meanings, below)), int)
    moved = list(map(_misfit, meanings[:-1], below[1:]))
    after = np.cumsum([*moved, 0][::-1])[::-1]
    before = np.concatenate([[0], np.cumsum(stand)[:-1]])
    if not len(stand) or not (before + after).min() < stand.sum():
        return
    i = int(np.argmax(stand))
    raise InputError(
        f"{path}: line {dialect.first_line - 1}: rows have one cell more than names, and "
        f"{next(s for s in dialect.columns[i] if is_number(s))} below "
        f"'{shown(meanings[i].header)}' can't be that: name every column"
    )


def _numbers_below(dialect: Dialect, index: int) -> Floats:
    """The plain numbers among a column's first cells."""
    cells_below = dialect.columns[index]
    if dialect.numeric[index]:
        numbers = [s for s in cells_below if s and s.lower() not in BLANKS]
    else:
        numbers = [s for s in cells_below if is_number(s)]
    return np.array([float(s.replace(",", ".")) for s in numbers])


def _misfit(meaning: Meaning, plain: Floats) -> bool:
    """Whether most of these numbers are out of the range of what the header means."""
    if meaning.signal is None or meaning.unit is None or not len(plain):
        return False
    signal = SIGNALS[meaning.signal]
    values = convert(plain, meaning.unit, signal.unit)
    return bool(np.mean((values < signal.low) | (values > signal.high)) > 0.5)


def _no_time(meanings: Sequence[Meaning], headers: str, place: str) -> LeftOpen:
    """That no column is the time, with one that may be: misspelt, or the engine's run time."""
    remedy = 'name it in study.toml, as [columns] "its header" = "time"'
    near = next((m for m in near_misses(meanings) if m.as_time()), None)
    if near is not None:
        fault = Unclear.NO_TIME_BUT_NEAR(headers=headers, header=shown(near.header), word=near.word)
        return LeftOpen(place, fault, f" {_option(near, 'time')}{remedy}")
    run_time = next((m.header for m in meanings if m.signal == "engine_runtime_s"), None)
    if run_time is None:
        return LeftOpen(place, Unclear.NO_TIME(headers=headers), f": {remedy}")
    fault = Unclear.NO_TIME_BUT_RUN_TIME(headers=headers, header=shown(run_time))
    return LeftOpen(place, fault, f": {remedy}")


def _option(near: NearMiss, means: str) -> str:
    return f"Then --column '{near.header}={means}', or "


def _type_of(meaning: Meaning, samples: Sequence[str], numeric: bool) -> pa.DataType:
    if meaning.role in ("name", "unit"):
        return pa.string()
    timed = meaning.role in ("time", "date")
    if numeric and not timed:
        return pa.float64()
    if not numeric and timed and all_match(_ISO_LINES, samples):
        return _stamps(samples[0])
    filled = [s for s in dict.fromkeys(samples) if s.lower() not in BLANKS]
    if numeric:
        packed = all(len(s) in (6, 8, 14) and s.isdigit() for s in filled)
        return pa.string() if packed and filled else pa.float64()
    return _stamps(filled[0]) if timed and all_match(_ISO_LINES, filled) else pa.string()


def _stamps(first: str) -> pa.DataType:
    return pa.timestamp("ns", None if zone_of(first) is None else "UTC")


def _claim(
    meaning: Meaning,
    column: pa.ChunkedArray,
    index: int,
    signs: pa.ChunkedArray | None,
    dialect: Dialect,
    place: Place,
    notes: list[Fact],
) -> Claim:
    assert meaning.signal is not None
    assert meaning.unit is not None
    if meaning.signal == "fuel_status":
        values, bad = cells.statuses(column)
        what = Repair.NO_STATUS
    elif meaning.signal == "mil_on":
        values, bad = cells.switches(column, dialect.decimal)
        what = Repair.NO_SWITCH
    elif meaning.signal in ("lat_deg", "lon_deg"):
        values, bad = cells.angles(column, dialect.decimal)
        what = Repair.NO_ANGLE
        if signs is not None:
            values = _signed(values, cells.hemispheres(signs))
    else:
        values, bad = _numbers(meaning, column, dialect.decimal, place)
        what = Repair.NO_NUMBER
    if bad.any():
        line = place.line(int(np.flatnonzero(bad)[0]))
        notes.append(what(header=meaning.header, n=int(bad.sum()), line=line))
    return Claim(meaning, shelf.kept(values), index)


def _numbers(
    meaning: Meaning, column: pa.ChunkedArray, decimal: str, place: Place
) -> tuple[Floats, Bools]:
    unsettled: Unsettled = "group" if meaning.signal in REACHES_THOUSANDS else "ask"
    try:
        return cells.numbers(column, decimal, meaning.unit, unsettled)
    except MarkUnclear as e:
        raise InputError(
            f"{place.path}: line {place.line(e.row)}, column '{shown(meaning.header)}': "
            f"'{shown(e.cell)}' can have decimals or be in thousands: export it without marks "
            "between thousands"
        ) from None


def _signed(values: Floats, signs: Floats) -> Floats:
    size = np.where(np.isfinite(values), np.abs(values), np.nan)
    if np.nanmax(size, initial=0.0) > 180:
        size = cells.degrees_minutes(size)
    return np.where(np.isnan(signs), np.sign(values), signs) * size


def _hemisphere_columns(headers: Sequence[str]) -> dict[int, int]:
    """Index of the latitude or longitude column -> index of its hemisphere column."""
    found: dict[int, int] = {}
    for i, header in enumerate(headers):
        if not _HEMISPHERE.match(header.strip()):
            continue
        north = bool(re.match(r"(?i)(n|lat)", header.strip()))
        wanted = "lat" if north else "lon"
        near = [j for j, h in enumerate(headers) if j != i and h.lower().startswith(wanted)]
        if near:
            found[near[0]] = i
    return found


def column_matches(
    meanings: Sequence[Meaning], times: Sequence[int], dropped: Mapping[int, str]
) -> tuple[ColumnMatch, ...]:
    """What became of each column; `dropped` says why another one of its signal goes before."""
    out = []
    for i, m in enumerate(meanings):
        if i in times:
            out.append(ColumnMatch(m.header, None, m.unit, "time", "time"))
        elif i in dropped:
            out.append(ColumnMatch(m.header, None, m.unit, dropped[i], "ignored"))
        elif m.role == "signal":
            note = "no unit in the header" if m.assumed else m.note
            out.append(ColumnMatch(m.header, m.signal, m.unit, note, assumed=m.assumed))
        elif m.role in ("name", "value", "unit"):
            out.append(ColumnMatch(m.header, None, None, f"{m.role} of each reading", "ignored"))
        elif m.role == "ignored" or m.role in ("time", "date"):
            out.append(ColumnMatch(m.header, None, m.unit, m.note, "ignored"))
        else:
            out.append(ColumnMatch(m.header, None, m.unit, m.not_used, "unmatched"))
    return tuple(out)


def _note_assumed(meanings: Sequence[Meaning], notes: list[Fact]) -> None:
    plain = {"rpm", "%", "°", "ratio", "v"}
    taken = [
        f"{m.header} in {unit_symbol(str(m.unit))}"
        for m in meanings
        if m.assumed and m.unit not in plain and m.header not in (m.signal,)
    ]
    if taken:
        notes.append(Repair.UNITS_ASSUMED(columns=", ".join(taken)))


def _listed(headers: Sequence[str]) -> str:
    named = [f"'{shown(h)}'" for h in headers if h]
    return ", ".join(named[:12]) + (f" and {len(named) - 12} more" if len(named) > 12 else "")
