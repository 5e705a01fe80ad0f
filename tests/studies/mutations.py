"""Seeded damage to a delimited log, as loggers, spreadsheets, cables and people do it.

In comes a log as a table of cells (header first); each operator of `OF_TABLE` gives the damaged
table, one of `OF_TEXT` how it is written, one of `OF_BYTES` what becomes of the bytes. `mutant`
puts up to three together. Everything follows from the generator that is passed in.
"""

import csv
import io
import re
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

Table = list[list[str]]
Chance = np.random.Generator
OfTable = Callable[[Table, Chance, Table], Table]
OfText = Callable[[Table, Chance], bytes]
OfBytes = Callable[[bytes, Chance], bytes]

SPELLINGS = {
    "time": ("Time", "timestamp", "Date/Time", "TIME (local)", "clock"),
    "vehicle speed [km/h]": ("Speed (km/h)", "vehicle_speed", "VSS", "Road speed [kph]", "speed"),
    "engine speed [rpm]": ("RPM", "Engine RPM", "rpm", "engine revs (1/min)"),
    "MAF air flow rate [g/s]": ("MAF (g/s)", "Mass air flow", "maf", "Air flow [g/s]"),
    "manifold absolute pressure [kPa]": ("MAP (kPa)", "Intake pressure", "MAP"),
    "coolant temperature [degC]": ("ECT (°C)", "Coolant", "Engine coolant temp [C]"),
    "latitude [deg]": ("lat", "Latitude", "GPS latitude (°)"),
    "longitude [deg]": ("lon", "Longitude", "lng"),
    "altitude [m]": ("alt", "Altitude (m)", "elevation", "height [m]"),
}
SLIPS = {
    "vehicle speed [km/h]": (("mph", 1 / 1.609344), ("m/s", 1 / 3.6)),
    "MAF air flow rate [g/s]": (("lb/min", 0.132277), ("kg/h", 3.6), ("g/min", 60.0)),
    "engine speed [rpm]": (("rev/s", 1 / 60),),
    "short term fuel trim [%]": (("ratio", 0.01),),
    "absolute load [%]": (("ratio", 0.01),),
    "manifold absolute pressure [kPa]": (("psi", 0.145038), ("bar", 0.01), ("inHg", 0.2953)),
    "barometric pressure [kPa]": (("psi", 0.145038), ("hPa", 10.0)),
    "altitude [m]": (("ft", 3.28084),),
    "GPS speed [km/h]": (("mph", 1 / 1.609344), ("m/s", 1 / 3.6)),
    "throttle position [%]": (("ratio", 0.01),),
}
JUNK_CELLS = ("N/A", "-", "--", "nan", "#REF!", "NULL", "?", "NODATA", " ", "inf", "1e999", "0x1F")
SPIKES = ("65535", "255", "-1", "9999", "1e12", "-40", "0", "999999", "127.5")


def _copied(t: Table) -> Table:
    return [list(row) for row in t]


def _column(t: Table, rng: Chance) -> int:
    return int(rng.integers(1, len(t[0])))


def _rows(t: Table, rng: Chance, share: float = 0.3) -> tuple[int, int]:
    """A stretch of rows, as long as chance says up to this share of the log."""
    n = len(t) - 1
    size = max(1, int(n * share * rng.random() ** 2))
    first = 1 + int(rng.integers(0, max(1, n - size)))
    return first, first + size


def _numbers(t: Table, j: int) -> np.ndarray:
    return pd.to_numeric(pd.Series([row[j] for row in t[1:]]), errors="coerce").to_numpy()


def _scaled(t: Table, j: int, factor: float, offset: float = 0.0, first: int = 1) -> Table:
    out = _copied(t)
    values = _numbers(t, j) * factor + offset
    for i in range(first, len(out)):
        if np.isfinite(values[i - 1]):
            out[i][j] = (
                f"{values[i - 1]:.4g}" if abs(values[i - 1]) < 1e4 else f"{values[i - 1]:.6g}"
            )
    return out


def _slip(t: Table, rng: Chance) -> tuple[int, str, float]:
    known = [j for j, h in enumerate(t[0]) if h in SLIPS]
    if not known:
        return _column(t, rng), "mph", 0.6214
    j = int(rng.choice(known))
    slips = SLIPS[t[0][j]]
    unit, factor = slips[int(rng.integers(len(slips)))]
    return j, unit, factor


def headers_spelt_otherwise(t: Table, rng: Chance, _: Table) -> Table:
    """Other words for the same columns, some without a unit."""
    out = _copied(t)
    for j, name in enumerate(t[0]):
        if name in SPELLINGS and rng.random() < 0.5:
            out[0][j] = str(rng.choice(SPELLINGS[name]))
    return out


def headers_lose_units(t: Table, rng: Chance, _: Table) -> Table:
    """No unit in any header, or in one."""
    out, only = _copied(t), _column(t, rng) if rng.random() < 0.6 else None
    for j in range(len(t[0])):
        if only in (None, j):
            out[0][j] = re.sub(r"\s*\[.*\]", "", t[0][j])
    return out


def header_letters(t: Table, rng: Chance, _: Table) -> Table:
    """A letter lost, doubled or put in capitals in one header; spaces around another."""
    out, j = _copied(t), int(rng.integers(0, len(t[0])))
    name = t[0][j] or "x"
    k = int(rng.integers(0, len(name)))
    ways = (
        name[:k] + name[k + 1 :],
        name[:k] + name[k:][:1] + name[k:],
        name.upper(),
        f"  {name} ",
    )
    out[0][j] = str(ways[int(rng.integers(len(ways)))])
    return out


def header_blank(t: Table, rng: Chance, _: Table) -> Table:
    """One column without a name."""
    out = _copied(t)
    out[0][int(rng.integers(0, len(t[0])))] = ""
    return out


def header_shifted(t: Table, rng: Chance, _: Table) -> Table:
    """A separator too many or too few in the header line."""
    out, j = _copied(t), _column(t, rng)
    if rng.random() < 0.5:
        out[0].insert(j, "")
    else:
        del out[0][j]
    return out


def unit_named_wrongly(t: Table, rng: Chance, _: Table) -> Table:
    """Another unit in the header, the values as they were."""
    out = _copied(t)
    j, unit, _factor = _slip(t, rng)
    out[0][j] = re.sub(r"\[.*\]", f"[{unit}]", t[0][j])
    return out


def values_in_another_unit(t: Table, rng: Chance, _: Table) -> Table:
    """The values in another unit than the header says."""
    j, _unit, factor = _slip(t, rng)
    return _scaled(t, j, factor)


def unit_changed_midway(t: Table, rng: Chance, _: Table) -> Table:
    """The logger's setting changed within the file."""
    j, _unit, factor = _slip(t, rng)
    return _scaled(t, j, factor, first=_rows(t, rng)[0])


def unit_changed_rightly(t: Table, rng: Chance, _: Table) -> Table:
    """Header and values in another unit: the same drive."""
    j, unit, factor = _slip(t, rng)
    out = _scaled(t, j, factor)
    out[0][j] = re.sub(r"\[.*\]", f"[{unit}]", t[0][j])
    return out


def columns_shuffled(t: Table, rng: Chance, _: Table) -> Table:
    """Columns in another order."""
    order = rng.permutation(len(t[0]))
    return [[row[j] for j in order if j < len(row)] for row in t]


def column_doubled(t: Table, rng: Chance, _: Table) -> Table:
    """A column twice, under its own name or with a number."""
    out, j = _copied(t), _column(t, rng)
    for row in out:
        row.append(row[j] if j < len(row) else "")
    if rng.random() < 0.5:
        out[0][-1] += " 2"
    return out


def column_lost(t: Table, rng: Chance, _: Table) -> Table:
    """A column gone with its header."""
    j = int(rng.integers(0, len(t[0])))
    return [row[:j] + row[j + 1 :] for row in t]


def columns_under_each_others_names(t: Table, rng: Chance, _: Table) -> Table:
    """Two headers swapped."""
    out, i, j = _copied(t), _column(t, rng), _column(t, rng)
    out[0][i], out[0][j] = t[0][j], t[0][i]
    return out


def rows_lost(t: Table, rng: Chance, _: Table) -> Table:
    """Rows lost here and there."""
    keep = rng.random(len(t)) > 0.4 * rng.random() ** 2
    return [row for i, row in enumerate(t) if i == 0 or keep[i]]


def stretch_lost(t: Table, rng: Chance, _: Table) -> Table:
    """A stretch of rows lost."""
    a, b = _rows(t, rng)
    return t[:a] + t[b:]


def rows_doubled(t: Table, rng: Chance, _: Table) -> Table:
    """Rows written twice, each after itself or the stretch after itself."""
    a, b = _rows(t, rng)
    if rng.random() < 0.5:
        return t[:b] + t[a:b] + t[b:]
    return t[:a] + [r for row in t[a:b] for r in (row, row)] + t[b:]


def rows_shuffled(t: Table, rng: Chance, _: Table) -> Table:
    """A stretch, or all rows, in any order."""
    a, b = (1, len(t)) if rng.random() < 0.3 else _rows(t, rng)
    return t[:a] + [t[a + k] for k in rng.permutation(len(t[a:b]))] + t[b:]


def rows_reversed(t: Table, rng: Chance, _: Table) -> Table:
    """The newest row first."""
    return t[:1] + t[:0:-1]


def cells_lost(t: Table, rng: Chance, _: Table) -> Table:
    """Cells lost from rows, so that the rest moves to the left, or the end is missing."""
    out, some = _copied(t), rng.random(len(t)) < 0.2 * rng.random()
    for i in range(1, len(out)):
        if some[i] and len(out[i]) > 2:
            j = int(rng.integers(0, len(out[i])))
            out[i] = out[i][:j] + out[i][j + 1 :] if rng.random() < 0.5 else out[i][:j]
    return out


def cells_too_many(t: Table, rng: Chance, _: Table) -> Table:
    """Empty cells or doubled ones inside rows."""
    out, some = _copied(t), rng.random(len(t)) < 0.2 * rng.random()
    for i in range(1, len(out)):
        if some[i]:
            j = int(rng.integers(0, len(out[i]) + 1))
            out[i].insert(j, out[i][j] if j < len(out[i]) and rng.random() < 0.5 else "")
    return out


def _put(t: Table, rng: Chance, what: Callable[[str], str], j: int | None = None) -> Table:
    out, (a, b) = _copied(t), _rows(t, rng)
    where = _column(t, rng) if j is None else j
    for row in out[a:b]:
        if where < len(row):
            row[where] = what(row[where])
    return out


def cells_blank(t: Table, rng: Chance, _: Table) -> Table:
    """One column blank over a stretch."""
    return _put(t, rng, lambda c: "")


def cells_zero(t: Table, rng: Chance, _: Table) -> Table:
    """One column zero over a stretch."""
    return _put(t, rng, lambda c: "0")


def cells_junk(t: Table, rng: Chance, _: Table) -> Table:
    """Words for 'nothing' in one column over a stretch, or now and then."""
    word = str(rng.choice(JUNK_CELLS))
    return _put(t, rng, lambda c: word if rng.random() < 0.5 else c)


def cells_with_units(t: Table, rng: Chance, _: Table) -> Table:
    """The unit behind each number of a column."""
    out, j = _copied(t), _column(t, rng)
    found = re.search(r"\[(.*)\]", t[0][j])
    for row in out[1:]:
        if j < len(row) and row[j]:
            row[j] = f"{row[j]} {found[1] if found else ''}"
    return out


def values_frozen(t: Table, rng: Chance, _: Table) -> Table:
    """A column, or all but the clock, stands still over a stretch."""
    out, (a, b) = _copied(t), _rows(t, rng)
    columns = range(1, len(t[0])) if rng.random() < 0.3 else [_column(t, rng)]
    for row in out[a:b]:
        for j in columns:
            if j < min(len(row), len(out[a])):
                row[j] = out[a][j]
    return out


def spikes(t: Table, rng: Chance, _: Table) -> Table:
    """Impossible or doubtful values in a column, now and then."""
    out, j, share = _copied(t), _column(t, rng), 0.1 * rng.random() ** 2
    word = str(rng.choice(SPIKES))
    for i in np.flatnonzero(rng.random(len(t)) < max(share, 1 / len(t))):
        if i and j < len(out[i]):
            out[i][j] = word
    return out


def values_scaled_by_ten(t: Table, rng: Chance, _: Table) -> Table:
    """A decimal mark lost, in a column throughout or over a stretch."""
    j, factor = _column(t, rng), float(rng.choice([10, 100, 0.1, 0.01]))
    return _scaled(t, j, factor, first=1 if rng.random() < 0.6 else _rows(t, rng)[0])


def _clock(t: Table) -> tuple[int, pd.DatetimeIndex] | None:
    """Column of the time, and the wall clock of each row."""
    if not t[0] or "time" not in t[0]:
        return None
    j = t[0].index("time")
    cells = [row[j] if j < len(row) else "" for row in t[1:]]
    try:
        local = pd.to_datetime([c[:23] for c in cells], format="%Y-%m-%dT%H:%M:%S.%f")
    except ValueError:
        return None
    return j, local


def _timed(t: Table, cells: Sequence[str], j: int) -> Table:
    out = _copied(t)
    for row, cell in zip(out[1:], cells, strict=True):
        row[j] = cell
    return out


def clock_moved(t: Table, rng: Chance, _: Table) -> Table:
    """The clock jumps forth or back within the file, or is off from the start."""
    if (found := _clock(t)) is None:
        return t
    j, at = found
    by = float(rng.choice([1, 5, 60, 3600, 7200, 86400, -1, -5, -60, -3600, 10**7]))
    first = 0 if rng.random() < 0.3 else _rows(t, rng)[0]
    moved = at + pd.to_timedelta(np.where(np.arange(len(at)) >= first, by, 0.0), unit="s")
    zone = t[1][j][23:]
    return _timed(t, [f"{m:%Y-%m-%dT%H:%M:%S.%f}"[:23] + zone for m in moved], j)


def clock_rounded(t: Table, rng: Chance, _: Table) -> Table:
    """Whole seconds, whole minutes, steps of some seconds, or one time throughout."""
    if (found := _clock(t)) is None:
        return t
    j, at = found
    step = str(rng.choice(["s", "s", "2s", "5s", "10s", "min", "D"]))
    return _timed(t, [f"{m:%Y-%m-%dT%H:%M:%S}" + t[1][j][23:] for m in at.floor(step)], j)


def clock_rate(t: Table, rng: Chance, _: Table) -> Table:
    """A clock that runs too fast or too slow."""
    if (found := _clock(t)) is None:
        return t
    j, at = found
    fast = at[0] + (at - at[0]) * float(rng.choice([0.1, 0.5, 0.9, 1.1, 2, 60]))
    return _timed(t, [f"{m:%Y-%m-%dT%H:%M:%S.%f}"[:23] + t[1][j][23:] for m in fast], j)


def clock_in_another_form(t: Table, rng: Chance, _: Table) -> Table:
    """Elapsed or epoch seconds, dates in other orders, no zone, another zone, two columns."""
    if (found := _clock(t)) is None:
        return t
    j, at = found
    seconds = ((at - at[0]) / pd.Timedelta("1s")).to_numpy()
    epoch = ((at - pd.Timestamp("1970-01-01")) / pd.Timedelta("1s")).to_numpy() - 3600
    out = _copied(t)
    ways: tuple[Callable[[], Sequence[str]], ...] = (
        lambda: [f"{x:.3f}" for x in seconds],
        lambda: [f"{x:.0f}" for x in seconds],
        lambda: [f"{1000 * x:.0f}" for x in seconds],
        lambda: [f"{100 * x:.0f}" for x in seconds],
        lambda: [f"{x / 60:.5f}" for x in seconds],
        lambda: [f"{x:.3f}" for x in epoch],
        lambda: [f"{1000 * x:.0f}" for x in epoch],
        lambda: [f"{x:.4E}" for x in epoch],
        lambda: [f"{m:%Y-%m-%dT%H:%M:%S.%f}"[:23] for m in at],
        lambda: [f"{m:%Y-%m-%dT%H:%M:%S.%f}"[:23] + "Z" for m in at],
        lambda: [f"{m:%Y-%m-%d %H:%M:%S.%f}"[:23] + " +05:30" for m in at],
        lambda: [f"{m:%d/%m/%Y %H:%M:%S}" for m in at],
        lambda: [f"{m:%m/%d/%Y %I:%M:%S %p}" for m in at],
        lambda: [f"{m:%d.%m.%y %H:%M:%S}" for m in at],
        lambda: [f"{m:%d-%b-%Y %H:%M:%S.%f}"[:24] for m in at],
        lambda: [f"{m:%H:%M:%S.%f}"[:12] for m in at],
        lambda: [f"{m:%H:%M:%S}" for m in at],
        lambda: [f"{m:%H:%M}" for m in at],
        lambda: [f"{m:%M:%S.%f}"[:7] for m in at],
    )
    cells = ways[int(rng.integers(len(ways)))]()
    out = _timed(t, cells, j)
    if rng.random() < 0.3:
        out[0][j] = str(rng.choice(["time [s]", "time [ms]", "time (min)", "timestamp", "Date"]))
    return out


def clock_zone_changes(t: Table, rng: Chance, _: Table) -> Table:
    """The zone changes, or is lost, within the file."""
    if (found := _clock(t)) is None:
        return t
    j, first = found[0], _rows(t, rng)[0]
    zone = str(rng.choice(["+02:00", "Z", "", "-05:00"]))
    return t[:first] + [[*row[:j], row[j][:23] + zone, *row[j + 1 :]] for row in t[first:]]


def _of(t: Table, name: str) -> int | None:
    return t[0].index(name) if name in t[0] else None


def positions_swapped(t: Table, rng: Chance, _: Table) -> Table:
    """Latitude under longitude's name, throughout or over a stretch."""
    a, b = _of(t, "latitude [deg]"), _of(t, "longitude [deg]")
    if a is None or b is None:
        return t
    out = _copied(t)
    first, last = (0, 1) if rng.random() < 0.6 else _rows(t, rng)
    for row in out[first:last]:
        if max(a, b) < len(row):
            row[a], row[b] = row[b], row[a]
    return out


def positions_mirrored(t: Table, rng: Chance, _: Table) -> Table:
    """A sign lost, or gained, in one coordinate."""
    j = _of(t, str(rng.choice(["latitude [deg]", "longitude [deg]"])))
    return t if j is None else _scaled_exact(t, j, -1.0, 0.0)


def positions_moved(t: Table, rng: Chance, _: Table) -> Table:
    """Positions off by a little or a lot, late, coarse, or in other scales."""
    names = ["latitude [deg]", "longitude [deg]"]
    at = [_of(t, n) for n in names]
    if None in at:
        return t
    way, out = int(rng.integers(5)), t
    for j in (j for j in at if j is not None):
        if way == 0:
            out = _scaled_exact(out, j, 1.0, float(rng.choice([1e-4, 1e-3, 0.01, 1, -0.0005])))
        elif way == 1:
            out = _scaled_exact(out, j, float(rng.choice([1e7, 1e6, 60.0, np.pi / 180])), 0.0)
        elif way == 2:
            digits = int(rng.choice([1, 2, 3, 4]))
            out = [r if i == 0 or not r[j] else [*r[:j], f"{float(r[j]):.{digits}f}", *r[j + 1 :]]
                   for i, r in enumerate(out)]  # fmt: skip
        else:
            lag = int(rng.choice([2, 5, 10, 30]))
            cells = [r[j] for r in out[1:]]
            cells = ([""] * lag + cells)[: len(cells)] if way == 3 else cells[lag:] + [""] * lag
            out = _timed(out, cells, j)
    return out


def _scaled_exact(t: Table, j: int, factor: float, offset: float) -> Table:
    out, values = _copied(t), _numbers(t, j) * factor + offset
    for row, value in zip(out[1:], values, strict=True):
        if np.isfinite(value):
            row[j] = f"{value:.7f}".rstrip("0").rstrip(".")
    return out


def positions_lost(t: Table, rng: Chance, _: Table) -> Table:
    """Positions frozen, zero or blank over a stretch that may be most of the drive."""
    at = [_of(t, "latitude [deg]"), _of(t, "longitude [deg]")]
    out, (a, b) = _copied(t), _rows(t, rng, 0.95)
    way = int(rng.integers(3))
    for j in (j for j in at if j is not None):
        held = next((row[j] for row in out[a:0:-1] if len(row) > j and row[j]), "")
        for row in out[a:b]:
            if j < len(row):
                row[j] = ("", "0", held)[way]
    return out


def two_logs_in_one(t: Table, rng: Chance, other: Table) -> Table:
    """Another run behind this one, with its header, or without, or with a blank line."""
    way = int(rng.integers(3))
    return _copied(t) + ([], [[""]], [])[way] + _copied(other)[0 if way else 1 :]


def rows_of_another_run(t: Table, rng: Chance, other: Table) -> Table:
    """Rows of another run in the place of this one's, or between them."""
    a, b = _rows(t, rng)
    there = _copied(other)[a : min(b, len(other))]
    if rng.random() < 0.5:
        return t[:a] + there + t[b:]
    return t[:a] + there + t[a:]


def values_of_another_run(t: Table, rng: Chance, other: Table) -> Table:
    """One column's values of another run, pasted beside this clock."""
    out, j = _copied(t), _column(t, rng)
    if t[0][j] not in other[0]:
        return t
    k = other[0].index(t[0][j])
    for row, theirs in zip(out[1:], other[1:], strict=False):
        if j < len(row) and k < len(theirs):
            row[j] = theirs[k]
    return out


def header_again(t: Table, rng: Chance, _: Table) -> Table:
    """The header once more inside the rows, or the file's rows cut by blank lines."""
    a, _b = _rows(t, rng)
    return [*t[:a], list(t[0]) if rng.random() < 0.6 else [""], *t[a:]]


def words_around(t: Table, rng: Chance, _: Table) -> Table:
    """Lines above the header, a row of units below it, or a sum at the end."""
    way = int(rng.integers(3))
    if way == 0:
        return [["Session", "7"], [""], *t] if rng.random() < 0.5 else [["# exported by me"], *t]
    if way == 1:
        units = [(re.search(r"\[(.*)\]", h) or [h, ""])[1] for h in t[0]]
        return [[re.sub(r"\s*\[.*\]", "", h) for h in t[0]], units, *t[1:]]
    return [*t, ["Average", *(["12.3"] * (len(t[0]) - 1))]]


def no_header(t: Table, rng: Chance, _: Table) -> Table:
    """Rows only."""
    return t[1:]


OF_TABLE: tuple[OfTable, ...] = (
    headers_spelt_otherwise, headers_lose_units, header_letters, header_blank, header_shifted,
    unit_named_wrongly, values_in_another_unit, unit_changed_midway, unit_changed_rightly,
    columns_shuffled, column_doubled, column_lost, columns_under_each_others_names, rows_lost,
    stretch_lost, rows_doubled, rows_shuffled, rows_reversed, cells_lost, cells_too_many,
    cells_blank, cells_zero, cells_junk, cells_with_units, values_frozen, spikes,
    values_scaled_by_ten, clock_moved, clock_rounded, clock_rate, clock_in_another_form,
    clock_zone_changes, positions_swapped, positions_mirrored, positions_moved, positions_lost,
    two_logs_in_one, rows_of_another_run, values_of_another_run, header_again, words_around,
    no_header,
)  # fmt: skip


RAGGED = (header_shifted, cells_lost, cells_too_many, two_logs_in_one, rows_of_another_run,
          header_again, words_around, no_header)  # fmt: skip


def written(
    t: Table, delimiter: str = ",", end: str = "\n", quoting: int = csv.QUOTE_MINIMAL
) -> str:
    """The table as text."""
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator=end, quoting=quoting).writerows(t)  # type: ignore[arg-type]
    return out.getvalue()


def plain(t: Table, rng: Chance) -> bytes:
    """As the sample logs are written."""
    return written(t).encode()


def other_delimiter(t: Table, rng: Chance) -> bytes:
    """Semicolons, tabs, bars or spaces."""
    return written(t, str(rng.choice([";", "\t", "|", " ", ":"]))).encode()


def quoted(t: Table, rng: Chance) -> bytes:
    """Quotes round everything, or round what is no number, or single ones."""
    way = int(rng.integers(3))
    if way == 2:
        return written(t).replace(",", "','").encode()
    return written(t, quoting=(csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC)[way]).encode()


def quote_unbalanced(t: Table, rng: Chance) -> bytes:
    """A quote that opens and never closes, in header or rows."""
    text = written(t)
    at = int(rng.integers(0, len(text)))
    return (text[:at] + str(rng.choice(['"', '""', ' "', "'"])) + text[at:]).encode()


def decimal_comma(t: Table, rng: Chance) -> bytes:
    """Decimal commas, between semicolons, tabs, quotes, or commas."""
    comma = [[re.sub(r"^(-?\d+)\.(\d+)$", r"\1,\2", c) for c in row] for row in t]
    way = str(rng.choice([";", "\t", '"', ","]))
    if way == '"':
        return written(comma).encode()
    if way == ",":
        return "\n".join(",".join(row) for row in comma).encode()
    return written(comma, way).encode()


def thousands(t: Table, rng: Chance) -> bytes:
    """Marks of thousands in numbers of four digits and more."""
    mark = str(rng.choice([",", ".", " ", "'", "\u202f", "\u00a0", "\u2009"]))
    cell = re.compile(r"^(\d{1,3})(\d{3})(\.\d+)?$")
    put = [[cell.sub(rf"\g<1>{mark}\2\3", c) for c in row] for row in t]
    return written(put, ";" if mark == "," and rng.random() < 0.5 else ",").encode()


def other_line_ends(t: Table, rng: Chance) -> bytes:
    """Line ends of other systems, doubled, or of two kinds."""
    ends = str(rng.choice(["\r\n", "\r", "\n\n", "\r\r\n", "\u2028", "\x0b"]))
    if rng.random() < 0.3:
        half = len(t) // 2
        return (written(t[:half]) + written(t[half:], end=ends)).encode()
    return written(t, end=ends).encode()


def other_encoding(t: Table, rng: Chance) -> bytes:
    """Other encodings, with or without a mark at the start; degree signs in headers."""
    text = written(t).replace("degC", "°C").replace("deg]", "°]")
    name = str(rng.choice(["utf-8-sig", "cp1252", "utf-16", "utf-16-le", "utf-16-be", "utf-32",
                           "latin-1", "mac-roman", "cp437"]))  # fmt: skip
    return text.encode(name, errors="replace")


def spaces_and_ends(t: Table, rng: Chance) -> bytes:
    """A space behind each delimiter, or a delimiter at each line's end."""
    end = ", " if rng.random() < 0.5 else ","
    if end == ",":
        return "".join(",".join(row) + ",\n" for row in t).encode()
    return "".join(end.join(row) + "\n" for row in t).encode()


OF_TEXT: tuple[OfText, ...] = (
    other_delimiter, quoted, quote_unbalanced, decimal_comma, thousands, other_line_ends,
    other_encoding, spaces_and_ends,
)  # fmt: skip


def truncated(raw: bytes, rng: Chance) -> bytes:
    """Cut off anywhere, or without its beginning."""
    at = int(rng.integers(0, len(raw) + 1))
    return raw[:at] if rng.random() < 0.7 else raw[at:]


def binary_junk(raw: bytes, rng: Chance) -> bytes:
    """Bytes of anything, put in or over what was there."""
    at, size = int(rng.integers(0, len(raw) + 1)), int(rng.choice([1, 4, 64, 4096]))
    junk = bytes(size) if rng.random() < 0.4 else rng.bytes(size)
    return raw[:at] + junk + raw[at + (size if rng.random() < 0.5 else 0) :]


def bits_flipped(raw: bytes, rng: Chance) -> bytes:
    """Single bits wrong, as on a bad card."""
    out = bytearray(raw)
    for at in rng.integers(0, max(1, len(raw)), int(rng.choice([1, 3, 20, 200]))):
        if at < len(out):
            out[at] ^= 1 << int(rng.integers(8))
    return bytes(out)


def block_moved(raw: bytes, rng: Chance) -> bytes:
    """A block of the card written in another's place."""
    size = 512
    a, b = (int(x) for x in rng.integers(0, max(1, len(raw) - size), 2))
    return raw[:b] + raw[a : a + size] + raw[b + size :]


OF_BYTES: tuple[OfBytes, ...] = (
    truncated, binary_junk, bits_flipped, block_moved,
)  # fmt: skip


def drawn(
    rng: Chance,
) -> tuple[tuple[OfTable, ...], OfText, OfBytes | None]:
    """One to three operators: of the table, of its writing, of the bytes."""
    many = int(rng.choice([1, 1, 1, 2, 2, 3]))
    tables: list[OfTable] = []
    text: OfText = plain
    of_bytes: OfBytes | None = None
    for _ in range(many):
        kind = rng.random()
        if kind < 0.72:
            tables.append(OF_TABLE[int(rng.integers(len(OF_TABLE)))])
        elif kind < 0.9:
            text = OF_TEXT[int(rng.integers(len(OF_TEXT)))]
        else:
            of_bytes = OF_BYTES[int(rng.integers(len(OF_BYTES)))]
    return tuple(sorted(tables, key=lambda f: f in RAGGED)), text, of_bytes


def mutant(table: Table, other: Table, seed: Sequence[int]) -> tuple[bytes, tuple[str, ...]]:
    """The damaged file and the names of what was done to it.

    The same seed does the same to another log: same operators, columns and factors.
    """
    rng = np.random.default_rng(seed)
    tables, text, of_bytes = drawn(rng)
    names = [f.__name__ for f in tables]
    for of_table in tables:
        if len(table) > 1 and len(table[0]) > 1:
            table = of_table(table, rng, other)
    raw = text(table, rng)
    if text is not plain:
        names.append(text.__name__)
    if of_bytes is not None:
        raw = of_bytes(raw, rng)
        names.append(of_bytes.__name__)
    return raw, tuple(names)
