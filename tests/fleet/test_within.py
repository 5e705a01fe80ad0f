"""Vehicles that switch by day: the mixed model against closed forms, and what attacks it."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from roadlog.effect import fuel_physics
from roadlog.effect.estimate import primary_stages
from roadlog.errors import DesignError, InputError
from roadlog.fleet import FleetDesign, fit_fleet, gather, reduce_vehicle
from roadlog.fleet.vehicle import VehicleUnits
from roadlog.study.car import Claim
from tests.fleet.made import pass_table, switching_fleet, units_of

CAR = fuel_physics(density_kg_m3=745, lhv_mj_kg=42.0, displacement_l=1.8)
DESIGN = FleetDesign()


def changed(v: VehicleUnits, **figures: np.ndarray) -> VehicleUnits:
    return replace(v, figures=replace(v.known, **figures))


def test_a_balanced_fleet_gives_the_t_test_of_the_vehicles_contrasts() -> None:
    fleet = switching_fleet(np.random.default_rng(3), 9, effect=-0.03, spread=0.02)
    own = [v.known.value[v.known.arm == 1].mean() - v.known.value[v.known.arm == 0].mean()
           for v in fleet]  # fmt: skip
    found = fit_fleet([changed(v, day=np.full(12, -1)) for v in fleet], DESIGN)
    low, high = stats.t.interval(0.95, 8, np.mean(own), stats.sem(own))
    assert found.effect.low == pytest.approx(100 * np.expm1(low), rel=1e-6)
    assert found.effect.high == pytest.approx(100 * np.expm1(high), rel=1e-6)
    # Analysis of variance: the contrasts' variance less that of days, 1/3 of it from 2 x 6 days.
    squares, df = 0.0, 0
    for v in fleet:
        z, arm = v.known.value, v.known.arm
        blocks = np.repeat(np.arange(3), 4)
        x = np.column_stack([*(blocks == b for b in range(3)), arm]).astype(float)
        squares += float(np.linalg.lstsq(x, z, rcond=None)[1][0])
        df += 8
    variance = np.var(own, ddof=1) - squares / df / 3
    assert found.spread is not None
    assert found.spread.estimate == pytest.approx(100 * np.sqrt(variance), rel=1e-6)


def test_order_and_partition_of_the_tables_leave_every_digit() -> None:
    rng = np.random.default_rng(5)
    tables = [pass_table(rng, f"van {i}", effect=-0.02) for i in range(4)]
    first = fit_fleet(tables, DESIGN, physics=CAR).to_json()
    shuffled = [t.sample(frac=1, random_state=i) for i, t in enumerate(tables[::-1])]
    assert fit_fleet(shuffled, DESIGN, physics=CAR).to_json() == first
    pieces = [t[t["run"] % 3 == k] for t in tables for k in (2, 0, 1)]
    assert fit_fleet(gather(pieces), DESIGN, physics=CAR).to_json() == first
    made = [reduce_vehicle(t, DESIGN, CAR) for t in tables]
    assert fit_fleet(iter(made), DESIGN).to_json() == first


def test_a_vehicle_of_the_fleet_is_the_car_of_its_own_study() -> None:
    table = pass_table(np.random.default_rng(6), "van", days=12)
    of_car = primary_stages(table, randomised=True, physics=CAR)
    made = reduce_vehicle(table, DESIGN, CAR)
    assert np.array_equal(made.known.value, of_car.fit.ratio_log)


def test_a_vehicle_in_two_tables_is_refused_by_name() -> None:
    table = pass_table(np.random.default_rng(6), "van 7")
    with pytest.raises(InputError, match="van 7 comes in more than one table"):
        fit_fleet([table[table["run"] < 4], table[table["run"] >= 4]], DESIGN, physics=CAR)


def test_one_arm_alone_says_nothing_and_is_listed() -> None:
    fleet = switching_fleet(np.random.default_rng(7), 6)
    lone = units_of("zz", np.ones(12), np.full(12, -3.0))
    found = fit_fleet([*fleet, lone], DESIGN)
    assert found.effect == fit_fleet(fleet, DESIGN).effect
    assert found.left_out.to_dict("records")[0]["vehicle"] == "zz"
    with pytest.raises(DesignError, match="1 of 2 vehicles"):
        fit_fleet([fleet[0], lone], DESIGN)


@pytest.mark.parametrize("bent", [1, 3])
def test_bent_vehicles_make_no_firm_word(bent: int) -> None:
    fleet = switching_fleet(np.random.default_rng(8), 20, effect=0.0, spread=0.005)
    slip = [changed(v, value=v.known.value + np.log(0.55) * v.known.arm) for v in fleet[:bent]]
    found = fit_fleet([*slip, *fleet[bent:]], DESIGN, claim=Claim(fuel_pct=2))
    assert found.finding.word == "undecided"
    apart = found.vehicles[found.vehicles["outlying"]]["vehicle"].tolist()
    assert apart == [v.vehicle for v in slip]
    assert any(w.code == "outlying-vehicle" for w in found.warnings)
    assert fit_fleet(fleet, DESIGN, claim=Claim(fuel_pct=4)).finding.word == "refuted"


def test_a_unit_slip_in_both_arms_of_a_vehicle_changes_nothing() -> None:
    fleet = switching_fleet(np.random.default_rng(9), 8)
    slip = changed(fleet[0], value=fleet[0].known.value + np.log(3.785))
    found, plain = fit_fleet([slip, *fleet[1:]], DESIGN), fit_fleet(fleet, DESIGN)
    assert found.effect.estimate == pytest.approx(plain.effect.estimate, abs=1e-9)


def test_a_copied_vehicle_counts_once() -> None:
    rng = np.random.default_rng(10)
    tables = [pass_table(rng, f"van {i}", effect=-0.02) for i in range(4)]
    copy = tables[0].assign(vehicle="wagon", fuel_ml=tables[0]["fuel_ml"] * 1.001)
    copy["segment"] = "other " + copy["segment"]
    copy["start"] += np.timedelta64(400, "D")
    plain = fit_fleet(tables, DESIGN, physics=CAR)
    found = fit_fleet([*tables, copy], DESIGN, physics=CAR)
    assert found.effect == plain.effect
    assert "holds the same drives as vehicle van 0" in found.left_out["why"].iloc[0]
    swapped = copy.assign(arm=copy["arm"].map({"baseline": "fitted", "fitted": "baseline"}))
    crossed = fit_fleet([*tables, swapped], DESIGN, physics=CAR, claim=Claim(fuel_pct=30))
    assert plain.finding.word is None
    assert crossed.finding.word == "undecided"
    assert "different arms" in " ".join(crossed.finding.reasons)


def test_the_mean_is_not_what_the_next_vehicle_gets() -> None:
    fleet = switching_fleet(np.random.default_rng(11), 40, effect=-0.06, spread=0.04)
    found = fit_fleet(fleet, DESIGN, claim=Claim(fuel_pct=10))
    assert found.finding.word == "refuted"
    assert found.next_vehicle is not None
    assert found.next_vehicle.low < -10 < found.next_vehicle.high
    assert "some may reach the claim" in found.finding.reasons[-1]


def test_groups_are_shown_only_where_planned() -> None:
    fleet = switching_fleet(np.random.default_rng(12), 8)
    labels = {v.vehicle: "diesel" if i < 4 else "petrol" for i, v in enumerate(fleet)}
    assert fit_fleet(fleet, DESIGN, groups=labels).by_group == ()
    planned = FleetDesign(groups=("diesel", "petrol"))
    found = fit_fleet(fleet, planned, groups=labels).by_group
    assert [(g.group, g.vehicles) for g in found] == [("diesel", 4), ("petrol", 4)]


def test_vans_on_one_schedule_count_as_days_not_as_vans() -> None:
    rng = np.random.default_rng(13)
    held = told = 0
    for _ in range(12):
        fleet = switching_fleet(rng, 20, day_effects=0.03, one_schedule=True)
        found = fit_fleet(fleet, DESIGN, claim=Claim(fuel_pct=0))
        held += found.effect.low <= 0 <= found.effect.high
        told += any(w.code == "shared-days" for w in found.warnings)
    assert held >= 10  # counting vans alone holds it in a third
    assert told >= 10
    alone = fit_fleet(switching_fleet(rng, 20), DESIGN)
    assert not any(w.code == "shared-days" for w in alone.warnings)


def test_orders_of_chance_agree_with_one_cars_own() -> None:
    fleet = switching_fleet(np.random.default_rng(14), 10, effect=-0.03)
    found = fit_fleet(fleet, DESIGN)
    assert found.randomisation is not None
    assert found.randomisation.low == pytest.approx(found.effect.low, abs=0.6)
    assert found.randomisation.high == pytest.approx(found.effect.high, abs=0.6)
    assert found.randomisation.p < 0.01


@pytest.mark.parametrize("bent", [8, 9])
def test_many_bent_alike_don_t_carry_the_mean_past_the_middle_vehicle(bent: int) -> None:
    fleet = switching_fleet(np.random.default_rng(15), 20, spread=0.005)
    slip = [changed(v, value=v.known.value - 0.3 * v.known.arm) for v in fleet[:bent]]
    found = fit_fleet([*slip, *fleet[bent:]], DESIGN, claim=Claim(fuel_pct=2))
    assert found.effect.high < -2
    assert found.finding.word == "undecided"


def test_vehicles_that_agree_too_well_make_no_firm_word() -> None:
    rng = np.random.default_rng(16)
    fleet = switching_fleet(rng, 10)
    made_up = []
    for v in fleet:
        f = v.known
        half = f.arm == 1
        value = f.value - np.where(half, f.value[half].mean(), f.value[~half].mean())
        made_up.append(changed(v, value=value - 0.06 * half + 1e-4 * rng.normal(size=12)))
    found = fit_fleet(made_up, DESIGN, claim=Claim(fuel_pct=5))
    assert found.finding.word == "undecided"
    assert "better than" in " ".join(found.finding.reasons)


def test_one_vehicle_with_most_of_the_days_isn_t_the_fleet() -> None:
    rng = np.random.default_rng(17)
    arm = np.arange(4000) % 2
    giant = units_of("giant", arm, 0.02 * rng.normal(size=4000) - 0.05 * arm)
    fleet = switching_fleet(rng, 6, days=lambda i: 4)
    found = fit_fleet([giant, *fleet], DESIGN, claim=Claim(fuel_pct=4))
    assert found.finding.word == "undecided"
    assert found.effect.high > 0


def test_two_vehicles_give_an_estimate_and_no_interval() -> None:
    found = fit_fleet(switching_fleet(np.random.default_rng(18), 2), DESIGN)
    assert (found.effect.low, found.next_vehicle) == (None, None)
    assert found.to_json()["effect"]["low"] is None
