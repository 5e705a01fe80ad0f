"""Every vehicle's own change drawn against zero, the claim and the fleet: a table in, SVG out.

Up to `NAMED_UP_TO` vehicles each have a line of their own with a name; more are drawn side by side
without names, each telling its own when pointed at. Words stand beside the drawings as text of the
page, so that they can be read on a phone.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pandas as pd
from markupsafe import Markup, escape

from roadlog.fleet.answer import FleetStudy
from roadlog.stats.interval import Interval
from roadlog.wording.numbers import ends_of, signed
from roadlog.wording.screen import one_line, typeset

NAMED_UP_TO = 40
TOLD_UP_TO = 1500  # vehicles that tell their name when pointed at
WIDTH, HEIGHT, ROW = 1000.0, 300.0, 24.0

_At = Callable[[float], float]
_Bands = list[tuple[str, Interval | None]]


@dataclass(frozen=True)
class Row:
    """One vehicle: its name, its range in words, and the drawing of it."""

    name: str
    range: str
    drawing: Markup


@dataclass(frozen=True)
class Mark:
    """A word at a place of the scale, from 0 to 100 % of it; `kind` is its colour."""

    at: float
    text: str
    kind: str


@dataclass(frozen=True)
class Plot:
    """The drawing: rows with names, or one `drawing` of all; `marks` stand along its scale."""

    rows: tuple[Row, ...]
    drawing: Markup | None
    marks: tuple[Mark, ...]
    count: int
    claim: str
    following: bool


def vehicles_plot(found: FleetStudy) -> Plot | None:
    """Each vehicle's own range, lowest first; None where no vehicle has one."""
    every = found.result.vehicles
    rows = every[every[["estimate", "low", "high"]].notna().all(axis=1)]
    if not len(rows):
        return None
    rows = rows.sort_values(["estimate", "vehicle"], kind="stable", ignore_index=True)
    claim = found.study.claim
    claimed = None if claim is None else claim.fuel_use_change_pct
    low, high = _span(found, rows, claimed)

    def share(value: float) -> float:
        return min(max((value - low) / (high - low), 0.0), 1.0)

    named = len(rows) <= NAMED_UP_TO
    marks = [Mark(100 * share(t), signed(t, 0 if t == int(t) else 1), "tick")
             for t in _ticks(low, high)]  # fmt: skip
    marks = [Mark(m.at, "0" if m.text.strip("+-−") == "0" else m.text, m.kind) for m in marks]
    bands = [("next", found.result.next_vehicle), ("mean", found.result.effect)]
    return Plot(
        rows=tuple(_row(v, share, claimed, bands) for v in rows.itertuples()) if named else (),
        drawing=None if named else _all(rows, share, claimed, bands),
        marks=tuple(marks),
        count=len(rows),
        claim="" if claimed is None else f"{signed(claimed)} %",
        following=found.result.next_vehicle is not None,
    )


def _row(v: Any, share: _At, claimed: float | None, bands: _Bands) -> Row:
    name, low, high, middle = (getattr(v, k) for k in ("vehicle", "low", "high", "estimate"))
    y = ROW / 2
    parts = [_band(kind, i, share) for kind, i in bands]
    parts += _lines(share, claimed)
    a, b, m = (WIDTH * share(e) for e in (low, high, middle))
    parts.append(
        f'<path class="bars" d="M{a:.1f} {y:g}H{max(b, a + 2):.1f}"/>'
        f'<path class="dots" d="M{m:.1f} {y - 5:g}V{y + 5:g}"/>'
    )
    said = f"{signed(low)} to {signed(high)} %"
    drawing = Markup(
        f'<svg viewBox="0 0 {WIDTH:g} {ROW:g}" preserveAspectRatio="none" aria-hidden="true">'
        f"{''.join(parts)}</svg>"
    )
    apart = " (stands apart)" if getattr(v, "outlying", False) else ""
    return Row(f"{one_line(str(name))}{apart}", said, drawing)


def _all(rows: pd.DataFrame, share: _At, claimed: float | None, bands: _Bands) -> Markup:
    """All vehicles side by side, the lowest at the left, more fuel upwards."""
    per = WIDTH / len(rows)
    thick = max(0.5, min(4.0, 0.6 * per))

    def y(value: float) -> float:
        return HEIGHT * (1 - share(value))

    parts = []
    for kind, interval in bands:
        ends = None if interval is None else ends_of(interval)
        if ends is not None:
            top, bottom = y(ends[1]), y(ends[0])
            parts.append(f'<rect class="{kind}" x="0" y="{top:.1f}" width="{WIDTH:g}" '
                         f'height="{max(1.0, bottom - top):.1f}"/>')  # fmt: skip
    parts.append(f'<path class="zero" d="M0 {y(0.0):.1f}H{WIDTH:g}"/>')
    if claimed is not None:
        parts.append(f'<path class="claim" d="M0 {y(claimed):.1f}H{WIDTH:g}"/>')
    lines = []
    for i, v in enumerate(rows.itertuples()):
        x, low, high = (i + 0.5) * per, float(str(v.low)), float(str(v.high))
        line = f"M{x:.1f} {y(low):.1f}V{y(high):.1f}"
        if len(rows) <= TOLD_UP_TO:
            said = typeset(f"{one_line(str(v.vehicle))}: {signed(low)} to {signed(high)} %")
            lines.append(f'<path d="{line}"><title>{escape(said)}</title></path>')
        else:
            lines.append(line)
    if len(rows) > TOLD_UP_TO:
        lines = [f'<path d="{"".join(lines)}"/>']
    parts.append(f'<g class="bars" style="stroke-width:{thick:.1f}px">{"".join(lines)}</g>')
    words = (
        f"{len(rows)} vehicles in order of their own change of fuel use; the lowest one's range "
        f"begins at {signed(rows['low'].iloc[0])} %, the highest one's ends at "
        f"{signed(rows['high'].iloc[-1])} %"
    )
    return Markup(
        f'<svg viewBox="0 0 {WIDTH:g} {HEIGHT:g}" preserveAspectRatio="none" role="img" '
        f'aria-label="{escape(typeset(words))}">{"".join(parts)}</svg>'
    )


def _lines(share: _At, claimed: float | None) -> list[str]:
    found = [f'<path class="zero" d="M{WIDTH * share(0.0):.1f} 0V{ROW:g}"/>']
    if claimed is not None:
        found.append(f'<path class="claim" d="M{WIDTH * share(claimed):.1f} 0V{ROW:g}"/>')
    return found


def _band(kind: str, interval: Interval | None, share: _At) -> str:
    ends = None if interval is None else ends_of(interval)
    if ends is None:
        return ""
    left, right = (WIDTH * share(e) for e in ends)
    return (
        f'<rect class="{kind}" x="{left:.1f}" y="0" width="{max(2.0, right - left):.1f}" '
        f'height="{ROW:g}"/>'
    )


def _span(found: FleetStudy, rows: pd.DataFrame, claimed: float | None) -> tuple[float, float]:
    ends = [*rows["low"].tolist(), *rows["high"].tolist()]
    ends += [e for i in (found.result.next_vehicle, found.result.effect)
             if i is not None and (both := ends_of(i)) for e in both]  # fmt: skip
    ends += [0.0] if claimed is None else [0.0, claimed]
    low, high = min(ends), max(ends)
    room = 0.05 * max(high - low, 0.5)
    return low - room, high + room


def _ticks(low: float, high: float) -> list[float]:
    step = next(
        (s * 10.0**k for k in range(-1, 4) for s in (1, 2, 5) if (high - low) / (s * 10.0**k) <= 6),
        1000.0,
    )
    return [step * i for i in range(math.ceil(low / step), math.floor(high / step) + 1)]
