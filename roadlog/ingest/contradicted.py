"""Readings of air and engine speed that another signal of the same log rules out.

In comes a log; out comes the same log with such stretches left blank, and a note for each kind. An
engine that turns breathes, one that breathes turns; air doesn't stand still while the engine's
speed changes much; and the scale between air meter and load doesn't change within a drive. Each
rule looks at stretches inside one log only, so nothing that is alike throughout a drive, as an
add-on is, meets it. Part of the ingest stage; thresholds are common practice without a source.
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from roadlog.ingest import shelf
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import Log
from roadlog.quantities.arrays import Floats
from roadlog.quantities.columns import Columns

Rows = NDArray[np.intp]
Marked = NDArray[np.bool_]

TURNING_RPM = 400.0  # no engine idles so low
BREATHING_G_S = 2.0  # over any air meter's reading of still air, about half of a small one's idle
LEAST_READINGS = 3
SETTLING_S = 2.0  # signals are read one after another
FROZEN_READINGS = 20
FROZEN_S = 20.0
FROZEN_RPM = 1000.0
SCALE_READINGS = 60
SCALE_FACTOR = 1.8  # absolute load is air a revolution itself, SAE J1979
PRESSURE_FACTOR = 5.0  # exhaust recirculation and valve timing move air against pressure by 3
DRIVEN_KMH = 20.0  # a car that stops its engine at a light may hold its last air reading
SCALE_SHARE = 0.95  # of a stretch's readings that must lie beyond half of that
PART_ROWS = 1_000_000  # a week at one row a second is 600,000
LOADED_KPA = 40.0
LOADED_PCT = 15.0


def without_contradicted(log: Log) -> Log:
    """The log, its impossible stretches of `maf_g_s` and `rpm` blank and noted.

    Logs of more than `PART_ROWS` rows are looked at in equal parts, so that memory doesn't grow
    with them; the scale of the air meter is held against the whole log's.

    Parameters
    ----------
    log : Log

    Returns
    -------
    Log
    """
    frame, columns = log.frame, log.read
    if not {"maf_g_s", "rpm"} <= set(columns.columns):
        return log
    parts = _parts(len(columns))
    ends = shelf.span(columns.floats("maf_g_s"))
    no_air, at_rest, frozen = (np.zeros(len(columns), bool) for _ in range(3))
    for part in parts:
        t, maf, rpm = (columns.floats(c)[part] for c in ("t_s", "maf_g_s", "rpm"))
        driven = columns.floats("speed_kmh")[part] if "speed_kmh" in columns else None
        at_rest[part] = _ruled_out(t, rpm, maf, BREATHING_G_S, driven)
        no_air[part] = _ruled_out(t, maf, rpm, TURNING_RPM)
        frozen[part] = _frozen(t, maf, rpm, ends)
        shelf.rest()
    slipped = _off_scale(columns, parts, no_air | frozen, at_rest)
    told = (
        (no_air, Repair.NO_AIR),
        (at_rest, Repair.NO_SPEED),
        (frozen, Repair.FROZEN_AIR),
        (slipped, Repair.OTHER_SCALE),
    )
    t = columns.floats("t_s")
    facts = [
        what(n=int(wrong.sum()), minutes=t[wrong.argmax()] / 60)
        for wrong, what in told
        if wrong.any()
    ]
    if not facts:
        return log
    blank = {"maf_g_s": no_air | frozen | slipped, "rpm": at_rest}
    put = {n: shelf.kept(frame[n].mask(b).to_numpy(np.float64)) for n, b in blank.items()}
    return replace(log, frame=frame.assign(**put), facts=(*log.facts, *facts))


def _parts(rows: int) -> list[slice]:
    """Equal parts of at most `PART_ROWS` rows."""
    if rows <= PART_ROWS:
        return [slice(0, rows)]
    edges = np.linspace(0, rows, -(-rows // PART_ROWS) + 1).astype(int)
    return [slice(int(a), int(b)) for a, b in pairwise(edges)]


def _off_scale(columns: Columns, parts: list[slice], no_air: Marked, at_rest: Marked) -> Marked:
    """Readings of air out of proportion to load and engine speed, the rest of the log beside."""
    slipped = np.zeros(len(columns), bool)
    turning: Floats | None = None
    for name, least, factor in (
        ("absolute_load_pct", LOADED_PCT, SCALE_FACTOR),
        ("map_kpa", LOADED_KPA, PRESSURE_FACTOR),
    ):
        if name not in columns or slipped.any():
            continue
        if turning is None:
            turning = _turning(columns, parts, at_rest)
        ratios = shelf.space(len(columns))
        for part in parts:
            ratios[part] = _scale(columns, part, no_air, turning, (name, least))
            shelf.rest()
        known = ratios[~np.isnan(ratios)]
        if len(known) < 3 * SCALE_READINGS:
            continue
        usual = float(np.median(known, overwrite_input=True))
        del known
        for part in parts:
            rows = np.flatnonzero(~np.isnan(ratios[part]))
            far = ratios[part][rows] - usual
            slipped[part] = _slipped(part.stop - part.start, rows, far, factor)
            shelf.rest()
    if not slipped.any():
        return slipped
    maf = columns.floats("maf_g_s")
    slipped &= np.isfinite(maf)
    return slipped & ~no_air & (maf > 0)


def _turning(columns: Columns, parts: list[slice], at_rest: Marked) -> Floats:
    """The last engine speed in each row, NaN where it is old."""
    out = shelf.space(len(columns))
    for part in parts:
        t, rpm = columns.floats("t_s")[part], columns.floats("rpm")[part]
        out[part] = _held(t, np.where(at_rest[part], np.nan, rpm))
        shelf.rest()
    return out


def _scale(
    columns: Columns, part: slice, no_air: Marked, turning: Floats, load: tuple[str, float]
) -> Floats:
    """Log of air a revolution and load, NaN where a row of the part can't be held against it."""
    name, least = load
    t, maf, loaded = (columns.floats(c)[part] for c in ("t_s", "maf_g_s", name))
    speed = turning[part]
    filled = _held(t, np.where(loaded > least, loaded, np.nan))
    rows = np.flatnonzero((maf > 0) & ~no_air[part] & (speed > TURNING_RPM) & np.isfinite(filled))
    ratio = np.full(len(t), np.nan)
    ratio[rows] = np.log(maf[rows] / (speed[rows] * filled[rows]))
    return ratio


def _stretches(v: Floats, same: Floats) -> tuple[Rows, Rows, Rows]:
    """Rows that have a reading, and where in them each stretch of one `same` begins and ends."""
    rows = np.flatnonzero(np.isfinite(v))
    held = same[rows]
    new = np.flatnonzero(np.append(len(rows) > 0, held[1:] != held[:-1]))
    return rows, new, np.append(new[1:], len(rows))


def _between(t: Floats, start: float, end: float) -> slice:
    """The rows from one time to another, both included."""
    return slice(int(np.searchsorted(t, start)), int(np.searchsorted(t, end, side="right")))


def _ruled_out(
    t: Floats, v: Floats, witness: Floats, least: float, driven: Floats | None = None
) -> Marked:
    """Stretches of zeros in `v` throughout which the witness says otherwise, while driven."""
    wrong = np.zeros(len(t), bool)
    if not (v == 0).any():
        return wrong
    rows, first, behind = _stretches(v, np.where(v == 0, 0.0, 1.0))
    zero = v[rows[first]] == 0
    for a, b in zip(first[zero], behind[zero], strict=True):
        inside = _between(t, t[rows[a]] + SETTLING_S, t[rows[b - 1]] - SETTLING_S)
        if driven is not None and not (driven[inside] > DRIVEN_KMH).any():
            continue
        told = witness[inside]
        told = told[np.isfinite(told)]
        if len(told) >= LEAST_READINGS and np.quantile(told, 0.1) >= least:
            wrong[rows[a:b]] = True
    return wrong


def _frozen(t: Floats, maf: Floats, rpm: Floats, ends: tuple[float, float]) -> Marked:
    """Stretches of one value, neither the least (overrun) nor the greatest (a ceiling)."""
    wrong = np.zeros(len(t), bool)
    rows, first, behind = _stretches(maf, maf)
    long = behind - first >= FROZEN_READINGS
    for a, b in zip(first[long], behind[long], strict=True):
        start, end = t[rows[a]], t[rows[b - 1]]
        if end - start < FROZEN_S or maf[rows[a]] in ends:
            continue
        told = rpm[_between(t, start, end)]
        told = told[np.isfinite(told)]
        wrong[rows[a:b]] = len(told) > 0 and np.ptp(told) > FROZEN_RPM
    return wrong


def _slipped(size: int, rows: Rows, far: Floats, factor: float) -> Marked:
    """Rows from stretches in which air a revolution and load are in another proportion."""
    wrong = np.zeros(size, bool)
    if len(rows) < SCALE_READINGS:
        return wrong
    beyond = np.abs(far) > np.log(factor) / 2
    if np.count_nonzero(beyond) < SCALE_SHARE * SCALE_READINGS - 1:
        return wrong
    right = np.flatnonzero(~beyond)
    share = np.convolve(beyond, np.ones(SCALE_READINGS) / SCALE_READINGS, "valid")
    for first in np.flatnonzero(share >= SCALE_SHARE):
        last = first + SCALE_READINGS
        if abs(float(np.median(far[first:last]))) > np.log(factor):
            before, behind = right[right < first], right[right >= last]
            start = rows[before[-1]] + 1 if len(before) else 0
            wrong[start : rows[behind[0]] if len(behind) else size] = True
    return wrong


def _held(t: Floats, v: Floats) -> Floats:
    """The last reading, no older than three seconds."""
    rows = np.flatnonzero(np.isfinite(v))
    if not len(rows):
        return np.full(len(t), np.nan)
    last = np.full(len(t), rows[0])
    last[rows] = rows
    last = np.maximum.accumulate(last)
    age = t - t[last]
    return np.asarray(np.where((age >= 0) & (age <= 3), v[last], np.nan), np.float64)
