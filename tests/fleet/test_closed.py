"""Fills of many vehicles against their computed fuel: what closes a word, and what forbids it."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from roadlog.fleet.closed import apart, bend_of
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.facts import FillOut
from roadlog.fleet.filled import Filled
from roadlog.fleet.fit import fit_fleet
from roadlog.fleet.result import FleetResult
from roadlog.fleet.signals import Signals
from roadlog.fleet.vehicle import VehicleUnits
from roadlog.quantities.against import Against
from roadlog.study.car import Claim
from tests.fleet.bought import taxis
from tests.fleet.made import switching_fleet

DESIGN = FleetDesign()


@pytest.fixture(scope="module")
def sound() -> list[Filled]:
    return taxis(np.random.default_rng(1), 10, days=20, level_sd_l=0.2)


@pytest.fixture(scope="module")
def bent() -> list[Filled]:
    return taxis(np.random.default_rng(2), 10, days=20, level_sd_l=0.2, bend=lambda i: -0.08)


def diesels(filled: Sequence[Filled], vehicles: int = 10, effect: float = 0.0) -> FleetResult:
    """A fleet whose add-on acts on the fuel, with these vehicles' fills."""
    units = switching_fleet(
        np.random.default_rng(3), vehicles, effect=effect, spread=0.005, scatter=0.04
    )
    own = {f.vehicle: f for f in filled}
    none = Filled("", 0, FillOut.NONE(table="fills.csv"))

    def seen(v: VehicleUnits) -> VehicleUnits:
        lacking = "both fuel trims aren't there in 4 of 8 runs (first a.csv)"
        signals = Signals("rate", "fuel", True, lacking, {}, np.zeros(len(v.units)))
        filled = own.get(v.vehicle, replace(none, vehicle=v.vehicle))
        return replace(v, signals=signals, filled=filled)

    return fit_fleet([seen(v) for v in units], DESIGN, claim=Claim(fuel_pct=12))


def test_a_diesels_fuel_is_believed_once_it_was_held_against_fills(sound: list[Filled]) -> None:
    found = diesels(sound)
    assert found.filled is not None
    assert found.filled.verdict == "agrees"
    assert (found.finding.word, found.against_change) == ("refuted", ())
    bare = diesels([])
    assert (bare.finding.word, bare.filled) == ("undecided", None)
    assert Against.BENT() in bare.against_change


def test_a_figure_that_bends_with_the_arm_carries_no_word(bent: list[Filled]) -> None:
    found = diesels(bent, effect=-0.08)
    assert found.filled is not None
    assert found.filled.verdict == "gap"
    assert found.finding.word == "undecided"
    assert Against.FUEL_DISAGREES() in found.against_change


def test_the_word_rests_on_the_vehicles_that_have_fills(sound: list[Filled]) -> None:
    found = diesels(sound[:8])
    assert found.finding.word == "refuted"
    (told,) = [str(w.message) for w in found.warnings if w.code == "figure-in-doubt"]
    assert told.startswith("vehicles v00008, v00009: ")
    few = diesels(sound[:2])
    assert few.filled is not None
    assert (few.finding.word, few.filled.verdict) == ("undecided", "none")


def test_one_vehicle_whose_fills_part_is_told_and_costs_the_fleet_nothing(
    sound: list[Filled], bent: list[Filled]
) -> None:
    mixed = [*sound[:9], replace(bent[9], vehicle="v00009")]
    assert apart(mixed) == ["v00009"]
    found = diesels(mixed)
    assert found.filled is not None
    assert found.filled.verdict != "gap"
    assert found.finding.word == "refuted"
    (told,) = [str(w.message) for w in found.warnings if w.code == "figure-in-doubt"]
    assert told.startswith("vehicle v00009: fuel filled for each litre computed differs")


def test_a_season_that_changes_all_receipts_isnt_taken_for_the_add_on() -> None:
    design = FleetDesign("rollout")
    rng = np.random.default_rng(9)
    found = bend_of(taxis(rng, 6, days=24, rollout=True, level_sd_l=0.1, season=0.06), design)
    assert found.low is not None
    assert found.high is not None
    assert found.low < 0 < found.high < 4


def test_a_bend_is_found_where_vehicles_are_switched_for_good() -> None:
    rng = np.random.default_rng(9)
    filled = taxis(rng, 6, days=24, rollout=True, level_sd_l=0.1, bend=lambda i: -0.1)
    found = bend_of(filled, FleetDesign("rollout"))
    assert found.low is not None
    assert 4 < found.low < 100 / 9
