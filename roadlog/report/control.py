"""The control car in reports: an `Analysed` in; its part of results.json, words and tables out."""

from collections.abc import Hashable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from roadlog.analysis.result import Analysed, BesideControl
from roadlog.closure.two_cars_fuel import MeasuredRatio
from roadlog.effect.ratio_test import RatioSegment, RatioTest
from roadlog.effect.two_cars import Difference
from roadlog.report.tabulate import Table, table
from roadlog.stats.interval import Interval
from roadlog.wording.numbers import ends_of, percent, signed

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
        "test_alone_pct": None if d is None else _bounds(own_change(d)),
        "control_alone_pct": None if d is None else _bounds(d.control_alone),
        "drift_pct": None if d is None or d.drift is None else _bounds(d.drift),
        "correlation": None if d is None else d.correlation,
        "half_width_to_alone": None if d is None else d.gain,
        "one_car_points": None if d is None else 100 * d.held.one_car,
        "vetoes": [str(v) for v in c.vetoes],
        "ratio_test": None if c.ratio is None else _ratio(c.ratio),
        "measured_ratio": asdict(c.measured) if isinstance(c.measured, MeasuredRatio) else None,
        "units": [] if d is None else _records(d.pairs),
        "pairs": _records(c.pairs),
        "runs": _control_runs(c),
    }


def units_shown(a: Analysed) -> pd.DataFrame:
    """`EffectResult.unit_means` whose scatter makes the interval: beside a control car the test
    car's less the control car's, of the units that both drove."""
    means, c = a.effect.unit_means, a.control
    if c is None or c.difference is None or means.empty:
        return means
    apart = c.difference.pairs.set_index("unit")["difference_pct"]
    both = means[means["switch_unit"].astype(str).isin(apart.index)]
    return both.assign(adjusted_pct=both["switch_unit"].astype(str).map(apart))


def less_control(a: Analysed) -> str:
    """What `units_shown` has beside the test car's own fuel use; "" without a control car."""
    if a.control is None or a.control.difference is None:
        return ""
    return "test car less control car"


def own_change(d: Difference) -> Interval:
    """The test car's own change: without bounds where one or two changes give it none."""
    if d.design == "switched":
        return d.test_alone
    return Interval(d.test_alone.estimate, None, None)


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


@dataclass(frozen=True)
class ControlPart:
    """What the report says of the control car: sentences, and tables of its days and its drives."""

    name: str
    said: tuple[str, ...]
    units: Table | None
    pairs: Table | None
    runs: Table | None


def control_part(a: Analysed) -> ControlPart | None:
    """The control car's part of the report; None where none is declared."""
    c = a.control
    if c is None:
        return None
    return ControlPart(
        name=c.name,
        said=tuple(_said(c)),
        units=None if c.difference is None else table(c.difference.pairs),
        pairs=table(c.pairs, digits=3) if len(c.pairs) else None,
        runs=None if c.runs.empty else table(c.runs[list(_RUNS)].reset_index(drop=True)),
    )


def _said(c: BesideControl) -> list[str]:
    d = c.difference
    if d is None:
        return [
            f"It can't be used: {c.why_not}. The change is of the test car alone.",
        ]
    lines = [
        f"Between the arms the test car's fuel use changed by {_told(own_change(d))} and the "
        f"control car's, without an add-on, by {_told(d.control_alone)}. The change told here "
        "is the first less the second: what both cars met (weather, traffic, fuel from one pump) "
        "is out of it, what happened to one car alone (tyres, service, who drove) isn't.",
        _bought(d),
        _held(d),
    ]
    if c.ratio is not None:
        lines.append(_ratios(c.ratio))
    lines.append(_measured(c.measured))
    return [*(x for x in lines if x), *(f"{v[0].upper()}{v[1:]}." for v in map(str, c.vetoes))]


def _told(i: Interval) -> str:
    ends = ends_of(i)
    if ends is None:
        return f"{percent(i.estimate)} (no interval)"
    return f"{percent(i.estimate)} ({signed(ends[0])} to {signed(ends[1])})"


def _bought(d: Difference) -> str:
    if not (np.isfinite(d.gain) and np.isfinite(d.correlation)):
        return ""
    share = 100 * abs(1 - d.gain)
    word = "narrower" if d.gain < 1 else "wider"
    told = "about as wide as" if share < 5 else f"{share:.0f} % {word} than"
    return (
        f"The two cars' days went together by {d.correlation:.2f} (1 would be wholly), so the "
        f"interval is {told} that of the test car alone by the same method."
    )


def _held(d: Difference) -> str:
    if d.design == "one change":
        return (
            "The add-on came once: the interval allows for what changes slowly within the two "
            f"periods, and a firm word leaves {100 * d.held.one_car:.1f} points for what one car "
            "alone can do unseen at that moment (common practice, no source). That a claim holds "
            "can't be shown so."
        )
    if d.drift is not None:
        return (
            f"The second baseline lies {_told(d.drift)} from the first: the add-on is held against "
            "the mean of both, and a firm word leaves half of that difference for where between "
            "them the cars stood meanwhile."
        )
    return ""


def _measured(m: MeasuredRatio | str) -> str:
    if isinstance(m, str):
        return f"No cross-check by measured fuel: {m}." if m else ""
    pieces = [sum(p.pieces for p in car.values()) for car in (m.test, m.control)]
    thing, alone = ("tanks", "how well 'full' repeats") if m.kind == "filled" else (
        "cans", "the scale")  # fmt: skip
    left = f"; {m.left_out} that hold both arms are left out" if m.left_out else ""
    return (
        f"Cross-check by fuel {m.kind}, {pieces[0]} {thing} of the test car and {pieces[1]} of the "
        f"control car, the ratio of their fuel over distance: {percent(m.change_pct)} (give or "
        f"take {m.error_pct:.1f} points for {alone} alone), nothing adjusted{left}."
    )


def _ratios(r: RatioTest) -> str:
    each = [
        f"{s.pairs} pairs {name}, mean {s.mean:.3f}, {s.in_band} of them within 2 %, all within "
        f"{s.spread_pct:.1f} %"
        for name, s in (("without", r.baseline), ("with it", r.fitted))
    ]
    gate = (
        "They repeat"
        if r.repeats
        else "They don't repeat (three, and half of all, within 2 % of each other), so the figure "
        "is no test by that procedure"
    )
    return (
        f"Cross-check by the test-to-control ratio of SAE J1321 (1986; gate and formula from "
        f"memory), fuel {r.measured}, nothing adjusted: {percent(r.change_pct)}. {each[0]}; "
        f"{each[1]}. {gate}."
    )
