"""The map as folium builds it: what is drawn, as data, in; an element and its script out.

folium makes the map, its layers and the background; what it has no element for (lines that keep
to the right at every zoom, strips, replay) is handed to the page's own script by an element of
ours. Positions stay in the data, as steps, since a list of places a line would double the page.
Nothing that folium links to goes in: Leaflet is embedded (`leaflet`).
"""

import json
import re
from collections.abc import Mapping
from typing import Any

from roadlog.quantities.arms import ARMS

TILE_HOST = "https://tile.openstreetmap.org"
_TILES = f"{TILE_HOST}/{{z}}/{{x}}/{{y}}.png"
_BY = '© <a href="https://www.openstreetmap.org/copyright">OpenStreetMap</a> contributors'
_CLOSEST, _FARTHEST = 19, 3
_LAYERS = ("segments", "labels", *ARMS)  # names that the boxes of the key have too
_SHOWN = ("segments", "labels")
_START = (
    "{% macro script(this, kwargs) %}road.start({{ this.data }}, "
    "{{ this._parent.get_name() }}, { {%- for name, layer in this.layers.items() -%}"
    "{{ name }}: {{ layer.get_name() }}, {% endfor -%} });{% endmacro %}"
)


def draw_chart(data: Mapping[str, Any], *, tiles: bool = False) -> tuple[str, str]:
    """The map's element and the script that makes it.

    Parameters
    ----------
    data : mapping
        What is drawn (`layers.map_data`).
    tiles : bool
        Whether a background is fetched when the page is opened.
    """
    import branca.element
    import folium
    import jinja2

    own: Any = branca.element  # its annotations are partial, as folium's are
    chart = _map(data["box"], tiles=tiles)
    layers = {
        name: folium.FeatureGroup(name, show=name in _SHOWN).add_to(chart) for name in _LAYERS
    }
    road = own.MacroElement()
    road._template = jinja2.Template(_START)
    road.data, road.layers = _literal(data), layers
    chart.add_child(road)
    figure = chart.get_root()
    figure.render()
    element, script = _stable_names(figure.html.render(), figure.script.render())
    return element.strip(), script.strip()


def _map(box: list[list[float]], *, tiles: bool) -> Any:
    """The map itself, without controls; what depends on the reader `map.js` has set before it."""
    import folium

    (south, west), (north, east) = box
    chart: Any = folium.Map(
        location=[(south + north) / 2, (west + east) / 2],
        tiles=folium.TileLayer(_TILES, attr=_BY, max_zoom=_CLOSEST) if tiles else None,
        zoom_control=False,
        attribution_control=tiles,
        scroll_wheel_zoom=False,
        zoom_snap=0.1,
        max_zoom=_CLOSEST,
        min_zoom=_FARTHEST,
        fade_animation=False,
    )
    chart.default_js, chart.default_css = [], []
    return chart


def _literal(data: Any) -> str:
    """Data as a literal that can't end a script, whatever texts it holds."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    for mark in "<>&'":
        text = text.replace(mark, f"\\u{ord(mark):04x}")
    return text


def _stable_names(*texts: str) -> list[str]:
    """folium's random names replaced by counters, so that equal results give equal files."""
    names: dict[str, str] = {}
    random = re.compile(r"(?<=_)[0-9a-f]{32}(?![0-9a-f])")
    return [
        random.sub(lambda m: names.setdefault(m.group(), str(len(names))), text) for text in texts
    ]
