"""One drive drawn along its road: samples in, shapes by distance driven out, for the check page.

The way across is the road, so that a stop or a gap has no length of its own; each is let in at its
place with room by its time. Over the road stands the speed, coloured by what the log knows there;
under it lies one ribbon a signal, dark where its value is high, thin where it is seldom known.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.quantities.arrays import Floats, Ints
from roadlog.quantities.signals import SIGNALS
from roadlog.quantities.units import unit_symbol
from roadlog.report.strips import mark_step_km
from roadlog.wording.numbers import number
from roadlog.wording.units import amount, in_figures, is_told, symbol

Kind = Literal["road", "stop", "blind", "gap"]

WIDTH, HEIGHT = 1000, 100
CELLS = 150
SHADES = 6
STANDING_KMH = 1.0
ROOM_KM_PER_MIN = 0.5  # a minute without driving takes as much room as this much road
_MOST_ROOM = 0.1  # and no stop or gap more than this share of the road's room
_TOLD_S = 20.0  # a stop from this length on has its time written over it
_APART = 6.0  # if the last such is this far off [% of the drawing]
_FAR = 1.0  # a reading that leaps by this many times the shades' range beyond them is marked
_LEAP_SAMPLES = 9  # if it is back within half of these
_SMALL_STEP = 0.05  # of what the signal can be: more is never its usual step
_KINDS: tuple[Kind, ...] = ("road", "stop", "blind", "gap")
_RIBBONS = {
    "gps_speed_kmh": "GPS speed",
    "rpm": "engine speed",
    "maf_g_s": "air flow",
    "map_kpa": "manifold pressure",
    "fuel_rate_l_h": "fuel rate",
    "fuel_rate_g_s": "fuel rate",
    "stft1_pct": "short trim",
    "ltft1_pct": "long trim",
    "lambda_commanded": "λ commanded",
    "lambda_measured": "λ measured",
    "coolant_temp_c": "coolant",
    "intake_air_temp_c": "intake air",
    "ambient_temp_c": "outside air",
    "supply_voltage_v": "supply voltage",
    "lat_deg": "position",
    "altitude_m": "altitude",
}
_NO_VALUE = ("lat_deg",)  # where it is known is all that counts


@dataclass(frozen=True)
class Let:
    """A stretch let into the road: what it is, its place and width [% of the drawing], its time."""

    kind: Kind
    left: float
    width: float
    text: str


@dataclass(frozen=True)
class Mark:
    """A mark under the drawing: its text and its place [%]."""

    text: str
    left: float


@dataclass(frozen=True)
class Ribbon:
    """One signal: a path for each shade from 0 (low) to `SHADES` - 1 (high) and the marks of
    readings far beyond the shades, in units of `WIDTH` by 24; and its least, middle and greatest
    value as text ("" for a signal without)."""

    name: str
    unit: str
    shades: tuple[str, ...]
    far: str
    low: str
    middle: str
    high: str
    known_pct: float


@dataclass(frozen=True)
class Along:
    """The drawing: speed up to `top_kmh` as paths by what is known, stretches let in, ribbons."""

    known: str
    in_part: str
    range: str
    top_kmh: str
    lets: tuple[Let, ...]
    marks: tuple[Mark, ...]
    ribbons: tuple[Ribbon, ...]
    words: str


def along(
    samples: pd.DataFrame,
    needed: tuple[str, ...] = ("speed_kmh",),
    accessory: Floats | None = None,
) -> Along:
    """Draw one run.

    Parameters
    ----------
    samples : DataFrame
        `roadlog.quantities.tables.SAMPLES` with its signals.
    needed : tuple of str
        The signals without which a stretch can't be used.
    accessory : array, optional
        At each sample 1 where an accessory looks on, 0 where off, NaN where it can't be told.
    """
    kind = _kinds(samples)
    starts = np.flatnonzero(np.diff(kind, prepend=-1))
    ends = np.append(starts[1:], len(kind))
    km = _km(samples, kind)
    edges = _edges(samples, kind, km, starts, ends)
    across = _across(samples, kind, edges)
    known = np.ones(len(samples), bool)
    for name in needed:
        known &= _values(samples, name)[1]
    speed, there = _values(samples, "speed_kmh")
    top = max(float(np.max(speed[there], initial=0.0)), 10.0)
    return Along(
        *_silhouette(across, speed, there, known, top),
        top_kmh=in_figures(top, "km/h"),
        lets=_lets(samples, kind, edges, starts, ends),
        marks=_marks(km, edges),
        ribbons=tuple(
            _ribbon(across, samples, name)
            for name in _RIBBONS
            if name in samples and samples[name].notna().any()
        )
        + (() if accessory is None else (_state_ribbon(across, samples, accessory),)),
        words=_words(samples, kind, km, starts, ends),
    )


@dataclass(frozen=True)
class _Across:
    """Cells across the drawing: their edges [0, 1], and the samples that each one covers."""

    edges: Floats
    first: Ints
    last: Ints
    gap: NDArray[np.bool_]


def _values(samples: pd.DataFrame, name: str) -> tuple[Floats, NDArray[np.bool_]]:
    if name not in samples:
        return np.full(len(samples), np.nan), np.zeros(len(samples), bool)
    v = samples[name].to_numpy(np.float64)
    return v, np.isfinite(v)


def _kinds(samples: pd.DataFrame) -> Ints:
    """Which of `_KINDS` each sample belongs to."""
    speed, there = _values(samples, "speed_kmh")
    kind = np.where(there, np.where(speed < STANDING_KMH, 1, 0), 2)
    kind[samples["dt_s"].to_numpy(np.float64) == 0] = 3
    return kind.astype(np.int64)


def _km(samples: pd.DataFrame, kind: Ints) -> Floats:
    """Distance driven in each sample [km]."""
    speed, _ = _values(samples, "speed_kmh")
    hours: Floats = samples["dt_s"].to_numpy(np.float64) / 3600
    return np.asarray(np.where(kind == 0, speed, 0.0) * hours, np.float64)


def _seconds(samples: pd.DataFrame) -> Floats:
    """Time that each sample stands for on the clock [s], inside gaps too."""
    t, dt = (samples[c].to_numpy(np.float64) for c in ("t_s", "dt_s"))
    return np.where(dt > 0, dt, np.diff(t, append=t[-1]))


def _edges(samples: pd.DataFrame, kind: Ints, km: Floats, starts: Ints, ends: Ints) -> Floats:
    """Place of each sample's beginning, and of the last one's end, across the drawing [0, 1]."""
    seconds = _seconds(samples)
    room = np.where(kind == 0, km, ROOM_KM_PER_MIN * seconds / 60)
    most = _MOST_ROOM * km.sum()
    for a, b in zip(starts, ends, strict=True):
        if kind[a] != 0 and 0 < most < room[a:b].sum():
            room[a:b] *= most / room[a:b].sum()
    edges = np.concatenate([[0.0], np.cumsum(room)])
    if edges[-1] == 0:
        return np.linspace(0, 1, len(room) + 1)
    parts: Floats = edges / edges[-1]
    return parts


def _across(samples: pd.DataFrame, kind: Ints, edges: Floats) -> _Across:
    """Even cells, each with every sample that reaches into it."""
    cells = np.linspace(0, 1, CELLS + 1)
    first = np.searchsorted(edges[1:], cells[:-1] + 1e-12, side="right")
    last = np.searchsorted(edges[:-1], cells[1:] - 1e-12, side="left")
    first = np.minimum(first, len(samples) - 1)
    last = np.maximum(last, first + 1)
    gap = np.array([bool((kind[a:b] == 3).all()) for a, b in zip(first, last, strict=True)])
    return _Across(cells, first.astype(np.int64), last.astype(np.int64), gap)


def _by_cell(across: _Across, v: Floats, there: NDArray[np.bool_]) -> tuple[Floats, ...]:
    """Mean, least and greatest known value of each cell (NaN if none), and the share known."""
    count = np.concatenate([[0], np.cumsum(there)])
    total = np.concatenate([[0.0], np.cumsum(np.where(there, v, 0.0))])
    n = count[across.last] - count[across.first]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(n > 0, (total[across.last] - total[across.first]) / n, np.nan)
    spans = list(zip(across.first, across.last, strict=True))
    least = np.array([np.min(v[a:b], where=there[a:b], initial=np.inf) for a, b in spans])
    most = np.array([np.max(v[a:b], where=there[a:b], initial=-np.inf) for a, b in spans])
    nothing = n == 0
    least[nothing], most[nothing] = np.nan, np.nan
    return mean, least, most, n / (across.last - across.first)


def _silhouette(
    across: _Across,
    speed: Floats,
    there: NDArray[np.bool_],
    known: NDArray[np.bool_],
    top: float,
) -> tuple[str, str, str]:
    """Speed where all that is needed is known, where it isn't, and its range within a cell."""
    _, least, most, _ = _by_cell(across, speed, there)
    share = _by_cell(across, np.ones(len(speed)), known)[3]
    drawn = np.isfinite(least)
    whole = drawn & (share > 0.5)
    paths = [
        _columns(across, chosen, least / top, np.zeros(CELLS), HEIGHT)
        for chosen in (whole, drawn & ~whole)
    ]
    return paths[0], paths[1], _columns(across, drawn, most / top, least / top, HEIGHT)


def _columns(
    across: _Across, chosen: NDArray[np.bool_], high: Floats, low: Floats, height: float
) -> str:
    """Columns from `low` to `high` [0, 1] in the chosen cells, equal neighbours as one."""
    y0, y1 = np.round(height * (1 - high), 1), np.round(height * (1 - low), 1)
    d, i = [], 0
    while i < len(chosen):
        if not chosen[i] or y0[i] == y1[i]:
            i += 1
            continue
        j = i + 1
        while j < len(chosen) and chosen[j] and y0[j] == y0[i] and y1[j] == y1[i]:
            j += 1
        a, b = WIDTH * across.edges[i], WIDTH * across.edges[j]
        d.append(f"M{a:.1f} {y1[i]:g}V{y0[i]:g}H{b:.1f}V{y1[i]:g}Z")
        i = j
    return "".join(d)


def _lets(
    samples: pd.DataFrame, kind: Ints, edges: Floats, starts: Ints, ends: Ints
) -> tuple[Let, ...]:
    seconds = _seconds(samples)
    out: list[Let] = []
    last = -np.inf
    for a, b in zip(starts, ends, strict=True):
        if kind[a] == 0:
            continue
        left, width = 100 * float(edges[a]), 100 * float(edges[b] - edges[a])
        time = float(seconds[a:b].sum())
        told = time >= _TOLD_S and left + width / 2 >= last + _APART
        last = left + width / 2 if told else last
        text = _time(time) if told else ""
        out.append(Let(_KINDS[kind[a]], round(left, 2), round(width, 2), text))
    return tuple(out)


def _marks(km: Floats, edges: Floats) -> tuple[Mark, ...]:
    driven = np.concatenate([[0.0], np.cumsum(km)])
    total = float(driven[-1])
    if total <= 0:
        return ()
    shown_km = amount(1.0, "km")
    step = mark_step_km(max(total, 0.5) * shown_km)
    shown = np.arange(0, total * shown_km + 1e-9, step)
    wanted = shown / shown_km
    at = np.minimum(np.searchsorted(driven, wanted - 1e-9), len(edges) - 1)
    before = np.maximum(at - 1, 0)
    rise = driven[at] - driven[before]
    part = np.divide(wanted - driven[before], rise, out=np.zeros(len(at)), where=rise > 0)
    place = edges[before] + part * (edges[at] - edges[before])
    return tuple(
        Mark(f"{k:g}", round(100 * float(p), 2)) for k, p in zip(shown, place, strict=True)
    )


def _ribbon(across: _Across, samples: pd.DataFrame, name: str) -> Ribbon:
    v, there = _values(samples, name)
    mean, _, _, share = _by_cell(across, v, there)
    low, high = (float(q) for q in np.nanquantile(mean, [0.03, 0.97]))
    still = high - low <= 1e-6 * max(1.0, abs(high))
    level = np.full(CELLS, 0.5) if still else (np.nan_to_num(mean) - low) / (high - low)
    shade = np.clip(level * SHADES, 0, SHADES - 1).astype(int)
    if name in _NO_VALUE:
        shade[:] = SHADES // 2
    tall = np.clip(np.ceil(4 * share) / 4, 0.0, 1.0)  # in quarters, so that neighbours join
    paths = tuple(
        _columns(across, np.isfinite(mean) & (shade == k), tall, np.zeros(CELLS), 24.0)
        for k in range(SHADES)
    )
    possible = SIGNALS[name].high - SIGNALS[name].low
    leaps = _leaps(v, there, low, high, _SMALL_STEP * possible)
    far = (
        ""
        if name in _NO_VALUE
        else "".join(
            f"M{WIDTH * (across.edges[i] + across.edges[i + 1]) / 2:.1f} 0V24"
            for i in range(CELLS)
            if leaps[across.first[i] : across.last[i]].any()
        )
    )
    unit = "" if name in _NO_VALUE else unit_symbol(SIGNALS[name].unit)
    digits = 0 if np.ptp(v[there]) >= 20 else 1 if np.ptp(v[there]) >= 2 else 2
    texts = ("", "", "")
    if name not in _NO_VALUE:
        of = [float(f(v[there])) for f in (np.min, np.median, np.max)]
        low_text, middle, high_text = (
            in_figures(x, unit, digits) if is_told(unit) else number(x, digits) for x in of
        )
        texts = (low_text, middle, high_text)
    dt = samples["dt_s"].to_numpy(np.float64)
    known = 100 * float(dt[there].sum() / dt.sum()) if dt.sum() > 0 else 0.0
    shown = symbol(unit) if is_told(unit) else unit
    return Ribbon(_RIBBONS[name], shown, paths, far, *texts, known_pct=known)


def _state_ribbon(across: _Across, samples: pd.DataFrame, state: Floats) -> Ribbon:
    """Off pale, on dark, thin where little of a cell is told."""
    there = np.isfinite(state)
    mean, _, _, share = _by_cell(across, np.nan_to_num(state), there)
    shade = np.clip(np.nan_to_num(mean) * SHADES, 0, SHADES - 1).astype(int)
    tall = np.clip(np.ceil(4 * share) / 4, 0.0, 1.0)
    paths = tuple(
        _columns(across, np.isfinite(mean) & (shade == k), tall, np.zeros(CELLS), 24.0)
        for k in range(SHADES)
    )
    dt = samples["dt_s"].to_numpy(np.float64)
    known = 100 * float(dt[there].sum() / dt.sum()) if dt.sum() > 0 else 0.0
    return Ribbon("accessory looks on", "", paths, "", "", "", "", known_pct=known)


def _leaps(
    v: Floats, there: NDArray[np.bool_], low: float, high: float, small_step: float
) -> NDArray[np.bool_]:
    """Readings that leap out of what is about them, far beyond the range of the shades.

    A signal that moves in small steps may leave its range by three of them without being marked.
    """
    known = v[there]
    moved = np.abs(np.diff(known))
    moved = moved[moved > 0]
    usual = min(3 * float(np.median(moved)), small_step) if len(moved) else 0.0
    span = _FAR * max(high - low, usual)
    about = pd.Series(known).rolling(_LEAP_SAMPLES, center=True, min_periods=1).median().to_numpy()
    out = np.zeros(len(v), bool)
    beyond = (known > high + span) | (known < low - span)
    out[there] = beyond & (np.abs(known - about) > span)
    return out


def _time(seconds: float) -> str:
    if seconds < 100:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def _words(samples: pd.DataFrame, kind: Ints, km: Floats, starts: Ints, ends: Ints) -> str:
    """What the drawing shows, in a sentence."""
    seconds = _seconds(samples)
    times = {
        k: [float(seconds[a:b].sum()) for a, b in zip(starts, ends, strict=True) if kind[a] == i]
        for i, k in enumerate(_KINDS)
    }
    stops = [s for s in times["stop"] if s >= 2.0]
    parts = [f"{km.sum():.1f} km"]
    for found, one, many in (
        (stops, "stop", "stops"),
        (times["blind"], "stretch without speed", "stretches without speed"),
        (times["gap"], "gap", "gaps"),
    ):
        if len(found) > 1:
            longest = _time(max(found))
            parts.append(f"{len(found)} {many} ({_time(sum(found))} in all, the longest {longest})")
        elif found:
            parts.append(f"1 {one} of {_time(found[0])}")
    if not stops:
        parts.append("no stop")
    return ", ".join(parts)
