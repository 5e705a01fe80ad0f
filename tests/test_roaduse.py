"""Every kilometre driven is accounted for: placed on shared road, used, or lost with its cause."""

from functools import partial

import numpy as np
import pandas as pd
import pytest

from roadlog import road
from roadlog.passes.conditions import add_conditions
from roadlog.passes.facts import Lost
from roadlog.passes.road_use import (
    LEAST_SHARE,
    RoadUse,
    lost_blocking,
    lost_warnings,
    road_use,
    uneven_wheels,
)
from roadlog.passes.table import build_passes
from roadlog.report.tabulate import road_table
from roadlog.study.settings import parse_study
from tests.road.synthetic import Drives, drives

PLAN = [("out", a) for _ in range(4) for a in ("baseline", "fitted")]
STUDY = parse_study("[vehicle]\nmass_kg = 1310\n[analysis]\nmin_coverage = 0.5\n")


def use_of(made: Drives, *, skip: tuple[int, ...] = (), set_aside: tuple[int, ...] = ()) -> RoadUse:
    runs = pd.DataFrame({"run": list(made.tracks), "arm": list(made.arms.values())}).assign(
        file="a.csv", start=pd.NaT, day="", block="", used=True, reason="", km=1.0,
        switch_unit=[str(r) for r in made.tracks], l_per_g=0.00134,
    )  # fmt: skip
    runs.loc[runs["run"].isin(skip), ["used", "reason"]] = [False, "no fuel flow"]
    kept = {r: t for r, t in made.tracks.items() if r not in skip}
    network = road.find_network(kept, made.arms)
    tracks = {r: add_conditions(road.match(t, network, r), STUDY.vehicle) for r, t in kept.items()}
    table = build_passes(tracks, runs, network, STUDY, None)
    return road_use(
        runs, list(made.tracks.values()), tracks, table, network, set_aside=list(set_aside)
    )


def lost(use: RoadUse, arm: str) -> dict[str, float]:
    return dict(use.arms[arm].lost)


@pytest.fixture(scope="module")
def good() -> RoadUse:
    return use_of(drives(PLAN, seed=3))


def test_a_sound_study_uses_its_road_and_is_not_held_back(good: RoadUse) -> None:
    for arm in ("baseline", "fitted"):
        mine = good.arms[arm]
        assert mine.driven_km == pytest.approx(4 * 9.5, rel=0.05)
        assert mine.share > 0.95
        assert mine.used_km + sum(lost(good, arm).values()) == pytest.approx(
            mine.driven_km, abs=0.2
        )
    assert lost_warnings(good) == lost_blocking(good) == []


def test_what_is_driven_is_used_or_lost_for_a_cause() -> None:
    made = drives(PLAN, seed=3)
    for run, frame in made.tracks.items():
        if made.arms[run] == "fitted":
            frame.loc[len(frame) // 2 :, ["lat_deg", "lon_deg"]] = np.nan
    use = use_of(made)
    fitted = use.arms["fitted"]
    assert fitted.share < LEAST_SHARE
    assert max(lost(use, "fitted"), key=lost(use, "fitted").__getitem__) == str(Lost.NO_POSITION())
    total = fitted.used_km + sum(km for _, km in fitted.lost)
    assert total == pytest.approx(fitted.driven_km, abs=0.2)
    (blocking,) = lost_blocking(use)
    assert "the fitted arm used" in blocking
    assert "km no position" in blocking
    assert [w.code for w in lost_warnings(use)] == ["road-lost"]
    # the baseline's other half is a road that the fitted arm isn't known on: no loss of its own
    assert use.arms["baseline"].share > 0.9
    assert lost(use, "baseline")[str(Lost.ELSEWHERE())] > 15


def test_errands_on_other_roads_hold_nothing_back() -> None:
    made = drives([*PLAN, ("laps", "fitted"), ("back", "baseline")], seed=4)
    use = use_of(made)
    assert lost(use, "fitted")[str(Lost.ELSEWHERE())] > 5
    assert lost(use, "baseline")[str(Lost.ELSEWHERE())] > 5
    assert lost_warnings(use) == []


def test_drifting_positions_are_told_as_astray() -> None:
    made = drives(PLAN, seed=5, drift_m=30.0)
    use = use_of(made)
    assert min(mine.share for mine in use.arms.values()) < 0.8
    assert sum(lost(use, arm).get(str(Lost.ASTRAY()), 0.0) for arm in use.arms) > 5


def test_a_run_that_counts_for_nothing_is_driven_and_lost() -> None:
    made = drives(PLAN, seed=3)
    use = use_of(made, skip=(1,))
    assert lost(use, "fitted")["run not used: no fuel flow"] == pytest.approx(9.5, rel=0.05)
    assert use.arms["fitted"].share == pytest.approx(0.75, abs=0.03)
    agreed = use_of(made, skip=(1,), set_aside=(1,))
    assert agreed.arms["fitted"].share > 0.95


def test_the_table_of_the_report_adds_up(good: RoadUse) -> None:
    class Labelled:
        study = STUDY

    rows = {r[0]: r[1:] for r in partial(road_table, Labelled)(good).rows}
    assert {"driven", "placed on shared road", "used", "used, % of what could be"} <= set(rows)


@pytest.mark.parametrize(("bent", "blocked"), [(1.0, False), (1.005, False), (1.03, True)])
def test_wheels_that_measure_the_road_by_arm_hold_the_finding_back(
    bent: float, blocked: bool
) -> None:
    rng = np.random.default_rng(5)
    run = np.repeat(np.arange(24), 17)
    arm = np.where(run % 2, "fitted", "baseline")
    ratio = 1.02 * np.exp(rng.normal(0, 0.006, run.size) + rng.normal(0, 0.002, 24)[run])
    ratio = np.where(arm == "fitted", bent * ratio, ratio)
    table = pd.DataFrame({"run": run, "arm": arm, "used": True, "length_ratio": ratio})
    assert bool(uneven_wheels(table)) == blocked
    assert uneven_wheels(table.drop(columns="length_ratio")) == []
