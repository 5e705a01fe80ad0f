"""The control car in reports: an `Analysed` in; its part of results.json, words and tables out."""

from collections.abc import Hashable
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from roadlog.analysis.result import Analysed, BesideControl
from roadlog.effect.ratio_test import RatioSegment, RatioTest
from roadlog.stats.interval import Interval

_RUNS = ("file", "day", "start", "used", "reason", "km", "fuel_l")


def control_json(a: Analysed) -> dict[str, Any] | None:
    """What results.json holds of the control car; None where none is declared."""
    c = a.control
    if c is None:
        return None
    d = c.difference
    return {
        "name": c.name,
        "used": c.used,
        "why_not": c.why_not or None,
        "design": None if d is None else d.design,
        "test_alone_pct": None if d is None else _bounds(d.test_alone),
        "control_alone_pct": None if d is None else _bounds(d.control_alone),
        "drift_pct": None if d is None or d.drift is None else _bounds(d.drift),
        "correlation": None if d is None else d.correlation,
        "half_width_to_alone": None if d is None else d.gain,
        "one_car_points": None if d is None else 100 * d.held.one_car,
        "vetoes": [str(v) for v in c.vetoes],
        "ratio_test": None if c.ratio is None else _ratio(c.ratio),
        "units": [] if d is None else _records(d.pairs),
        "pairs": _records(c.pairs),
        "runs": _control_runs(c),
    }


def _bounds(i: Interval) -> dict[str, float | None]:
    return {"estimate": i.estimate, "low": i.low, "high": i.high}


def _ratio(r: RatioTest) -> dict[str, Any]:
    return {
        "change_pct": r.change_pct,
        "change_all_pct": r.change_all_pct,
        "repeats": r.repeats,
        "measured": r.measured,
        "baseline": _segment(r.baseline),
        "fitted": _segment(r.fitted),
    }


def _segment(s: RatioSegment) -> dict[str, Any]:
    return {**asdict(s), "repeats": s.repeats}


def _records(frame: pd.DataFrame) -> list[dict[Hashable, Any]]:
    return frame.to_dict("records")


def _control_runs(c: BesideControl) -> list[dict[str, Any]]:
    if c.runs.empty:
        return []
    runs = c.runs.reindex(columns=list(_RUNS)).to_dict("records")
    return [{**{str(k): v for k, v in r.items()}, "reason": str(r["reason"]) or None} for r in runs]


def gap_in_words(c: BesideControl) -> str:
    """What the control car bought: the interval with it against that without it."""
    d = c.difference
    if d is None or not np.isfinite(d.gain):
        return ""
    share = 100 * abs(1 - d.gain)
    if share < 5:
        return "the interval is about as wide as the test car's alone"
    return f"the interval is {share:.0f} % {'narrower' if d.gain < 1 else 'wider'} than without it"
