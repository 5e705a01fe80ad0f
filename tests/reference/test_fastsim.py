"""The whole pipeline against an independent vehicle simulator that burns the fuel.

Source: the library fastsim 3.1 (U.S. National Renewable Energy Laboratory, from the package
registry), its conventional petrol car "2012 Ford Fusion" and its copies of the published schedules
UDDS and HWFET (40 CFR 86 appendix I, 40 CFR 600 appendix I). It knows nothing of our method: road
load, driveline, engine map and fuel are its own. The truth of a change is the simulator's own ratio
of fuel with and without it on identical cycles. Days, traffic and receiver errors are invented.
docs/simulator.md has the numbers and how to print them.
"""

import numpy as np
import pytest

pytest.importorskip("fastsim")

from tests.reference import fastsim_study as simulator
from tests.reference.fastsim_study import CHANGES, FIRST_SEED, NOTHING

ACCESSORIES_SMALL, ACCESSORIES, CDA, MASS = CHANGES


@pytest.fixture(scope="module")
def driven():
    """Both routes, twelve days each, every run with and without each change."""
    changes = {"demo": CHANGES, "schedules": (ACCESSORIES,)}
    return {route: simulator.simulate(route, FIRST_SEED, changes[route]) for route in changes}


@pytest.fixture(scope="module")
def found(driven):
    """Recoveries by route and change, made once when first asked for."""
    done = {}

    def recover(route, change):
        if (route, change) not in done:
            done[route, change] = simulator.recover(driven[route], change)
        return done[route, change]

    return recover


@pytest.mark.parametrize(
    ("route", "change"),
    [*(("demo", change) for change in CHANGES), ("schedules", ACCESSORIES)],
    ids=lambda x: getattr(x, "name", x),
)
def test_interval_holds_the_change_that_the_simulator_burned(found, route, change):
    recovery, _ = found(route, change)
    print(
        f"\n{route}, {change.name}: simulator {recovery.truth_pct:+.2f} %, roadlog "
        f"{recovery.primary.estimate:+.2f} % "
        f"[{recovery.primary.low:+.2f}, {recovery.primary.high:+.2f}]"
    )
    assert recovery.holds
    width = recovery.primary.high - recovery.primary.low
    assert width < 10, "an interval that wide holds anything"


def test_interval_of_one_kilowatt_excludes_no_effect(found):
    for route in simulator.ROUTES:
        recovery, _ = found(route, ACCESSORIES)
        assert recovery.primary.low > 2


def test_fuel_per_demand_is_near_the_simulators_ratio_of_totals(found):
    """The cross-check with the same estimand as the simulator: total fuel over expected fuel."""
    for change in CHANGES:
        recovery, _ = found("demo", change)
        assert recovery.estimates["fuel per demand"] == pytest.approx(recovery.truth_pct, abs=1.0)


def test_heavier_or_blunter_car_shows_as_effect_because_demand_is_the_declared_cars(found):
    _, light = found("demo", ACCESSORIES)
    for change in (CDA, MASS):
        _, changed = found("demo", change)
        for column in ("demand_kj_per_km", "duration_s", "distance_km"):
            assert np.array_equal(changed.passes[column], light.passes[column])


def test_accessories_cost_more_where_a_kilometre_takes_longer(driven, found):
    """UDDS (31 km/h) and HWFET (78 km/h): the same power, more time, more fuel a kilometre."""
    _, more = found("schedules", ACCESSORIES)
    effects = more.effect.segment_effects.set_index("segment")["change_pct"]
    pace = more.passes.groupby("segment")[["duration_s", "distance_km"]].sum()
    slow = (pace["duration_s"] / pace["distance_km"]).reindex(effects.index)
    assert np.corrcoef(slow, effects)[0, 1] > 0.5


@pytest.mark.parametrize("route", simulator.ROUTES)
def test_demand_explains_nine_tenths_of_the_variance_between_passes(route):
    """Exact logs, no change, no day's mood: fuel per km on our demand and time per km."""
    exact = simulator.simulate(route, FIRST_SEED, (), noise=False, days=6)
    fit = simulator.demand_fit(simulator.analysed(exact, NOTHING).passes)
    print(f"\n{route}: {fit}")
    assert fit["passes"] >= 200
    assert fit["all"] >= 0.9
    assert fit["mL of a pass"] >= 0.9
    assert fit["within segments"] >= 0.9


@pytest.mark.slow
def test_intervals_hold_the_changes_as_often_as_they_say():
    """Ten studies of each: at 95 %, fewer than 71 of 80 has a chance of 1 % (binomial)."""
    table = simulator.table_of(simulator.recoveries(range(FIRST_SEED, FIRST_SEED + 10)))
    print(simulator.summary(table).round(2).to_string())
    assert len(table) == 80
    assert table["holds"].sum() >= 71
