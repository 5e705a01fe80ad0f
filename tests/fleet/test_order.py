"""Vehicles that changed arms once: a season that turned on that day is no effect of the add-on."""

import numpy as np
import pytest

from roadlog.errors import DesignError
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.fit import fit_fleet
from roadlog.fleet.order import forbidden_by_order
from roadlog.fleet.vehicle import VehicleUnits
from roadlog.study.car import Claim
from tests.fleet.made import switching_fleet, units_of

CLAIM = Claim(fuel_pct=4)
DAYS = np.arange(4)


def fitted_once(vehicles: int = 8, days: int = 20, season: float = -0.06) -> list[VehicleUnits]:
    """No effect at all; fuel use falls with the season on the day on which all were fitted."""
    rng = np.random.default_rng(1)
    arm = (np.arange(days) >= days // 2).astype(int)
    return [
        units_of(f"v{i}", arm, season * arm + 0.01 * rng.normal(size=days)) for i in range(vehicles)
    ]


def test_a_fleet_fitted_on_one_day_is_no_test_of_it() -> None:
    with pytest.raises(DesignError, match=r"its arm changed once.*write switched = \"rollout\""):
        fit_fleet(fitted_once(), FleetDesign(randomised=False), claim=CLAIM)


def test_nobody_believes_that_chance_drew_one_change_for_all() -> None:
    found = fit_fleet(fitted_once(), FleetDesign(randomised=True), claim=CLAIM)
    assert found.effect.high is not None
    assert found.effect.high < -4
    assert found.finding.word == "undecided"
    assert any("8 of 8 vehicles changed arms just once" in r for r in found.finding.reasons)


def test_one_vehicle_that_changed_once_costs_itself() -> None:
    others = switching_fleet(np.random.default_rng(2), 6)
    found = fit_fleet([*others, fitted_once(1)[0]], FleetDesign(randomised=False), claim=CLAIM)
    assert found.left_out["vehicle"].tolist() == ["v0"]
    assert found.finding.word == "refuted"
    drawn = fit_fleet([*others, fitted_once(1)[0]], FleetDesign(), claim=CLAIM)
    assert drawn.n_vehicles == 7


def test_what_stays_in_a_vehicle_for_good_can_not_be_switched_by_the_day() -> None:
    fleet = switching_fleet(np.random.default_rng(2), 6)
    found = fit_fleet(fleet, FleetDesign(permanent=True), claim=CLAIM)
    assert found.finding.word == "undecided"
    assert any("6 of 6 vehicles drove without it" in r for r in found.finding.reasons)


def test_short_schedules_that_chance_drew_are_believed() -> None:
    """Of four days one order in three changes once: thirteen of twenty vehicles are no wonder."""
    told = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        fleet = [
            units_of(f"v{i}", rng.permuted([0, 0, 1, 1]), 0.01 * rng.normal(size=4), day=i + DAYS)
            for i in range(20)
        ]
        told += len(forbidden_by_order(fleet, FleetDesign()))
    assert told <= 4
