"""A fuel figure that the add-on may have bent carries no firm word, of however many vehicles."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from roadlog.effect import fuel_physics
from roadlog.fleet.answer import Sort, reduced
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.doubts import doubts_of
from roadlog.fleet.estimators import estimate
from roadlog.fleet.fit import fit_fleet
from roadlog.fleet.pipeline import Tables
from roadlog.fleet.result import FleetResult
from roadlog.fleet.signals import PART, Signals
from roadlog.fleet.vehicle import VehicleUnits
from roadlog.quantities.against import Against
from roadlog.quantities.facts import Veto
from roadlog.study.car import Claim, Place
from tests.fleet.made import parallel_fleet, rollout_fleet, switching_fleet

CLAIM = Claim(fuel_pct=8)
LACKING = "both fuel trims aren't there in 4 of 8 runs (first a.csv)"


def with_signals(
    fleet: Sequence[VehicleUnits],
    *,
    estimator: str = "maf-trims",
    acts_on: Place | None = "intake",
    lacking: str = "",
    doubts: tuple[Veto, ...] = (),
    **moved: float,
) -> list[VehicleUnits]:
    """The vehicles with clues that move by so many percent with the add-on, beside their noise."""
    rng = np.random.default_rng(5)
    names = ("trim1", "air_per_pressure", "injected_per_pressure", PART)

    def clue(v: VehicleUnits, name: str) -> np.ndarray:
        arm = v.known.arm
        return (moved.get(name, 0.0) * arm + 0.3 * rng.normal(size=len(arm))).astype(np.float32)

    def seen(v: VehicleUnits) -> Signals:
        clues = {n: clue(v, n) for n in names}
        return Signals(estimator, acts_on, False, lacking, clues, np.zeros(len(v.units)), doubts)

    return [replace(v, signals=seen(v)) for v in fleet]


def saving(vehicles: int = 8) -> list[VehicleUnits]:
    return switching_fleet(np.random.default_rng(3), vehicles, effect=-0.13, spread=0.005)


def fitted(fleet: Sequence[VehicleUnits], design: FleetDesign | None = None) -> FleetResult:
    return fit_fleet(fleet, design or FleetDesign(), claim=CLAIM)


def test_an_air_meter_bent_alike_in_every_vehicle_saves_no_fuel() -> None:
    bent = fitted(with_signals(saving(), injected_per_pressure=-15.0))
    assert bent.effect.high is not None
    assert bent.effect.high < -8
    assert bent.finding.word == "undecided"
    assert Against.BENT() in bent.against_change
    assert any("air meter times trims for its rpm" in r for r in bent.finding.reasons)
    sound = fitted(with_signals(saving()))
    assert (sound.finding.word, sound.against_change) == ("supported", ())


@pytest.mark.parametrize("design", ["vehicle", "rollout"])
def test_so_it_is_where_vehicles_are_switched(design: str) -> None:
    rng = np.random.default_rng(3)
    if design == "vehicle":
        fleet, until = parallel_fleet(rng, 12, effect=-0.13)
        how = FleetDesign("vehicle", baseline_until=until)
    else:
        fleet, how = rollout_fleet(rng, 12, effect=-0.13), FleetDesign("rollout")
    assert fitted(with_signals(fleet), how).finding.word == "supported"
    bent = fitted(with_signals(fleet, injected_per_pressure=-15.0), how)
    assert bent.finding.word == "undecided"
    assert Against.BENT() in bent.against_change


def test_a_figure_without_trims_needs_them_where_the_add_on_sits_at_the_meter() -> None:
    blind = fitted(with_signals(saving(), estimator="maf", lacking=LACKING))
    assert blind.finding.word == "undecided"
    assert any("both fuel trims aren't there" in r for r in blind.finding.reasons)
    electrical = with_signals(saving(), estimator="maf", lacking=LACKING, acts_on="electrical")
    assert fitted(electrical).finding.word == "supported"
    nowhere = fitted(with_signals(saving(), estimator="maf", lacking=LACKING, acts_on=None))
    assert Against.NO_PLACE() in nowhere.against_change


def test_one_vehicle_in_doubt_is_told_and_costs_the_fleet_nothing() -> None:
    fleet = saving()
    mixed = [*with_signals(fleet[1:]), *with_signals(fleet[:1], estimator="maf", lacking=LACKING)]
    found = fitted(mixed)
    assert found.finding.word == "supported"
    told = [str(w.message) for w in found.warnings if w.code == "figure-in-doubt"]
    assert len(told) == 1
    assert told[0].startswith("vehicle v00000: ")
    assert "the word stands without" in told[0]


def test_a_word_that_hangs_on_vehicles_in_doubt_is_none() -> None:
    fleet = saving()
    wheels = Veto("undecided: by the logged speed the same road is 4.0 % longer", Against.WHEELS())
    found = fitted([*with_signals(fleet[:6], doubts=(wheels,)), *with_signals(fleet[6:])])
    assert found.finding.word == "undecided"
    assert found.against_change == (Against.WHEELS(),)


def test_a_change_that_no_add_on_makes_is_a_unit() -> None:
    fleet = switching_fleet(np.random.default_rng(3), 8, effect=-0.9)
    found = fitted(with_signals(fleet, acts_on="electrical"))
    assert found.finding.word == "undecided"
    assert Against.TOO_LARGE() in found.against_change


def test_a_gallon_for_the_other_one_in_one_arm_supports_nothing() -> None:
    fleet = switching_fleet(np.random.default_rng(3), 8, effect=-np.log(1.2009), spread=0.005)
    seen = with_signals(fleet, estimator="rate", acts_on="electrical")
    assert fitted(seen).finding.word == "supported"  # read in litres
    gallons = [replace(v, signals=replace(v.signals, unit="gal (us)/h")) for v in seen if v.signals]
    found = fitted(gallons)
    assert found.finding.word == "undecided"
    assert Against.OTHER_UNIT() in found.against_change


def test_a_vehicles_own_logs_tell_what_its_signals_show(made: Tables) -> None:
    car = fuel_physics(density_kg_m3=745, lhv_mj_kg=42.0, displacement_l=1.8)
    units = [
        reduced(made.out, r, FleetDesign(), car, Sort("intake", False), "") for r in made.compared
    ]
    signals = units[0].signals
    assert signals is not None
    assert (signals.estimator, signals.doubts) == ("maf-trims", ())
    assert {len(c) for c in signals.clues.values()} == {len(units[0].units)}
    contrast = estimate(units, FleetDesign(), lambda f: f.value)
    (group,) = doubts_of(contrast, FleetDesign()).groups
    assert group.vehicles == ("car 0", "car 1", "car 2")
    assert "trim1" in set(group.evidence.table["name"])
