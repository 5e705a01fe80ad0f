import json

import numpy as np
import pytest

from roadlog.errors import InputError
from roadlog.road import find_network, match
from roadlog.road.gates import read_gates
from tests.road.synthetic import ORIGIN, Drives, drives, segment_of, to_geographic

COMMUTE = [(r, a) for _ in range(3) for a in ("baseline", "fitted") for r in ("out", "back")]
OPTIONS = {"segment_length_km": 1.0, "min_runs_per_arm": 2}


@pytest.fixture(scope="module")
def commute() -> Drives:
    return drives(COMMUTE, seed=31)


def feature(points, **properties) -> dict:
    lat, lon = to_geographic(*(1000.0 * np.array(points, float)).T, ORIGIN)
    places = np.column_stack([lon, lat]).tolist()
    kind = "Point" if len(places) == 1 else "LineString"
    geometry = {"type": kind, "coordinates": places[0] if kind == "Point" else places}
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def saved(tmp_path, *features):
    path = tmp_path / "gates.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


def test_segments_run_from_gate_to_gate_and_bear_their_names(tmp_path, commute) -> None:
    path = saved(
        tmp_path,
        feature([(1.0, -0.05), (1.0, 0.05)], name="mill", segment="hill up"),
        feature([(3.5, 0.8)], name="oak", heading=90),
        feature([(8.0, 1.5)], name="ford"),
    )
    network = find_network(commute.tracks, commute.arms, gates=read_gates(path), **OPTIONS)
    assert {s.id for s in network.segments} == {"hill up", "oak to ford", "ford to mill"}
    up = segment_of(network, "hill up")
    assert up.length_m == pytest.approx(1000 + 1000 + 900, abs=25)
    assert segment_of(network, "oak to ford").length_m == pytest.approx(2500 + 860 + 1500, abs=40)
    on = match(commute.tracks[0], network, 0)
    assert set(on["segment"]) == {"", "hill up", "oak to ford"}
    assert np.nanmax(on["s_m"][on["segment"] == "hill up"]) > up.length_m - 20


def test_gate_off_every_road_is_named(tmp_path, commute) -> None:
    path = saved(tmp_path, feature([(1, 0)], name="a"), feature([(1, 3)], name="lost"))
    with pytest.raises(InputError, match="gate 'lost' is on no road"):
        find_network(commute.tracks, commute.arms, gates=read_gates(path), **OPTIONS)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{", "not GeoJSON"),
        ("[]", "no FeatureCollection"),
        ('{"features": [{"geometry": {"type": "Polygon", "coordinates": []}}]}', "is a Polygon"),
        ('{"features": [{"geometry": null}]}', "no geometry"),
        ('{"features": [{"geometry": {"type": "Point", "coordinates": [8, 95]}}]}', "degrees"),
        ('{"features": [{"geometry": {"type": "Point", "coordinates": ["a", 9]}}]}', "numbers"),
        ('{"features": [{"geometry": {"type": "Point", "coordinates": [8, 50]}}]}', "needs two"),
    ],
)
def test_wrong_gates_are_named_in_one_sentence(tmp_path, text, says) -> None:
    path = tmp_path / "gates.geojson"
    path.write_text(text)
    with pytest.raises(InputError, match=says) as e:
        read_gates(path)
    assert "\n" not in str(e.value)


def test_same_name_twice_and_impossible_heading_are_refused(tmp_path) -> None:
    twice = saved(tmp_path, feature([(1, 0)], name="a"), feature([(2, 0)], name="a"))
    with pytest.raises(InputError, match="two gates are named 'a'"):
        read_gates(twice)
    bad = saved(tmp_path, feature([(1, 0)], heading=400), feature([(2, 0)]))
    with pytest.raises(InputError, match="heading '400'"):
        read_gates(bad)
    with pytest.raises(InputError, match="doesn't exist"):
        read_gates(tmp_path / "none.geojson")
