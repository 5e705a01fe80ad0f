"""The map: a finished analysis in, a page (or the parts of one) that opens without a network out.

Lines and layers are folium's (`layers`), Leaflet is embedded (`leaflet`), and nothing else that
folium would fetch is used. Without positions there is a page that says so.
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
from roadlog.quantities.units import mpg_us
from roadlog.report.layers import Drawn, draw_map, width_px
from roadlog.report.leaflet import leaflet
from roadlog.report.legs import Leg, find_legs
from roadlog.report.strips import strips
from roadlog.report.templating import NO_NETWORK, environment, raw, render
from roadlog.stats.interval import Interval
from roadlog.wording.colours import NO_DATA, ChangeScale, change_scale
from roadlog.wording.numbers import bounds, number, signed
from roadlog.wording.screen import typeset

NO_FUEL = "a pass burned no fuel there, so that both arms leave it out"
FEW = "too few passes"
TILE_HOST = "https://tile.openstreetmap.org"


@dataclass(frozen=True)
class MapParts:
    """What a page needs to hold the map: style, elements, and scripts to run after them."""

    css: Markup
    html: Markup
    scripts: Markup


def map_page(analysed: Analysed, *, tiles: bool = False, parts: MapParts | None = None) -> str:
    """map.html: the map on a page of its own, or why there is none.

    Parameters
    ----------
    analysed : Analysed
    tiles : bool
        Fetch a background from OpenStreetMap's tile server when the page is opened.
    parts : MapParts, optional
        The map without tiles, if it has been drawn already.
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


def map_parts(analysed: Analysed, *, tiles: bool = False) -> MapParts:
    """The map to be put into a page, for data that `why_no_map` finds nothing against."""
    legs = find_legs(analysed.network)
    effects = analysed.effect.segment_effects
    scale = change_scale(effects["change_pct"].to_numpy(dtype=np.float64))
    drawn = _drawn(analysed, legs, scale)
    body, script = draw_map(analysed, legs, drawn, tiles=tiles)
    most = max(d.passes for d in drawn.values())
    fewest = min(d.passes for d in drawn.values())
    heights = any(np.isfinite(s.elevation_m).any() for s in analysed.network.segments)
    parts = render(
        "map_parts.html",
        body=Markup(body),
        scale=scale,
        no_data=NO_DATA,
        grey=_grey_words(analysed, drawn),
        caution=typeset(_caution(effects)),
        widths=[{"px": round(width_px(n, most), 1), "passes": n} for n in sorted({fewest, most})],
        heights=heights,
        strips=strips(legs, {k: (d.colour, d.hint) for k, d in drawn.items()}),
    )
    css, js = leaflet()
    return MapParts(
        css=Markup(css) + raw("map.css"),
        html=Markup(parts),
        scripts=Markup(f"<script>{js}</script>\n<script>{raw('map.js')}\n{script}</script>"),
    )


def _caution(effects: pd.DataFrame) -> str:
    known = effects[np.isfinite(effects[["low", "high"]].astype(float)).all(axis=1)]
    if known.empty:
        return "No segment alone has passes enough for an interval."
    about_zero = int(((known["low"] <= 0) & (known["high"] >= 0)).sum())
    return (
        f"The 95 % interval takes in zero on {about_zero} of {len(known)} segments. A single "
        "segment has few passes: its colour is mostly scatter, and only the whole road gives the "
        "answer."
    )


def _drawn(analysed: Analysed, legs: Sequence[Leg], scale: ChangeScale) -> dict[str, Drawn]:
    used = analysed.passes[analysed.passes["used"].astype(bool)]
    barren = set(without_fuel(used))
    counts = used.groupby(["segment", "arm"], observed=True).size().to_dict()
    base = used[used["arm"] == "baseline"].groupby("segment", observed=True)
    totals = base[["fuel_ml", "distance_km"]].sum()
    litres = (totals["fuel_ml"] / totals["distance_km"] / 10).to_dict()
    effects = {str(r["segment"]): r for r in analysed.effect.segment_effects.to_dict("records")}
    template = environment().get_template("popup.html")
    found: dict[str, Drawn] = {}
    for leg in legs:
        for segment, start_km in zip(leg.segments, leg.starts_km, strict=True):
            effect = effects.get(segment.id, {})
            change = float(effect.get("change_pct", np.nan))
            passes = {arm: int(counts.get((segment.id, arm), 0)) for arm in ARMS}
            use = float(litres.get(segment.id, np.nan))
            words = _change_words(change, effect, NO_FUEL if segment.id in barren else FEW)
            popup = template.render(
                id=segment.id,
                leg=leg.number,
                from_km=number(start_km),
                to_km=number(start_km + segment.length_m / 1000),
                length_km=number(segment.length_m / 1000, 2),
                grade=signed(100 * _mean(segment.grade)),
                passes=[(analysed.study.label(arm), passes[arm]) for arm in ARMS],
                change=words,
                baseline=_baseline_words(use),
            )
            hint = f"{segment.id}: {typeset(words)}"
            colour = scale.colour(change)
            found[segment.id] = Drawn(segment, colour, sum(passes.values()), hint, popup)
    return found


def _mean(values: Floats) -> float:
    finite = values[np.isfinite(values)]
    return float(finite.mean()) if finite.size else float("nan")


def _grey_words(analysed: Analysed, drawn: Mapping[str, Drawn]) -> str:
    """Why segments are grey, and how many for each reason."""
    grey = {name for name, d in drawn.items() if d.colour == NO_DATA}
    barren = grey & set(without_fuel(analysed.passes[analysed.passes["used"].astype(bool)]))
    counts = ((len(barren), NO_FUEL), (len(grey - barren), FEW))
    return "; ".join(f"{n} of {len(drawn)} segments, {why}" for n, why in counts if n)


def _change_words(change: float, effect: Mapping[Any, Any], why_not: str) -> str:
    if not np.isfinite(change):
        return f"change not known ({why_not})"
    low, high = float(effect["low"]), float(effect["high"])
    known = np.isfinite(low) and np.isfinite(high)
    interval = Interval(change, low if known else None, high if known else None)
    return f"{signed(change)} % fuel ({bounds(interval)})"


def _baseline_words(l_per_100km: float) -> str:
    if not (np.isfinite(l_per_100km) and l_per_100km > 0):
        return number(None)
    return f"{number(l_per_100km, 2)} L/100 km = {number(mpg_us(l_per_100km))} MPG (US)"
