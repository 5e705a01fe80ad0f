"""The map's layers, drawn with folium: legs and looks of segments in, an element and a script out.

Segments, distance marks and every run are layers that the reader can switch. Text reaches the
script only through JSON with `<`, `>` and `&` escaped.
"""

import html
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from roadlog.analysis.result import Analysed
from roadlog.quantities.arms import ARMS
from roadlog.quantities.arrays import Floats
from roadlog.report.legs import Leg
from roadlog.report.strips import mark_step_km
from roadlog.road.network import Segment
from roadlog.wording.colours import ARM_COLOURS, INK

SIDEWAYS_PX = 5.0
WIDTH_PX = (4.0, 9.0)
POINTS_A_SEGMENT = 40
POINTS_A_RUN = (30, 160)
POINTS_ALL_RUNS = 8000
_DIRECTION_OVER_M = 150.0


@dataclass(frozen=True)
class Drawn:
    """One segment as the map and the strip show it."""

    segment: Segment
    colour: str
    passes: int
    hint: str
    popup: str


def width_px(passes: int, most: int) -> float:
    """Width of a line [px] for its number of passes."""
    return WIDTH_PX[0] + (WIDTH_PX[1] - WIDTH_PX[0]) * passes / max(most, 1)


def draw_map(
    analysed: Analysed, legs: Sequence[Leg], drawn: Mapping[str, Drawn], *, tiles: bool
) -> tuple[str, str]:
    """The map's element and its script, as folium writes them."""
    folium = _folium()
    chart = folium.Map(
        tiles="OpenStreetMap" if tiles else None,
        location=_middle(legs),
        control_scale=True,
        zoom_snap=0.1,
        scroll_wheel_zoom=False,
    )
    chart.default_js, chart.default_css = [], []
    segments = folium.FeatureGroup("Change by segment").add_to(chart)
    marks = folium.FeatureGroup("Distances and ends").add_to(chart)
    most = max(d.passes for d in drawn.values())
    for casing in (True, False):
        for d in drawn.values():
            _segment_line(d, most, chart, casing=casing).add_to(segments)
    for leg in legs:
        _mark_leg(leg, marks)
    for arm in ARMS:
        _run_lines(analysed, arm).add_to(chart)
    control = folium.LayerControl(collapsed=False).add_to(chart)
    ready = "road.ready({{ v.map }}, {{ v.control }}, {{ v.box|tojson }});"
    _script(ready, map=chart.get_name(), control=control.get_name(), box=_box(legs)).add_to(chart)
    root = chart.get_root()
    root.render()
    stable = _stable_names(root.html.render() + "\0" + root.script.render())
    body, script = stable.split("\0")
    return body.strip(), script


def _stable_names(text: str) -> str:
    """folium's random names replaced by counters, so that equal results give equal files."""
    names: dict[str, str] = {}
    return re.sub(
        r"_[0-9a-f]{32}(?![0-9a-f])", lambda m: names.setdefault(m.group(), f"_{len(names)}"), text
    )


@lru_cache(maxsize=16)
def _template(script: str) -> Any:
    from jinja2 import Template

    names = "{% set v, parent = this.values, this._parent.get_name() %}"
    return Template("{% macro script(this, kwargs) %}" + names + script + "\n{% endmacro %}")


def _script(script: str, **values: object) -> Any:
    """A folium element that only writes a line of script about its `parent`, from values `v`."""
    from branca import element

    macro: Any = element
    made = macro.MacroElement()
    made._template, made.values = _template(script), values
    return made


def _folium() -> Any:
    """folium, imported when a map is drawn and not before; its own annotations are partial."""
    import folium

    return folium


def _segment_line(d: Drawn, most: int, chart: Any, *, casing: bool) -> Any:
    folium = _folium()
    width = width_px(d.passes, most)
    line = folium.PolyLine(
        _places(d.segment.lat_deg, d.segment.lon_deg, POINTS_A_SEGMENT, digits=6),
        color=INK if casing else d.colour,
        weight=width + (2 if casing else 0),
        opacity=1.0,
        line_cap="butt",
    )
    aside = "road.sideways({{ v.map }}, {{ parent }}, {{ v.px|tojson }});"
    line.add_child(_script(aside, map=chart.get_name(), px=SIDEWAYS_PX))
    if not casing:
        words = "road.words({{ parent }}, {{ v.hint|tojson }}, {{ v.popup|tojson }});"
        line.add_child(_script(words, hint=html.escape(d.hint), popup=d.popup))
        known = "road.known({{ v.segment|tojson }}, {{ parent }});"
        line.add_child(_script(known, segment=d.segment.id))
    return line


def _mark_leg(leg: Leg, group: Any) -> None:
    folium = _folium()
    for km, text, outward in ((0.0, "start", -1.0), (leg.length_km, "end", 1.0)):
        place, ahead = _at(leg, km)
        if not np.isfinite([*place, *ahead]).all():
            continue
        folium.CircleMarker(
            place, radius=5, color=INK, weight=2, fill_color="#ffffff", fill_opacity=1.0,
        ).add_to(group)  # fmt: skip
        centre = _aside_px(ahead, right_px=(40, 20), ahead_px=16 * outward)
        _label(place, f"leg {leg.number} {text}", "road-end", (66, 16), centre).add_to(group)
    step = mark_step_km(leg.length_km)
    for km in np.arange(step, leg.length_km - step / 3, step):
        place, ahead = _at(leg, float(km))
        if np.isfinite([*place, *ahead]).all():
            centre = _aside_px(ahead, right_px=(26, 17), ahead_px=0)
            _label(place, f"{km:g} km", "road-mark", (40, 16), centre).add_to(group)


def _at(leg: Leg, km: float) -> tuple[list[float], tuple[float, float]]:
    """Place (lat, lon) at a distance along a leg, and the unit vector (east, north) of travel."""
    i = max(0, int(np.searchsorted(leg.starts_km, km, side="right")) - 1)
    segment, s = leg.segments[i], (km - leg.starts_km[i]) * 1000
    place = [float(np.interp(s, segment.s_m, v)) for v in (segment.lat_deg, segment.lon_deg)]
    ends = np.clip([s - _DIRECTION_OVER_M, s + _DIRECTION_OVER_M], 0, segment.s_m[-1])
    east, north = (float(np.diff(np.interp(ends, segment.s_m, v))[0]) for v in
                   (segment.x_m, segment.y_m))  # fmt: skip
    length = float(np.hypot(east, north))
    return place, (east / length, north / length) if length > 0 else (np.nan, np.nan)


def _aside_px(
    ahead: tuple[float, float], *, right_px: tuple[float, float], ahead_px: float
) -> tuple[float, float]:
    """Where a label's centre goes [px right, px down], to the right of the direction of travel."""
    east, north = ahead
    return (right_px[0] * north + ahead_px * east, right_px[1] * east - ahead_px * north)


def _label(
    place: Sequence[float],
    text: str,
    style: str,
    size: tuple[int, int],
    centre: tuple[float, float],
) -> Any:
    folium = _folium()
    anchor = (round(size[0] / 2 - centre[0]), round(size[1] / 2 - centre[1]))
    icon = folium.DivIcon(
        html=html.escape(text), icon_size=size, icon_anchor=anchor, class_name=style
    )
    return folium.Marker(place, icon=icon, interactive=False, keyboard=False)


def _run_lines(analysed: Analysed, arm: str) -> Any:
    folium = _folium()
    runs = analysed.runs[analysed.runs["arm"] == arm]
    label = html.escape(analysed.study.label(arm))
    dash = "" if arm == "baseline" else "6 5"
    style = "solid" if arm == "baseline" else "dashed"
    key = f'<i class="road-dash" style="border-top:2px {style} {ARM_COLOURS[arm]}"></i>'
    share = POINTS_ALL_RUNS // max(len(analysed.runs), 1)
    most = min(max(share, POINTS_A_RUN[0]), POINTS_A_RUN[1])
    group = folium.FeatureGroup(f"{key}Every run, {label}", show=False)
    for record in runs[["run", "file"]].to_dict("records"):
        lat, lon = analysed.network.lines.get(record["run"], (np.empty(0), np.empty(0)))
        places = _places(lat, lon, most, digits=5)
        if len(places) < 2:
            continue
        line = folium.PolyLine(
            places, color=ARM_COLOURS[arm], weight=1.5, opacity=0.8, dash_array=dash or None
        )
        words = "road.words({{ parent }}, {{ v.hint|tojson }});"
        line.add_child(_script(words, hint=html.escape(str(record["file"]))))
        line.add_to(group)
    return group


def _places(lat: Floats, lon: Floats, most: int, *, digits: int) -> list[list[float]]:
    """At most about `most` finite places of a line, its ends kept."""
    finite = np.isfinite(lat) & np.isfinite(lon)
    both = np.column_stack((lat[finite], lon[finite])).round(digits)
    if len(both) > most:
        both = both[np.unique(np.linspace(0, len(both) - 1, most).round().astype(int))]
    places: list[list[float]] = both.tolist()
    return places


def _box(legs: Sequence[Leg]) -> list[list[float]]:
    lat = np.concatenate([s.lat_deg for leg in legs for s in leg.segments])
    lon = np.concatenate([s.lon_deg for leg in legs for s in leg.segments])
    return [
        [float(np.nanmin(lat)), float(np.nanmin(lon))],
        [float(np.nanmax(lat)), float(np.nanmax(lon))],
    ]


def _middle(legs: Sequence[Leg]) -> list[float]:
    (south, west), (north, east) = _box(legs)
    return [(south + north) / 2, (west + east) / 2]
