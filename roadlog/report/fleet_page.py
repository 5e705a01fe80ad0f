"""fleet.html: a `FleetStudy` in, one self-contained page out, of bounded size for any fleet."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd
from markupsafe import Markup, escape

from roadlog.fleet.answer import FleetStudy
from roadlog.report.fleet_map import fleet_map
from roadlog.report.fleet_words import lines_of_effect
from roadlog.report.templating import NO_NETWORK, raw, render
from roadlog.stats.interval import Interval
from roadlog.wording.numbers import ends_of, signed
from roadlog.wording.screen import typeset
from roadlog.wording.units import in_own_units

_Scale = Callable[[float], float]

MOST_ROWS = 1500  # of a table: what is more stands in the CSV file beside the page
PLOT_WIDTH, PLOT_HEIGHT, PLOT_LEFT = 1000.0, 360.0, 46.0
NAMED_UP_TO = 40  # vehicles, with their names under the plot


@dataclass(frozen=True)
class Reason:
    """One reason for leaving out: how many it cost, and the first few of them."""

    why: str
    n: int
    examples: tuple[str, ...]


@in_own_units
def fleet_page(found: FleetStudy) -> str:
    """The whole page."""
    records = found.tables.compared
    drawn = fleet_map((r.vehicle, r.segments) for r in records)
    vehicles = found.result.vehicles.sort_values("estimate", kind="stable", ignore_index=True)
    warnings = [str(w.message) for w in found.result.warnings]
    own = [f"{r.vehicle}: {w}" for r in records for w in r.warnings]
    return render(
        "fleet.html",
        study=found.study,
        policy=NO_NETWORK,
        base_css=raw("base.css"),
        fleet_css=raw("fleet.css"),
        word=found.result.finding.word,
        claim="" if found.study.claim is None else found.study.claim.words,
        lines=lines_of_effect(found),
        reasons=found.result.finding.reasons,
        rows=[r for r in found.result.rows() if math.isfinite(r.interval.estimate)],
        plot=vehicles_plot(found, vehicles),
        vehicles=vehicles.head(MOST_ROWS).to_dict("records"),
        more_vehicles=max(0, len(vehicles) - MOST_ROWS),
        reasons_out=reasons(found.left_out),
        left_out=found.left_out.head(MOST_ROWS).to_dict("records"),
        n_left_out=len(found.left_out),
        map=drawn,
        warnings=[*warnings, *own[:MOST_ROWS]],
        runs=sum(r.n_used for r in records),
        km=sum(r.km for r in records),
        n=len(records),
        result=found.result,
    )


def reasons(left_out: pd.DataFrame) -> list[Reason]:
    """Why something was left out, the commonest reason first."""
    found = []
    for _, rows in left_out.groupby("code", sort=True):
        told = [
            f"{v}: {w}" if w else str(v) for v, w in zip(rows["vehicle"], rows["what"], strict=True)
        ]
        first = str(rows["why"].iloc[0])
        found.append(Reason(first, len(rows), tuple(told[:5])))
    return sorted(found, key=lambda r: (-r.n, r.why))


def vehicles_plot(found: FleetStudy, vehicles: pd.DataFrame) -> Markup:
    """Each vehicle's own effect with its bounds, in order of size; the fleet's mean behind."""
    rows = vehicles[vehicles["estimate"].notna()]
    if not len(rows):
        return Markup("")
    claim = found.study.claim
    claimed = None if claim is None else claim.fuel_use_change_pct
    low, high = _span(found, rows, claimed)
    per = (PLOT_WIDTH - PLOT_LEFT) / len(rows)

    def y(value: float) -> float:
        inside = min(max(value, low), high)
        return PLOT_HEIGHT * (high - inside) / (high - low)

    bars, dots = [], []
    for i, (estimate, a, b) in enumerate(
        zip(rows["estimate"], rows["low"], rows["high"], strict=True)
    ):
        x = PLOT_LEFT + (i + 0.5) * per
        bars.append(f"M{x:.1f} {y(a):.1f}V{y(b):.1f}")
        dots.append(
            f"M{x - min(3.0, per / 2.5):.1f} {y(estimate):.1f}h{2 * min(3.0, per / 2.5):.1f}"
        )
    width = max(0.6, min(3.0, per / 2))
    effect, following = found.result.effect, found.result.next_vehicle
    parts = [_band(following, y, "next"), _band(effect, y, "mean"), _line(0.0, y, "zero", "0")]
    if claimed is not None:
        parts.append(_line(claimed, y, "claim", f"claim {signed(claimed)} %"))
    parts += [_tick(t, y) for t in _ticks(low, high)]
    parts.append(f'<path class="bars" stroke-width="{width:.1f}" d="{"".join(bars)}"/>')
    parts.append(f'<path class="dots" stroke-width="{max(1.5, width):.1f}" d="{"".join(dots)}"/>')
    words = (
        f"{len(rows)} vehicles in order of their own effect, from {signed(rows['estimate'].min())} "
        f"to {signed(rows['estimate'].max())} %; the fleet's mean is {signed(effect.estimate)} %"
    )
    return Markup(
        f'<svg class="vehicles-plot" viewBox="0 0 {PLOT_WIDTH:.0f} {PLOT_HEIGHT:.0f}" role="img" '
        f'aria-label="{escape(typeset(words))}">{"".join(p for p in parts if p)}</svg>'
    )


def _span(found: FleetStudy, rows: pd.DataFrame, claimed: float | None) -> tuple[float, float]:
    ends = [*rows["low"].dropna().tolist(), *rows["high"].dropna().tolist()]
    ends += rows["estimate"].tolist()
    ends += [e for i in (found.result.next_vehicle, found.result.effect)
             if i is not None and (both := ends_of(i)) for e in both]  # fmt: skip
    ends += [0.0] if claimed is None else [0.0, claimed]
    low, high = min(ends), max(ends)
    room = 0.05 * max(high - low, 0.5)
    return low - room, high + room


def _ticks(low: float, high: float) -> list[float]:
    step = next(
        (s * 10.0**k for k in range(-1, 4) for s in (1, 2, 5) if (high - low) / (s * 10.0**k) <= 8),
        1000.0,
    )
    return [step * i for i in range(math.ceil(low / step), math.floor(high / step) + 1) if i]


def _tick(value: float, y: _Scale) -> str:
    text = escape(typeset(f"{value:+g}"))
    return f'<text x="{PLOT_LEFT - 8:.0f}" y="{y(value) + 4:.1f}" text-anchor="end">{text}</text>'


def _line(value: float, y: _Scale, name: str, text: str) -> str:
    label = escape(typeset(text))
    return (
        f'<path class="{name}" d="M{PLOT_LEFT} {y(value):.1f}H{PLOT_WIDTH}"/>'
        f'<text x="{PLOT_LEFT - 8 if name == "zero" else PLOT_LEFT + 4:.0f}" '
        f'y="{y(value) + (4 if name == "zero" else -4):.1f}" '
        f'text-anchor="{"end" if name == "zero" else "start"}" class="{name}-text">{label}</text>'
    )


def _band(interval: Interval | None, y: _Scale, name: str) -> str:
    ends = None if interval is None else ends_of(interval)
    if ends is None:
        return ""
    top, bottom = y(ends[1]), y(ends[0])
    return (
        f'<rect class="{name}" x="{PLOT_LEFT}" y="{top:.1f}" width="{PLOT_WIDTH - PLOT_LEFT:.0f}" '
        f'height="{max(1.0, bottom - top):.1f}"/>'
    )
