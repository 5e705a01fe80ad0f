"""A run against the network: which segment each second lies on, and how far along."""

import numpy as np
import pandas as pd
import pytest

from roadlog.quantities.tables import TRACK
from roadlog.road import find_network, match
from tests.road.synthetic import Drives, drives, elevation

PLAN = [(route, arm) for arm in ("baseline", "fitted") * 2 for route in ("out", "back")]


@pytest.fixture(scope="module")
def made() -> Drives:
    return drives(PLAN, seed=5, bias_m=1.0, drift_m=1.0, white_m=1.0)


@pytest.fixture(scope="module")
def network(made):
    return find_network(made.tracks, made.arms, segment_length_km=1.0, min_runs_per_arm=2)


def on_road(frame: pd.DataFrame) -> pd.DataFrame:
    return frame[frame["traversal"] >= 0]


def test_a_drive_goes_through_its_segments_in_order_without_a_break(made, network):
    frame = TRACK.check(match(made.tracks[0], network, 0))
    assert (frame["run"] == 0).all()
    on = on_road(frame)
    assert on["traversal"].drop_duplicates().tolist() == list(range(on["segment"].nunique()))
    length = {s.id: s.length_m for s in network.segments}
    for name, part in on.groupby("segment"):
        s = part["s_m"].to_numpy()
        assert (np.diff(s) >= 0).all()
        assert 0 <= s[0] < 40
        assert length[name] - 40 < s[-1] <= length[name]
    assert (frame.loc[frame["traversal"] < 0, "segment"] == "").all()
    assert frame.loc[frame["traversal"] < 0, "s_m"].isna().all()


def test_standing_before_and_after_the_drive_is_parking_and_a_stop_on_the_way_is_not(made, network):
    frame = match(made.tracks[0], network, 0)
    moved = made.tracks[0]["speed_kmh"].to_numpy() > 0
    first, last = np.flatnonzero(moved)[[0, -1]]
    assert (frame["traversal"].iloc[:first] == -1).all()
    assert (frame["traversal"].iloc[last + 2 :] == -1).all()
    standing = np.flatnonzero(~moved[first:last]) + first
    assert len(standing) > 5
    assert (frame["traversal"].iloc[standing] >= 0).mean() > 0.9


def test_there_and_back_are_different_segments_with_opposite_bearings(made, network):
    out, back = (on_road(match(made.tracks[r], network, r)) for r in (0, 1))
    assert not set(out["segment"]) & set(back["segment"])
    east = out["bearing_deg"].mode().round().iloc[0]
    assert east == pytest.approx(90, abs=2)
    assert back["bearing_deg"].mode().round().iloc[0] == pytest.approx(270, abs=2)


def test_grade_is_the_rise_of_the_country_along_the_drive(made, network):
    frame = match(made.tracks[0], network, 0)
    place = made.truth[0]
    ahead = place[:, :2] + 20 * place[:, 2:]
    behind = place[:, :2] - 20 * place[:, 2:]
    true = (elevation(*ahead.T) - elevation(*behind.T)) / 40
    on = (frame["traversal"] >= 0).to_numpy()
    assert np.abs(frame["grade"].to_numpy() - true)[on].mean() < 0.006
    assert np.corrcoef(frame["grade"].to_numpy()[on], true[on])[0, 1] > 0.9
    assert (frame["grade"].to_numpy()[~on] == 0).all()


def test_in_a_tunnel_the_wheels_carry_the_run_on(made, network):
    hidden = made.tracks[0].copy()
    whole = match(made.tracks[0], network, 0)
    inside = whole.index[(whole["segment"] == whole["segment"].unique()[4])]
    hidden.loc[inside, ["lat_deg", "lon_deg", "altitude_m"]] = np.nan
    frame = match(hidden, network, 0)
    assert (frame.loc[inside, "traversal"] >= 0).mean() > 0.95
    both = inside[frame.loc[inside, "segment"] == whole.loc[inside, "segment"]]
    assert len(both) > 0.9 * len(inside)
    assert np.abs(frame.loc[both, "s_m"] - whole.loc[both, "s_m"]).max() < 30
    assert frame.loc[both, ["x_m", "y_m"]].notna().all().all()


def test_a_drive_elsewhere_is_on_no_segment(made, network):
    away = made.tracks[0].assign(lat_deg=made.tracks[0]["lat_deg"] + 0.05)
    frame = match(away, network, 0)
    assert (frame["traversal"] == -1).all()
    assert frame["bearing_deg"].isna().all()
    assert frame["d_m"].iloc[-1] > 9000


def test_the_parallel_road_is_not_taken_for_the_trunk(made, network):
    other = drives([("out round the block", "fitted")], seed=9, bias_m=1.0, drift_m=1.0)
    frame = match(other.tracks[0], network, 0)
    place = other.truth[0]
    round_the_block = (place[:, 1] > 150) & (place[:, 0] < 1500)
    assert round_the_block.sum() > 30
    assert (frame["traversal"].to_numpy()[round_the_block] >= 0).mean() < 0.1
    back_on = (place[:, 0] > 3200) & (place[:, 0] < 6000)
    assert (frame["traversal"].to_numpy()[back_on] >= 0).mean() > 0.95


def test_without_positions_the_run_is_one_segment(made):
    plain = {r: t.drop(columns=["lat_deg", "lon_deg"]) for r, t in made.tracks.items()}
    network = find_network(plain, made.arms, segment_length_km=1.0, min_runs_per_arm=2)
    frame = TRACK.check(match(plain[0], network, 0))
    assert set(frame["segment"]) == {network.segments[0].id}
    assert (frame["traversal"] == 0).all()
    assert (frame["grade"] == 0).all()
    assert np.array_equal(frame["s_m"], frame["d_m"])
    driven = (plain[0]["speed_kmh"] / 3.6).sum()
    assert frame["d_m"].iloc[-1] == pytest.approx(driven, rel=0.01)


@pytest.mark.parametrize(("length_m", "counts"), [(400, True), (45, False)])
def test_a_short_stretch_counts_and_a_touch_of_the_road_does_not(made, network, length_m, counts):
    driven = (made.tracks[0]["speed_kmh"] / 3.6).cumsum()
    there = (driven >= 4000) & (driven < 4000 + length_m)
    part = made.tracks[0][there].reset_index(drop=True)
    frame = match(part, network, 0)
    assert (frame["traversal"] >= 0).any() == counts


def test_parking_in_the_middle_of_a_segment_is_not_driving_it(made, network):
    """A run that begins and ends on the road stands there before and after; fuel burned then is
    no fuel of the segment."""
    whole = made.tracks[0]
    on = np.flatnonzero(match(whole, network, 0)["traversal"].to_numpy() >= 0)
    driven = on[whole["speed_kmh"].to_numpy()[on] > 20]
    middle = whole.iloc[driven[len(driven) // 4] : driven[3 * len(driven) // 4] + 1]

    def parked(at: int) -> pd.DataFrame:
        return pd.concat([middle.iloc[[at]]] * 90).assign(speed_kmh=0.0)

    track = pd.concat([parked(0), middle, parked(-1)], ignore_index=True)
    track = track.assign(t_s=np.arange(len(track), dtype=float))
    traversal = match(track, network, 0)["traversal"].to_numpy()
    assert (traversal[:89] == -1).all()
    assert (traversal[-89:] == -1).all()
    assert (traversal[95:-95] >= 0).mean() > 0.9
