"""Strip charts of one run: samples in, for each subject one strip of lines over time out.

Lines are thinned to their extremes per column, so that a spike stays visible and a page of a whole
study stays small. Gaps in the log are shaded, never bridged.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WIDTH, HEIGHT = 1000, 100
COLUMNS = 320
_STEPS_MIN = (1, 2, 5, 10, 15, 20, 30, 60, 120, 240, 480)
_PANELS: tuple[tuple[str, str, bool, tuple[tuple[str, str], ...]], ...] = (
    # subject, unit, does the scale start at nought?, signals with their word
    ("Speed", "km/h", True, (("speed_kmh", "wheels"), ("gps_speed_kmh", "GPS"))),
    ("Engine speed", "rpm", True, (("rpm", ""),)),
    ("Air flow", "g/s", True, (("maf_g_s", ""),)),
    ("Manifold pressure", "kPa", True, (("map_kpa", ""),)),
    ("Fuel rate", "L/h", True, (("fuel_rate_l_h", ""),)),
    ("Fuel rate", "g/s", True, (("fuel_rate_g_s", ""),)),
    ("Fuel trims", "%", True, (("stft1_pct", "short"), ("ltft1_pct", "long"))),
    ("Lambda", "", False, (("lambda_commanded", "commanded"), ("lambda_measured", "measured"))),
    (
        "Temperatures",
        "°C",
        False,
        (
            ("coolant_temp_c", "coolant"),
            ("intake_air_temp_c", "intake"),
            ("ambient_temp_c", "outside"),
        ),
    ),
    ("Supply voltage", "V", False, (("supply_voltage_v", ""),)),
    ("Altitude", "m", False, (("altitude_m", ""),)),
)


@dataclass(frozen=True)
class Line:
    """One signal's path, and the word and manner (0, 1, 2) that tell it apart."""

    word: str
    manner: int
    d: str


@dataclass(frozen=True)
class TimeStrip:
    """One subject: its lines and the values at the foot and the top of the strip."""

    subject: str
    unit: str
    lines: tuple[Line, ...]
    low: str
    high: str


@dataclass(frozen=True)
class Mark:
    """A mark under the strips: its text and its place [% of the width]."""

    text: str
    left: float


@dataclass(frozen=True)
class RunStrips:
    """All strips of one run, its gaps as (x, width) in units of the strip, and the time marks."""

    strips: tuple[TimeStrip, ...]
    gaps: tuple[tuple[float, float], ...]
    marks: tuple[Mark, ...]


def run_strips(samples: pd.DataFrame) -> RunStrips:
    """The strips of one run.

    Parameters
    ----------
    samples : DataFrame
        `roadlog.tables.SAMPLES` with its signals.
    """
    t = samples["t_s"].to_numpy(np.float64)
    span = float(t[-1] - t[0]) or 1.0
    x = (t - t[0]) / span * WIDTH
    strips = [_strip(samples, x, *panel) for panel in _PANELS]
    return RunStrips(
        tuple(s for s in strips if s is not None),
        _gaps(samples["dt_s"].to_numpy(np.float64), x),
        _marks(span),
    )


def _strip(
    samples: pd.DataFrame,
    x: Floats,
    subject: str,
    unit: str,
    from_nought: bool,
    signals: tuple[tuple[str, str], ...],
) -> TimeStrip | None:
    there = {
        word: samples[name].to_numpy(np.float64)
        for name, word in signals
        if name in samples and samples[name].notna().any()
    }
    if not there:
        return None
    every = np.concatenate(list(there.values()))
    low, high = float(np.nanmin(every)), float(np.nanmax(every))
    if from_nought:
        low, high = min(low, 0.0), max(high, 0.0)
    if high - low < 1e-9:
        low, high = low - 0.5, high + 0.5
    lines = [
        Line(word if len(there) > 1 else "", i, _path(x, v, low, high))
        for i, (word, v) in enumerate(there.items())
    ]
    digits = 0 if high - low >= 20 else 1 if high - low >= 2 else 2
    return TimeStrip(subject, unit, tuple(lines), f"{low:.{digits}f}", f"{high:.{digits}f}")


def _path(x: Floats, v: Floats, low: float, high: float) -> str:
    """Move and line commands through the least and greatest value of each column."""
    y = HEIGHT * (high - v) / (high - low)
    known = np.flatnonzero(np.isfinite(y))
    picked = known
    if len(known) > 2 * COLUMNS:
        column = np.minimum((x[known] / WIDTH * COLUMNS).astype(int), COLUMNS - 1)
        ordered = np.lexsort((y[known], column))
        starts = np.flatnonzero(np.diff(column[ordered], prepend=-1))
        ends = np.append(starts[1:], len(ordered)) - 1
        picked = known[np.unique(np.concatenate([ordered[starts], ordered[ends]]))]
    missing = np.cumsum(~np.isfinite(y))
    broken = np.diff(missing[picked], prepend=-1) > 0
    return "".join(
        f"{'M' if b else 'L'}{x[i]:.0f} {y[i]:.1f}" for i, b in zip(picked, broken, strict=True)
    )


def _gaps(dt: Floats, x: Floats) -> tuple[tuple[float, float], ...]:
    empty = dt == 0
    edges = np.flatnonzero(np.diff(np.concatenate([[False], empty, [False]]).astype(np.int8)))
    return tuple(
        (round(float(x[a]), 1), round(float(x[min(b, len(x) - 1)] - x[a]), 1))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    )


def _marks(span_s: float) -> tuple[Mark, ...]:
    step = next((s for s in _STEPS_MIN if span_s / 60 / s <= 8), _STEPS_MIN[-1])
    minutes = np.arange(0, span_s / 60 + 1e-9, step)
    return tuple(Mark(f"{m:g}", round(100 * m * 60 / span_s, 2)) for m in minutes)
