"""map.html: opens without a network, shows each segment, and says why when there is none."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest

from roadlog.analysis.result import Analysed
from roadlog.report.legs import find_legs
from roadlog.report.map import map_page
from roadlog.road.network import Network
from roadlog.wording.colours import CLASSES, NO_DATA, change_scale
from tests.report.conftest import Change, road
from tests.report.pages import Page

NASTY = "A<b>'`${x}`</script>"


@pytest.fixture(scope="module")
def whole(analysed: Analysed) -> str:
    return map_page(analysed)


def test_nothing_is_fetched(whole: str) -> None:
    read = Page(whole)
    assert read.fetched() == []
    for script in read.scripts:
        addresses = set(re.findall(r"https?://[^\s\"'`)<\\]+", script))
        assert addresses <= {"https://leafletjs.com", "http://www.w3.org/2000/svg"}
    assert read.policy().startswith("default-src 'none'")
    assert "sourceMappingURL" not in whole
    for unwanted in ("jquery", "bootstrap", "jsdelivr", "awesome", "openstreetmap"):
        assert unwanted not in whole.lower(), unwanted


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


def test_each_segment_is_a_line_with_a_popup_and_a_piece_of_strip(
    whole: str, analysed: Analysed
) -> None:
    ids = [s.id for s in analysed.network.segments]
    script = Page(whole).scripts[-1]
    known = re.findall(r'road\.known\("([^"]+)"', script)
    assert sorted(known) == sorted(ids)
    assert sorted(Page(whole).attributes("path", "data-segment")) == sorted(ids)
    popups = [
        json.loads(p)
        for p in re.findall(r'road\.words\([^,]+, "[^"]*", ("(?:[^"\\]|\\.)*")', script)
    ]
    assert len(popups) == len(ids)
    for popup in popups:
        for needed in ("length", "mean grade", "passes, collar out", "change", "L/100\u00a0km"):
            assert needed in popup


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
    script = Page(whole).scripts[-1]
    assert script.count("Every run, collar out") == 1
    assert script.count("Every run, collar in") == 1
    for file in analysed.runs["file"]:
        assert file in script


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
    assert "A\\u0026lt;b\\u0026gt;" in read.scripts[-1]


def test_scale_is_symmetric_and_lightness_falls_away_from_zero() -> None:
    scale = change_scale([3.0, -2.0, np.nan])
    assert len(scale.colours) == CLASSES
    np.testing.assert_allclose(scale.edges_pct, -np.array(scale.edges_pct[::-1]))
    light = [_lightness(c) for c in scale.colours]
    middle = CLASSES // 2
    assert all(np.diff(light[: middle + 1]) > 0)
    assert all(np.diff(light[middle:]) < 0)


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
