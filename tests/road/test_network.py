"""Shared directed stretches from drives whose true road is known (tests/road/synthetic.py)."""

import numpy as np
import pytest

from roadlog.errors import DesignError
from roadlog.road import find_network, match
from tests.road.synthetic import Drives, Score, drives, score, segment_of
from tests.road.towns import SETTINGS, Setting, driven, placed

ARMS = ("baseline", "fitted")
COMMUTE = [(route, arm) for _ in range(4) for arm in ARMS for route in ("out", "back")]
TOWN = [
    *COMMUTE,
    *[("out by service road", arm) for _ in range(3) for arm in ARMS],
    *[("out round the block", arm) for _ in range(2) for arm in ARMS],
    *[("over the bridge and back", arm) for _ in range(2) for arm in ARMS],
    *[("laps", arm) for _ in range(2) for arm in ARMS],
]


def judged(made: Drives, k: int = 2) -> Score:
    network = find_network(made.tracks, made.arms, segment_length_km=1.0, min_runs_per_arm=k)
    return score(made, network, {r: match(t, network, r) for r, t in made.tracks.items()}, k)


@pytest.fixture(scope="module")
def commute() -> Drives:
    return drives(COMMUTE, seed=11)


def test_commute_becomes_two_directed_corridors_of_kilometre_segments(commute: Drives) -> None:
    network = find_network(commute.tracks, commute.arms, segment_length_km=1.0, min_runs_per_arm=2)
    assert network.kind == "road"
    assert [s.id[0] for s in network.segments] == ["A"] * 10 + ["B"] * 10
    assert [s.id for s in network.segments][:2] == ["A01", "A02"]
    assert all(700 < s.length_m < 1300 for s in network.segments)
    out, back = segment_of(network, "A01"), segment_of(network, "B10")
    assert out.x_m[-1] > out.x_m[0]
    assert back.x_m[-1] < back.x_m[0]
    assert sorted(network.lines) == sorted(commute.tracks)


def test_nearly_all_distance_lands_on_the_right_directed_segment(commute: Drives) -> None:
    got = judged(commute)
    assert got.right >= 0.98
    assert got.wrong <= 0.005


@pytest.mark.parametrize("seed", [1, 2])
def test_parallel_road_overpass_detour_and_laps_are_told_apart(seed: int) -> None:
    got = judged(drives(TOWN, seed=seed))
    assert got.right >= 0.98
    assert got.wrong <= 0.005


def test_fifteen_metre_noise_costs_little() -> None:
    got = judged(drives(COMMUTE, seed=3, white_m=15, bias_m=6, drift_m=4))
    assert got.right >= 0.98
    assert got.wrong <= 0.005


def test_a_fix_every_five_seconds_is_enough() -> None:
    got = judged(drives(TOWN, seed=4, fix_every_s=5))
    assert got.right >= 0.98
    assert got.wrong <= 0.005


@pytest.mark.parametrize(
    ("setting", "seed"),
    [*((s, seed) for s in (SETTINGS[3], SETTINGS[6]) for seed in (101, 103)), (SETTINGS[3], 120)],
    ids=lambda v: getattr(v, "name", str(v)),
)
def test_a_whole_town_is_told_apart_in_noise(setting: Setting, seed: int) -> None:
    got = placed(driven(setting, seed))
    assert got.right >= 0.98
    assert got.wrong <= 0.005


def test_course_of_a_tunnel_stays_where_its_ends_and_length_put_it() -> None:
    got = placed(driven(SETTINGS[8], 105))
    assert got.near >= 0.99


def test_nothing_is_lost_between_segments_where_roads_part() -> None:
    made = driven(SETTINGS[0], 100)
    network = find_network(made.tracks, made.arms, segment_length_km=1.0, min_runs_per_arm=2)
    for run, route in made.routes.items():
        if route in ("parallel", "detour"):
            on = match(made.tracks[run], network, run)
            names = on["segment"].to_numpy()
            assert len({n[0] for n in names if n}) == 2
            driven_on = np.flatnonzero(names != "")
            assert (names[driven_on[0] : driven_on[-1]] != "").all()


def test_straight_tunnel_keeps_its_fuel() -> None:
    got = judged(drives(COMMUTE, seed=5, dropout=(4000, 4600)))
    assert got.right >= 0.98


def test_parking_at_either_end_is_on_no_segment(commute: Drives) -> None:
    network = find_network(commute.tracks, commute.arms, segment_length_km=1.0, min_runs_per_arm=2)
    on = match(commute.tracks[0], network, 0)
    standing = commute.tracks[0]["speed_kmh"].to_numpy() == 0
    parked = np.cumsum(~standing) == 0
    assert parked.sum() >= 20
    assert (on["segment"][parked] == "").all()
    assert (on["traversal"][parked] == -1).all()


def test_same_logs_give_the_same_network(commute: Drives) -> None:
    options = {"segment_length_km": 1.0, "min_runs_per_arm": 2}
    first = find_network(commute.tracks, commute.arms, **options)
    backwards = dict(reversed(commute.tracks.items()))
    second = find_network(backwards, commute.arms, **options)
    assert [s.id for s in first.segments] == [s.id for s in second.segments]
    for a, b in zip(first.segments, second.segments, strict=True):
        np.testing.assert_array_equal(a.x_m, b.x_m)


def test_road_that_one_arm_never_drove_is_no_segment() -> None:
    plan = [("out", arm) for _ in range(3) for arm in ARMS] + [("back", "baseline")] * 4
    made = drives(plan, seed=6)
    network = find_network(made.tracks, made.arms, segment_length_km=1.0, min_runs_per_arm=2)
    assert {s.id[0] for s in network.segments} == {"A"}


def test_no_common_road_says_how_much_was_found_and_what_to_do() -> None:
    made = drives([("out", "baseline")] * 3 + [("laps", "fitted")] * 3, seed=7)
    with pytest.raises(DesignError, match=r"3 baseline and 3 fitted runs.*0\.00 km.*drive"):
        find_network(made.tracks, made.arms, segment_length_km=1.0, min_runs_per_arm=2)


def test_without_positions_the_run_is_the_unit() -> None:
    made = drives([("out", "baseline"), ("out", "fitted")], seed=8)
    bare = {r: t.drop(columns=["lat_deg", "lon_deg", "altitude_m"]) for r, t in made.tracks.items()}
    network = find_network(bare, made.arms, segment_length_km=1.0, min_runs_per_arm=2)
    assert network.kind == "run"
    assert network.origin is None
    on = match(bare[0], network, 0)
    assert (on["segment"] == "run").all()
    assert on["s_m"].iloc[-1] == pytest.approx(9650, rel=0.05)


def test_a_run_without_positions_is_on_no_segment(commute: Drives) -> None:
    tracks = dict(commute.tracks)
    tracks[0] = tracks[0].assign(lat_deg=np.nan, lon_deg=np.nan)
    network = find_network(tracks, commute.arms, segment_length_km=1.0, min_runs_per_arm=2)
    assert 0 not in network.lines
    assert (match(tracks[0], network, 0)["traversal"] == -1).all()


@pytest.mark.parametrize("rows", [0, 1, 2])
def test_a_run_of_a_few_samples_does_no_harm(commute: Drives, rows: int) -> None:
    tracks = {**commute.tracks, 99: commute.tracks[0].iloc[:rows].reset_index(drop=True)}
    arms = {**commute.arms, 99: "fitted"}
    network = find_network(tracks, arms, segment_length_km=1.0, min_runs_per_arm=2)
    assert len(match(tracks[99], network, 99)) == rows


def test_frames_go_through_unchanged(commute: Drives) -> None:
    before = commute.tracks[0].copy()
    network = find_network(commute.tracks, commute.arms, segment_length_km=1.0, min_runs_per_arm=2)
    match(commute.tracks[0], network, 0)
    assert commute.tracks[0].equals(before)


def test_ten_seconds_of_wild_fixes_do_not_break_a_pass(commute: Drives) -> None:
    network = find_network(commute.tracks, commute.arms, segment_length_km=1.0, min_runs_per_arm=2)
    clean = match(commute.tracks[0], network, 0)
    wild = commute.tracks[0].copy()
    middle = clean.index[clean["segment"] == "A05"][20:30]
    wild.loc[middle, "lat_deg"] += 0.003
    got = match(wild, network, 0)
    assert (got.loc[middle, "segment"] == "A05").all()
    assert got["traversal"].max() == clean["traversal"].max()


def test_out_and_back_in_one_run_is_two_directions() -> None:
    made = drives([("over the bridge and back", arm) for _ in range(2) for arm in ARMS], seed=9)
    network = find_network(made.tracks, made.arms, segment_length_km=1.0, min_runs_per_arm=2)
    north = [s for s in network.segments if s.y_m[-1] - s.y_m[0] > 300]
    south = [s for s in network.segments if s.y_m[-1] - s.y_m[0] < -300]
    assert len(north) >= 4
    assert len(south) >= 4


def test_each_lap_is_a_traversal_of_its_own() -> None:
    made = drives([("laps", arm) for _ in range(2) for arm in ARMS], seed=10)
    network = find_network(made.tracks, made.arms, segment_length_km=1.0, min_runs_per_arm=2)
    on = match(made.tracks[0], network, 0)
    laps = on[on["segment"] == "A02"].groupby("traversal").size()
    assert len(laps) == 3
    assert sum(s.length_m for s in network.segments) == pytest.approx(3000, abs=250)


def test_joining_half_way_gives_part_of_a_segment(commute: Drives) -> None:
    network = find_network(commute.tracks, commute.arms, segment_length_km=1.0, min_runs_per_arm=2)
    whole = match(commute.tracks[0], network, 0)
    inside = whole.index[whole["segment"] == "A04"]
    late = commute.tracks[0].loc[inside[len(inside) // 2] :].reset_index(drop=True)
    got = match(late, network, 0)
    first = got[got["segment"] == "A04"]["s_m"]
    assert first.min() > 0.3 * segment_of(network, "A04").length_m
    assert (got["segment"] == "A05").sum() == (whole["segment"] == "A05").sum()
