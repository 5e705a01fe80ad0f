"""The map: a finished analysis in, a page (or the parts of one) that opens without a network out.

What is drawn goes as data (`layers`) into a map that folium builds (`chart`) over Leaflet, which is
embedded (`leaflet`), and as a drawing that needs neither (`sketch`). Without positions the page
says so.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from roadlog.analysis.result import Analysed
from roadlog.effect.layout import without_fuel
from roadlog.quantities.arms import ARMS
from roadlog.quantities.arrays import Floats
from roadlog.report.chart import TILE_HOST, draw_chart
from roadlog.report.layers import Drawn, map_data, runs_without_line, width_px
from roadlog.report.leaflet import leaflet
from roadlog.report.legs import Leg, find_legs, road_length
from roadlog.report.sketch import aspect, sketch
from roadlog.report.strips import strips
from roadlog.report.templating import NO_NETWORK, raw, render
from roadlog.stats.interval import Interval
from roadlog.wording.colours import NO_DATA, ChangeScale, change_scale
from roadlog.wording.numbers import ends_of, number, signed
from roadlog.wording.screen import typeset
from roadlog.wording.units import in_own_units, use_both_ways

NO_FUEL = "a pass burned no fuel there, so that both arms leave it out"
FEW = "too few passes"


@dataclass(frozen=True)
class MapParts:
    """What a page needs to hold the map: style, elements, and scripts to run after them."""

    css: Markup
    html: Markup
    scripts: Markup


@in_own_units
def map_page(
    analysed: Analysed,
    *,
    tiles: bool = False,
    parts: MapParts | None = None,
    published: bool = False,
) -> str:
    """map.html: the map on a page of its own, or why there is none.

    Parameters
    ----------
    analysed : Analysed
    tiles : bool
        Fetch a background from OpenStreetMap's tile server when the page is opened.
    parts : MapParts, optional
        The map without tiles, if it has been drawn already.
    published : bool
        Whether `analysed` is of a study trimmed for the public.
    """
    reason = why_no_map(analysed)
    policy = NO_NETWORK.replace("img-src data:", f"img-src data: {TILE_HOST}")
    return render(
        "map.html",
        study=analysed.study.name,
        device=analysed.study.device.name,
        synthetic=analysed.study.synthetic,
        base_css=raw("base.css"),
        policy=policy if tiles else NO_NETWORK,
        tiles=tiles,
        published=published,
        why_none=reason,
        parts=None if reason else _drawn_or_new(analysed, parts, tiles=tiles),
    )


def _drawn_or_new(analysed: Analysed, parts: MapParts | None, *, tiles: bool) -> MapParts:
    return map_parts(analysed, tiles=tiles) if tiles or parts is None else parts


def why_no_map(analysed: Analysed) -> str | None:
    """Why these data give no map, in a sentence; None if they do."""
    if analysed.network.kind == "run":
        return (
            "The logs hold no positions (latitude and longitude), so whole runs were compared, "
            "not pieces of road; where drives share a route, same_route in [road] tells them apart."
        )
    if analysed.network.kind == "distance":
        return (
            "The logs hold no positions (latitude and longitude), so pieces of the route by the "
            "distance that the wheels turned were compared, and nobody can draw them."
        )
    if not any(np.isfinite(s.lat_deg).sum() > 1 for s in analysed.network.segments):
        return "No stretch of road was driven often enough in both arms to become a segment."
    return None


@in_own_units
def map_parts(analysed: Analysed, *, tiles: bool = False) -> MapParts:
    """The map to be put into a page, for data that `why_no_map` finds nothing against."""
    legs = find_legs(analysed.network)
    effects = analysed.effect.segment_effects
    scale = change_scale(effects["change_pct"].to_numpy(dtype=np.float64))
    drawn = _drawn(analysed, legs, scale)
    element, script = draw_chart(map_data(analysed, legs, drawn), tiles=tiles)
    most = max(d.passes for d in drawn.values())
    fewest = min(d.passes for d in drawn.values())
    heights = any(np.isfinite(s.elevation_m).any() for s in analysed.network.segments)
    parts = render(
        "map_parts.html",
        chart=Markup(element),
        sketch=sketch(legs, drawn),
        aspect=round(aspect(legs), 3),
        scale=scale,
        counts=_class_counts(scale, drawn),
        no_data=NO_DATA,
        grey=_grey_words(analysed, drawn),
        caution=typeset(scatter_words(effects, analysed.effect.primary.estimate)),
        widths=[{"px": round(width_px(n, most), 1), "passes": n} for n in sorted({fewest, most})],
        arms=[{"arm": arm, "label": analysed.study.label(arm), "runs": int(n)} for arm, n in
              ((arm, (analysed.runs["arm"] == arm).sum()) for arm in ARMS)],
        unshown=_unshown(analysed),
        heights=heights,
        strips=strips(legs, {k: (d.colour, d.hint) for k, d in drawn.items()}),
    )  # fmt: skip
    css, js = leaflet()
    script = f"{raw('map.js')}\n{raw('replay.js')}\n{script}"
    return MapParts(
        css=Markup(css) + raw("map.css"),
        html=Markup(parts),
        scripts=Markup(f"<script>{js}</script>\n<script>{script}</script>"),
    )


def scatter_words(effects: pd.DataFrame, whole_pct: float) -> str:
    """What the colours of single segments are worth, from their own ranges.

    Where every segment changed like the whole road, one range (95 %) in twenty leaves it out;
    more than chance gives, at the 5 % level of a binomial count, speak for the road.

    Parameters
    ----------
    effects : DataFrame
        `change_pct`, `low`, `high` of each segment.
    whole_pct : float [%]
        The whole road's change.
    """
    from scipy.special import bdtrc

    values = effects[["change_pct", "low", "high"]].to_numpy(dtype=np.float64)
    _, low, high = values[np.isfinite(values).all(axis=1)].T
    count = len(low)
    if count == 0:
        return "No segment alone has passes enough for a range."
    about_zero = int(((low <= 0) & (high >= 0)).sum())
    half = number(float(np.median(high - low)) / 2)
    first = f"The range of the change takes in zero on {about_zero} of {count} segments"
    if count < 3 or not np.isfinite(whole_pct):
        return f"{first}. One segment is no answer; the whole road is."
    out = int(((low > whole_pct) | (high < whole_pct)).sum())
    told = (
        f"{first}; on the middle one it reaches {half} points to either side. The whole road's "
        f"change, {signed(whole_pct)} %, lies outside it on {out}, where scatter alone would give "
        f"about {number(0.05 * count)}"
    )
    if out == 0 or bdtrc(out - 1, count, 0.05) > 0.05:
        return f"{told}. So the colours show no more than scatter: only the whole road answers."
    return (
        f"{told}. So some segments differ by more than scatter: the road, or what was driven "
        "there, has part in it. The answer is still the whole road's."
    )


def _drawn(analysed: Analysed, legs: Sequence[Leg], scale: ChangeScale) -> dict[str, Drawn]:
    used = analysed.passes[analysed.passes["used"].astype(bool)]
    barren = set(without_fuel(used))
    by_arm = used.groupby(["segment", "arm"], observed=True)
    counts = by_arm.size().to_dict()
    totals = by_arm[["fuel_ml", "distance_km"]].sum()
    litres = (totals["fuel_ml"] / totals["distance_km"] / 10).to_dict()
    effects = {str(r["segment"]): r for r in analysed.effect.segment_effects.to_dict("records")}
    found: dict[str, Drawn] = {}
    for leg in legs:
        for segment, start_km in zip(leg.segments, leg.starts_km, strict=True):
            effect = effects.get(segment.id, {})
            change = float(effect.get("change_pct", np.nan))
            words = _change_words(change, effect, NO_FUEL if segment.id in barren else FEW)
            end_km = start_km + segment.length_m / 1000
            facts = (
                ("where", f"leg {leg.number}, {road_length(start_km)} to {road_length(end_km)}"),
                ("mean grade", f"{signed(100 * _mean(segment.grade))} %"),
            )
            passes = {arm: int(counts.get((segment.id, arm), 0)) for arm in ARMS}
            found[segment.id] = Drawn(
                segment=segment,
                leg=leg.number - 1,
                at_km=start_km,
                colour=scale.colour(change),
                passes=sum(passes.values()),
                hint=typeset(f"{segment.id}: {words}"),
                title=f"Segment {segment.id}",
                change=typeset(words),
                facts=tuple((k, typeset(v)) for k, v in facts),
                use=tuple(
                    typeset(_use_words(litres.get((segment.id, arm), np.nan), passes[arm]))
                    for arm in ARMS
                ),
            )
    return found


def _mean(values: Floats) -> float:
    finite = values[np.isfinite(values)]
    return float(finite.mean()) if finite.size else float("nan")


def _class_counts(scale: ChangeScale, drawn: Mapping[str, Drawn]) -> list[int]:
    """How many segments have each colour of the scale."""
    colours = [d.colour for d in drawn.values()]
    return [colours.count(c) for c in scale.colours]


def _grey_words(analysed: Analysed, drawn: Mapping[str, Drawn]) -> str:
    """Why segments are grey, and how many for each reason."""
    grey = {name for name, d in drawn.items() if d.colour == NO_DATA}
    barren = grey & set(without_fuel(analysed.passes[analysed.passes["used"].astype(bool)]))
    counts = ((len(barren), NO_FUEL), (len(grey - barren), FEW))
    return "; ".join(f"{n} of {len(drawn)} segments, {why}" for n, why in counts if n)


def _unshown(analysed: Analysed) -> list[str]:
    """What the data hold and the map doesn't show, with its number."""
    without_line = runs_without_line(analysed)
    aside = int((~analysed.passes["used"].astype(bool)).sum())
    told = []
    if without_line:
        told.append(f"{without_line} of {len(analysed.runs)} runs have no positions and no line")
    if aside:
        told.append(f"{aside} of {len(analysed.passes)} passes were set aside and have no dot")
    return told


def _change_words(change: float, effect: Mapping[Any, Any], why_not: str) -> str:
    if not np.isfinite(change):
        return f"change not known ({why_not})"
    low, high = float(effect["low"]), float(effect["high"])
    known = np.isfinite(low) and np.isfinite(high)
    ends = ends_of(Interval(change, low if known else None, high if known else None))
    told = "no range" if ends is None else f"range {signed(ends[0])} to {signed(ends[1])} %"
    return f"{signed(change)} % fuel ({told})"


def _use_words(l_per_100km: float, passes: int) -> str:
    count = f"{passes} {'pass' if passes == 1 else 'passes'}"
    if not (np.isfinite(l_per_100km) and l_per_100km > 0):
        return count
    return f"{use_both_ways(l_per_100km)}, {count}"
