"""map.html: opens without a network, shows each segment, and says why when there is none."""

import json
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from matplotlib import colormaps
from matplotlib.colors import to_hex

from roadlog.analysis.result import Analysed
from roadlog.quantities.arrays import Floats
from roadlog.report.layers import RUN_TOLERANCE_M
from roadlog.report.legs import find_legs
from roadlog.report.map import map_page, scatter_words
from roadlog.report.thinning import thinned
from roadlog.road.network import Network
from roadlog.road.projection import to_geographic, to_local
from roadlog.wording.colours import CLASSES, NO_DATA, change_scale
from tests.report.conftest import LONGITUDE, Change, road
from tests.report.pages import Page

NASTY = "A<b>'`${x}`</script>"


def data_of(page: str) -> dict[str, Any]:
    """What the page hands to its script."""
    script = Page(page).scripts[-1]
    found, _ = json.JSONDecoder().raw_decode(script, script.index("road.start({") + 11)
    assert isinstance(found, dict)
    return found


def line_of(steps: list[int], units: int) -> np.ndarray[Any, Any]:
    """A line's places, latitude and longitude [°], as the script reads them."""
    return np.cumsum(np.array(steps).reshape(-1, 2), axis=0) / units


@pytest.fixture(scope="module")
def whole(analysed: Analysed) -> str:
    return map_page(analysed)


def test_nothing_is_fetched(whole: str) -> None:
    read = Page(whole)
    assert read.fetched() == []
    for script in read.scripts:
        addresses = set(re.findall(r"https?://[^\s\"'`)<\\]+", script))
        assert addresses <= {"https://leafletjs.com", "http://www.w3.org/2000/svg"}  # names only
    assert read.policy().startswith("default-src 'none'")
    assert "sourceMappingURL" not in whole
    for unwanted in ("jquery", "bootstrap", "jsdelivr", "awesome", "openstreetmap"):
        assert unwanted not in whole.lower(), unwanted


def test_the_map_and_its_layers_are_made_by_folium_and_the_same_each_time(
    whole: str, analysed: Analysed
) -> None:
    script = Page(whole).scripts[-1]
    made = re.findall(r"var (\w+) = L\.(\w+)\(", script)
    assert [kind for _, kind in made] == ["map", *["featureGroup"] * 4]
    assert made[0][0] in Page(whole).attributes("div", "id")
    assert script.count(f".addTo({made[0][0]});") == 2  # segments and labels; runs when asked for
    assert not re.search(r"_[0-9a-f]{32}", whole)
    assert map_page(analysed) == whole


def test_licence_of_the_embedded_library_goes_with_it(whole: str) -> None:
    assert whole.count("Redistributions in binary form must reproduce") == 2
    assert "Volodymyr Agafonkin" in whole


def test_tiles_only_on_request_and_then_said_so(analysed: Analysed, whole: str) -> None:
    tiled = map_page(analysed, tiles=True)
    assert "https://tile.openstreetmap.org/{z}/{x}/{y}.png" in tiled
    assert "OpenStreetMap" in tiled
    words = " ".join(" ".join(Page(tiled).words).split())
    assert "asks the tile server tile.openstreetmap.org" in words
    assert "asks no server for anything" in " ".join(" ".join(Page(whole).words).split())


def test_each_segment_is_a_line_with_its_numbers_and_a_piece_of_strip(
    whole: str, analysed: Analysed
) -> None:
    ids = [s.id for s in analysed.network.segments]
    data = data_of(whole)
    assert sorted(s["id"] for s in data["segments"]) == sorted(ids)
    assert sorted(Page(whole).attributes("path", "data-segment")) == sorted(ids)
    for s, found in zip(data["segments"], analysed.network.segments, strict=True):
        assert dict(s["facts"]).keys() == {"where", "mean grade"}
        assert all("L/100\u00a0km" in use and "passes" in use for use in s["use"])
        line = line_of(s["line"], data["units"]["segments"])
        np.testing.assert_allclose(line[0], [found.lat_deg[0], found.lon_deg[0]], atol=1e-6)
        np.testing.assert_allclose(line[-1], [found.lat_deg[-1], found.lon_deg[-1]], atol=1e-6)


def test_each_used_pass_is_a_dot_with_its_run_time_and_use(whole: str, analysed: Analysed) -> None:
    data = data_of(whole)
    used = analysed.passes[analysed.passes["used"]]
    assert sum(len(s["passes"]) for s in data["segments"]) == len(used)
    some = data["segments"][3]
    for place, tenths, use in some["passes"]:
        run = analysed.runs.iloc[place]
        row = used[(used["run"] == run["run"]) & (used["segment"] == some["id"])].iloc[0]
        assert tenths == round(10 * row["duration_s"])
        assert use == round(10 * row["ml_per_km"])
    aside = len(analysed.passes) - len(used)
    words = " ".join(Page(whole).words)
    assert f"{aside} of {len(analysed.passes)} passes were set aside and have no dot" in words


def test_a_segment_with_too_few_passes_is_grey_and_says_so(whole: str) -> None:
    pieces = [a for t, a in Page(whole).elements if t == "path" and "data-segment" in a]
    assert [p["data-segment"] for p in pieces if p["fill"] == NO_DATA] == ["A06"]
    words = " ".join(Page(whole).words)
    assert "A06: change not known (too few passes)" in words
    assert "grey, not compared: 1 of 34 segments, too few passes" in words


def test_a_segment_that_a_pass_drove_without_fuel_is_grey_for_that_reason(
    analysed: Analysed,
) -> None:
    effects = analysed.effect.segment_effects
    some = effects.loc[effects["change_pct"].notna(), "segment"].iloc[0]
    first = analysed.passes.index[
        (analysed.passes["segment"] == some) & analysed.passes["used"].astype(bool)
    ][0]
    passes = analysed.passes.copy()
    passes.loc[first, ["fuel_ml", "ml_per_km"]] = 0.0
    effect = replace(analysed.effect, segment_effects=effects[effects["segment"] != some])
    page = map_page(replace(analysed, passes=passes, effect=effect))
    words = " ".join(Page(page).words)
    assert f"{some}: change not known (a pass burned no fuel there" in words
    assert "1 of 34 segments, a pass burned no fuel there, so that both arms leave it out" in words


def test_runs_can_be_switched_on_by_arm(whole: str, analysed: Analysed) -> None:
    words = " ".join(" ".join(Page(whole).words).split())
    for label in ("collar out", "collar in"):
        count = int((analysed.runs["arm"].map(analysed.study.label) == label).sum())
        assert f"every run, {label} ({count})" in words
    assert [r["file"] for r in data_of(whole)["runs"]] == analysed.runs["file"].tolist()


def test_run_lines_stay_within_their_tolerance_of_a_winding_road(
    change: Change, analysed: Analysed
) -> None:
    """Hairpins of 25 m: points thinned evenly, 160 a run, lay up to 157 m off the road."""
    along = np.arange(0.0, 20_000.0, 20.0)
    heading = np.cumsum(np.where(np.sin(along / 300) > 0, 0.6, -0.6) * (np.sin(along / 90) > 0.3))
    x, y = (np.cumsum(20.0 * f(heading)) for f in (np.sin, np.cos))
    origin = analysed.network.origin
    assert origin is not None
    lines = {0: to_geographic(x, y, origin)}
    data = data_of(map_page(change(network=replace(analysed.network, lines=lines))))
    (steps,) = data["runs"][0]["lines"]
    line = line_of(steps, data["units"]["runs"])
    kept_x, kept_y = to_local(line[:, 0], line[:, 1], origin)
    assert distances_m(x, y, kept_x, kept_y).max() <= RUN_TOLERANCE_M + 1.0
    assert len(line) < 0.8 * len(along)


def test_a_straight_road_costs_two_places() -> None:
    x = np.linspace(0, 5000, 500)
    assert thinned(x, 0.3 * x, 5.0).tolist() == [0, 499]
    assert thinned(x[:0], x[:0], 5.0).tolist() == []
    assert thinned(x[:1], x[:1], 5.0).tolist() == [0]
    there_and_back = np.concatenate((x, x[::-1]))
    assert thinned(there_and_back, 0 * there_and_back, 5.0).tolist() in (
        [0, 499, 999],
        [0, 500, 999],
    )


def test_a_gap_in_a_runs_positions_is_no_line(change: Change, analysed: Analysed) -> None:
    lat, lon = (v.copy() for v in analysed.network.lines[0])
    lat[300:400] = np.nan
    network = replace(analysed.network, lines={0: (lat, lon)})
    text = map_page(change(network=network))
    assert [len(r["lines"]) for r in data_of(text)["runs"]] == [2] + [0] * 39
    assert "39 of 40 runs have no positions and no line" in " ".join(Page(text).words)


def test_a_road_across_the_date_line_is_one_piece(change: Change, analysed: Analysed) -> None:
    network = analysed.network
    assert network.origin is not None

    def moved(lon: Floats) -> Floats:
        return (lon - LONGITUDE + 180.0 + 180) % 360 - 180

    across = replace(
        network,
        origin=(network.origin[0], 180.0),
        segments=tuple(replace(s, lon_deg=moved(s.lon_deg)) for s in network.segments),
        lines={k: (lat, moved(lon)) for k, (lat, lon) in network.lines.items()},
    )
    data = data_of(map_page(change(network=across)))
    (_, west), (_, east) = data["box"]
    assert east - west < 0.5
    for run in data["runs"]:
        for steps in run["lines"]:
            assert np.ptp(line_of(steps, data["units"]["runs"])[:, 1]) < 0.5


def effects(changes: list[float], half: float) -> pd.DataFrame:
    v = np.array(changes)
    return pd.DataFrame({"change_pct": v, "low": v - half, "high": v + half})


def test_words_about_scatter_come_from_the_segments_themselves() -> None:
    scatter = scatter_words(effects([-2.0, -1.0, 0.0, 1.0, 2.0, 3.0] * 5, 4.0), 0.5)
    assert "zero on 30 of 30 segments" in scatter
    assert "lies outside it on 0" in scatter
    assert "no more than scatter" in scatter
    real = scatter_words(effects([-9.0, 0.5, 0.5, 9.0, 0.0] * 6, 4.0), 0.5)
    assert "zero on 18 of 30 segments" in real
    assert "lies outside it on 12, where scatter alone would give about 1.5" in real
    assert "differ by more than scatter" in real
    assert "no answer" in scatter_words(effects([1.0], 4.0), 0.5)
    assert "passes enough" in scatter_words(effects([np.nan] * 4, 4.0), 0.5)


def test_the_legend_counts_each_colour_and_the_strip_agrees(whole: str, analysed: Analysed) -> None:
    counts = re.search(r"from least fuel to most: ([\d, ]+)\.", " ".join(Page(whole).words))
    assert counts is not None
    told = [int(n) for n in counts[1].split(", ")]
    scale = change_scale(analysed.effect.segment_effects["change_pct"])
    fills = Page(whole).attributes("path", "fill")
    assert told == [fills.count(c) for c in scale.colours]
    assert sum(told) == len(analysed.network.segments) - 1


def test_without_script_or_on_paper_the_road_is_a_drawing(whole: str, analysed: Analysed) -> None:
    read = Page(whole)
    (drawing,) = [a for t, a in read.elements if t == "svg" and a.get("class") == "road-sketch"]
    assert "Leg 1, towards the north-east" in drawing["aria-label"]
    strokes = read.attributes("path", "stroke")
    assert len(strokes) == len(analysed.network.segments)


def test_without_positions_the_page_says_why(variants: dict[str, Analysed]) -> None:
    text = map_page(variants["no positions"])
    assert "There is no map" in text
    assert "hold no positions" in text
    assert "<script" not in text


def test_without_segments_the_page_says_why(change: Change) -> None:
    text = map_page(change(network=Network("segments", (46.0, 8.0), (), {})))
    assert "often enough in both arms" in text


def test_without_altitude_the_strip_is_flat_and_says_so(analysed: Analysed, change: Change) -> None:
    import dataclasses

    flat = tuple(
        dataclasses.replace(s, elevation_m=np.full_like(s.s_m, np.nan))
        for s in analysed.network.segments
    )
    text = map_page(change(network=dataclasses.replace(analysed.network, segments=flat)))
    assert "no usable altitude" in text
    assert "nan" not in " ".join(Page(text).attributes("path", "d")).lower()


def test_nasty_names_stay_text_in_scripts_too(analysed: Analysed, change: Change) -> None:
    text = map_page(
        change(
            study_name=NASTY,
            study_labels={"baseline": NASTY, "fitted": NASTY},
            runs=analysed.runs.assign(file=NASTY),
        )
    )
    read = Page(text)
    assert len(read.scripts) == len([t for t, _ in read.elements if t == "script"]) == 2
    assert "A<b>" not in text
    data = data_of(text)
    assert data["arms"] == [NASTY, NASTY]
    assert {r["file"] for r in data["runs"]} == {NASTY}


def test_scale_is_symmetric_and_lightness_falls_away_from_zero() -> None:
    scale = change_scale([3.0, -2.0, np.nan])
    assert len(scale.colours) == CLASSES
    np.testing.assert_allclose(scale.edges_pct, -np.array(scale.edges_pct[::-1]))
    light = [_lightness(c) for c in scale.colours]
    middle = CLASSES // 2
    assert all(np.diff(light[: middle + 1]) > 0)
    assert all(np.diff(light[middle:]) < 0)


def test_the_colours_are_those_of_puor_as_matplotlib_ships_it() -> None:
    scale = colormaps["PuOr"].reversed()
    places = np.linspace(0.06, 0.94, CLASSES)
    assert change_scale([1.0]).colours == tuple(to_hex(scale(p)) for p in places)


def test_more_fuel_is_orange_and_less_is_purple() -> None:
    scale = change_scale([1.0])
    red, _, blue = _rgb(scale.colour(9.0))
    assert red > blue
    red, green, blue = _rgb(scale.colour(-9.0))
    assert blue > red > green
    assert scale.colour(float("nan")) == NO_DATA
    assert scale.colour(0.0) == scale.colours[CLASSES // 2]


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def _lightness(colour: str) -> float:
    """Relative luminance, WCAG 2.2 (W3C Recommendation), section on contrast."""
    linear = [
        v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4
        for v in (c / 255 for c in _rgb(colour))
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_there_and_back_are_two_legs_measured_from_their_own_starts() -> None:
    legs = find_legs(road(17))
    assert [leg.towards for leg in legs] == ["north-east", "south-west"]
    assert [len(leg.segments) for leg in legs] == [17, 17]
    assert [round(leg.length_km, 2) for leg in legs] == [17.0, 17.0]
    assert legs[1].segments[0].id == "B01"
    np.testing.assert_allclose(legs[0].starts_km, np.arange(17), atol=1e-6)


def test_a_gap_in_the_road_starts_a_new_leg() -> None:
    network = road(6)
    kept = (*network.segments[:2], *network.segments[3:6])
    legs = find_legs(Network("segments", network.origin, kept, {}))
    assert [len(leg.segments) for leg in legs] == [2, 3]


def distances_m(x: Floats, y: Floats, line_x: Floats, line_y: Floats) -> Floats:
    """Distance of each place from the nearest piece of a line."""
    a = np.column_stack((line_x[:-1], line_y[:-1]))
    d = np.diff(np.column_stack((line_x, line_y)), axis=0)
    to = np.column_stack((x, y))[:, None] - a[None]
    along = np.clip((to * d).sum(2) / np.maximum((d**2).sum(1), 1e-9), 0, 1)
    found: Floats = np.hypot(*np.moveaxis(to - along[..., None] * d, 2, 0)).min(axis=1)
    return found
