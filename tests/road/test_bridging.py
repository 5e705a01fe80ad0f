"""A gap in one run's positions is bridged by wheel distance where other runs know the road."""

import numpy as np
import pandas as pd
import pytest

from roadlog.quantities.columns import frame_of
from roadlog.road import Network, find_network, match
from roadlog.road.bridging import bridged
from tests.road.synthetic import Drives, drives, score

OUT = [("out", a) for _ in range(4) for a in ("baseline", "fitted")]


def blinded(made: Drives, run: int, first_m: float, last_m: float) -> Drives:
    frame = made.tracks[run]
    d = np.cumsum(frame["speed_kmh"] / 3.6)
    frame.loc[(d > first_m) & (d < last_m), ["lat_deg", "lon_deg", "altitude_m"]] = np.nan
    return made


def placed(made: Drives) -> tuple[Network, dict, dict]:
    network = find_network(made.tracks, made.arms)
    alone = {r: match(t, network, r) for r, t in made.tracks.items()}
    return network, alone, {r: frame_of(t) for r, t in bridged(alone, network).items()}


def km_on(track) -> float:
    return float(np.diff(track["d_m"])[track["traversal"].to_numpy()[:-1] >= 0].sum()) / 1000


@pytest.mark.parametrize("gap_m", [800.0, 1600.0, 4000.0])
def test_a_gap_is_bridged_where_other_runs_know_the_road(gap_m: float) -> None:
    made = blinded(drives(OUT, seed=21), 1, 2500.0, 2500.0 + gap_m)
    network, alone, both = placed(made)
    whole = np.median([km_on(t) for r, t in both.items() if r != 1])
    assert km_on(both[1]) == pytest.approx(whole, abs=0.25)
    if gap_m > 1500:
        assert km_on(alone[1]) < whole - 1
    assert score(made, network, both, 2).wrong < 0.002
    mine = both[1][both[1]["traversal"] >= 0]
    usual = both[3][both[3]["traversal"] >= 0]
    assert list(dict.fromkeys(mine["segment"])) == list(dict.fromkeys(usual["segment"]))
    assert mine.groupby("traversal")["segment"].nunique().max() == 1
    assert mine["traversal"].nunique() == usual["traversal"].nunique()
    assert (mine.groupby("traversal")["s_m"].diff().dropna() > -40).all()


def test_a_detour_in_the_gap_is_not_put_on_the_road() -> None:
    plan = [*OUT, ("out round the block", "fitted")]
    made = blinded(drives(plan, seed=22), 8, 400.0, 3500.0)
    _, alone, both = placed(made)
    assert km_on(both[8]) == pytest.approx(km_on(alone[8]))


def test_two_ways_of_one_length_leave_the_gap() -> None:
    plan = [*OUT, *(("out by service road", a) for _ in range(3) for a in ("baseline", "fitted"))]
    made = blinded(drives(plan, seed=23), 1, 2900.0, 5600.0)
    _, alone, both = placed(made)
    assert km_on(both[1]) == pytest.approx(km_on(alone[1]))


def test_a_drive_that_ends_in_the_gap_is_not_carried_on() -> None:
    made = blinded(drives(OUT, seed=24), 1, 5000.0, 99_000.0)
    _, alone, both = placed(made)
    assert km_on(both[1]) == pytest.approx(km_on(alone[1]))


def test_drives_without_a_gap_are_what_they_were() -> None:
    made = drives(OUT, seed=25)
    _, alone, both = placed(made)
    for run, track in alone.items():
        pd.testing.assert_frame_equal(both[run], track)
