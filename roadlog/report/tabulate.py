"""Tables for the page: frames of a finished analysis in, headings and rows of text out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from roadlog.analysis.result import Analysed
from roadlog.passes.road_use import RoadUse
from roadlog.wording.alike import alike
from roadlog.wording.numbers import number, signed
from roadlog.wording.screen import typeset
from roadlog.wording.units import METRIC, Metric, amount, choice, in_figures, symbol

HEADINGS = {
    "name": "",
    "term": "term",
    "what": "",
    "sd_pct": "standard deviation, %",
    "se": "standard error",
    "df": "degrees of freedom",
    "low": "low, 95 %",
    "high": "high, 95 %",
    "change_pct": "change, %",
    "correlation": "correlation with the arm",
    "expected_error_pct": "expected error, %",
    "expected_error": "expected error",
    "unshared_error_pct": "of it between switch units, %",
    "logged_pct": "logged, % of distance",
    "litres": "filled, L at 15 °C",
    "odometer_km": "odometer, km",
    "computed_baseline_l": "computed in baseline, L",
    "computed_fitted_l": "computed in fitted, L",
    "weighed_kg": "weighed, kg",
    "computed_kg": "computed, kg",
    "reason": "why not used",
    "tells": "what it can tell",
    "clue": "what",
    "flagged": "more than chance",
    "baseline_l_per_100km": "baseline, L/100 km",
    "fitted_l_per_100km": "fitted, L/100 km",
    "length_m": "length, m",
}
PER_KM = "s/km"
TERMS = {
    "demand_kj_per_km": "demand",
    "mean_speed_kmh": "mean speed",
    "idle_s_per_km": "idling",
    "cold_share": "share of cold time",
    "coolant_start_c": "coolant at start",
    "since_start_s": "time since start",
    "warmup_deficit_c": "warm-up",
    "ambient_c": "ambient temperature",
    "pressure_kpa": "air pressure",
    "air_density_kg_m3": "air density",
    "headwind_m_s": "headwind",
    "supply_voltage_v": "supply voltage",
}
_SIGNED = frozenset({"change_pct", "correlation", "difference"})


@dataclass(frozen=True)
class Table:
    """Headings, which columns are numbers, and rows of text ready to be escaped."""

    headings: tuple[str, ...]
    numeric: tuple[bool, ...]
    rows: tuple[tuple[str, ...], ...]


def table(
    frame: pd.DataFrame, *, digits: int | None = 2, with_sign: frozenset[str] = _SIGNED
) -> Table:
    """Any small frame as a table.

    Parameters
    ----------
    frame : DataFrame
        Empty columns are dropped, a named index becomes a column.
    digits : int or None
        Decimals of numbers; None for three significant figures.
    with_sign : set of str
        Columns of changes, told with their sign.
    """
    if not isinstance(frame.index, pd.RangeIndex):
        frame = frame.rename_axis(str(frame.index.name or "name")).reset_index()
    frame = _in_readers_units(frame)
    kept = [c for c in frame.columns if not _blank(frame[c])]
    numeric = tuple(
        pd.api.types.is_numeric_dtype(frame[c]) and not pd.api.types.is_bool_dtype(frame[c])
        for c in kept
    )
    rows = tuple(
        tuple(_cell(row[c], None if c == "p" else digits, sign=str(c) in with_sign) for c in kept)
        for row in frame.to_dict("records")
    )
    return Table(tuple(_heading(str(c)) for c in kept), numeric, rows)


def term_name(term: str) -> str:
    """A model term in words.

    >>> term_name("demand_kj_per_km"), term_name("note_payload_kg")
    ('demand', 'payload kg (from notes)')
    """
    if term.startswith("note_"):
        return f"{term.removeprefix('note_').replace('_', ' ')} (from notes)"
    return TERMS.get(term, term.replace("_", " "))


def _blank(column: pd.Series) -> bool:
    return bool(column.isna().all() or (column.astype(str) == "").all())


def _heading(name: str) -> str:
    words = HEADINGS.get(name, name.replace("_pct", ", %").replace("_", " "))
    unit = _unit_of(name)
    return words if unit is None else words.replace(f", {unit}", f", {symbol(unit)}")


def _unit_of(column: str) -> Metric | None:
    """The metric unit of a column that a reader may be told in another one."""
    ends: dict[str, Metric] = {
        "_l_per_100km": "L/100 km", "_km": "km", "_l": "L", "litres": "L", "_kg": "kg",
    }  # fmt: skip
    if column not in HEADINGS:
        return None
    return next((unit for end, unit in ends.items() if column.endswith(end)), None)


def _in_readers_units(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with the columns that `HEADINGS` gives a metric unit in the reader's units."""
    if choice() == METRIC:
        return frame
    out = frame.copy()
    for column in map(str, frame.columns):
        unit = _unit_of(column)
        if unit is not None:
            out[column] = [amount(float(v), unit) for v in frame[column]]
    if "unit" in out and (out["unit"] == PER_KM).any():
        rows = out["unit"] == PER_KM
        for column in out.columns.intersection(["change", "difference", "low", "high", "sd"]):
            out.loc[rows, column] = out.loc[rows, column] / amount(1.0, "km")
        out.loc[rows, "unit"] = f"s/{symbol('km')}"
    return out


def _cell(value: Any, digits: int | None, *, sign: bool) -> str:
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, int | np.integer):
        return str(value)
    if isinstance(value, float | np.floating):
        return _figure(float(value), digits, sign=sign)
    return "" if value is None or value is pd.NaT else str(value)


def _figure(value: float, digits: int | None, *, sign: bool) -> str:
    if not np.isfinite(value):
        return "–"
    if digits is None:
        return typeset(f"{value:.3g}")
    return typeset(signed(value, digits) if sign else number(value, digits))


def run_table(analysed: Analysed) -> Table:
    """One row a run: when, which arm, how far, how much, and whether it counted."""
    runs = analysed.runs
    headings = (
        "run", "log", "arm", "start", "switch unit",
        symbol("km"), symbol("L"), symbol("L/100 km"), "used",
    )  # fmt: skip
    rows = []
    for r in runs.to_dict("records"):
        km, fuel = float(r["km"]), float(r["fuel_l"])
        use = 100 * fuel / km if km > 0 else float("nan")
        rows.append(
            (
                str(r["run"]),
                str(r["file"]),
                analysed.study.label(str(r["arm"])),
                when(r["start"]),
                str(r["switch_unit"]),
                in_figures(km, "km", 1),
                in_figures(fuel, "L", 2),
                in_figures(use, "L/100 km", 2),
                "yes" if r["used"] else f"no: {r['reason']}",
            )
        )
    numeric = (True, False, False, False, False, True, True, True, False)
    return Table(headings, numeric, tuple(rows))


def road_table(analysed: Analysed, use: RoadUse) -> Table:
    """Kilometres driven, placed on shared road and used by each arm, then what took the rest."""
    causes = list(dict.fromkeys(cause for mine in use.arms.values() for cause, _ in mine.lost))
    rows = [
        (name, *(in_figures(getattr(mine, key), "km", 1) for mine in use.arms.values()))
        for name, key in (
            ("driven", "driven_km"),
            ("placed on shared road", "placed_km"),
            ("used", "used_km"),
        )
    ]
    rows += [
        (
            f"lost: {cause}",
            *(in_figures(dict(mine.lost).get(cause, 0.0), "km", 1) for mine in use.arms.values()),
        )
        for cause in causes
    ]
    shares = (f"{100 * mine.share:.0f}" for mine in use.arms.values())
    rows.append(("used, % of what could be", *shares))
    headings = (symbol("km"), *(analysed.study.label(arm) for arm in use.arms))
    return Table(headings, (False, *[True] * len(use.arms)), tuple(rows))


def segment_table(analysed: Analysed) -> Table:
    """One row a segment: its change with interval and how often each arm drove it."""
    frame = analysed.effect.segment_effects
    lengths: Mapping[str, float] = {s.id: s.length_m / 1000 for s in analysed.network.segments}
    label = analysed.study.label
    headings = (
        "segment", symbol("km"), f"passes, {label('baseline')}", f"passes, {label('fitted')}",
        "change, %", "low, 95 %", "high, 95 %",
    )  # fmt: skip
    rows = tuple(
        (
            str(r["segment"]),
            in_figures(lengths.get(str(r["segment"])), "km", 2),
            str(r["passes_baseline"]),
            str(r["passes_fitted"]),
            *(_figure(float(r[k]), 1, sign=True) for k in ("change_pct", "low", "high")),
        )
        for r in frame.to_dict("records")
    )
    return Table(headings, (False, *[True] * 6), rows)


def reason_counts(frame: pd.DataFrame) -> list[tuple[str, int]]:
    """Why rows were set aside and how many for each reason, most first.

    Reasons that differ in one number only are told together, with that number's range.
    """
    reasons = frame.loc[~frame["used"].astype(bool), "reason"]
    return [(told, int(n)) for told, n in alike(reasons.tolist())]


def excluded_passes(analysed: Analysed, most: int) -> Table:
    """Passes set aside one by one, the first `most` of them (the rest is in passes.csv)."""
    passes = analysed.passes
    left_out = passes[~passes["used"].astype(bool)].head(most)
    rows = tuple(
        (str(r["run"]), str(r["segment"]), when(r["start"]), str(r["reason"]))
        for r in left_out.to_dict("records")
    )
    return Table(("run", "segment", "start", "why"), (True, False, False, False), rows)


def hashes(runs: pd.DataFrame) -> list[tuple[str, str]]:
    """(log, SHA-256) of every log, empty if the hashes weren't taken."""
    if "sha256" not in runs.columns:
        return []
    pairs: Sequence[tuple[Any, Any]] = list(zip(runs["file"], runs["sha256"], strict=True))
    return [(str(f), str(h)) for f, h in dict.fromkeys(pairs)]


def when(value: Any) -> str:
    """A date and time to the minute, '–' where the log had none."""
    return "–" if pd.isna(value) else f"{value:%Y-%m-%d %H:%M}"
