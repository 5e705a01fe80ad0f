"""CPU time and peak memory of the fleet's model on passes that come a vehicle at a time.

`python -m tests.benchmarks.fleet_model [--vehicles 1000] [--days 100] [--segments 10]` makes each
vehicle's pass table, reduces it to its switch units and lets it go, then fits the model with its
orders of chance and prints what each step took. Making the tables isn't counted.
"""

import argparse
import resource
import time
from collections.abc import Iterator

import numpy as np

from roadlog.effect import fuel_physics
from roadlog.fleet import FleetDesign, fit_fleet, reduce_vehicle
from roadlog.fleet.vehicle import VehicleUnits
from roadlog.study.car import Claim
from tests.fleet.made import pass_table

CAR = fuel_physics(density_kg_m3=745, lhv_mj_kg=42.0, displacement_l=1.8)
EFFECT, SPREAD = -0.03, 0.02


def peak_mb() -> float:
    """Most memory that this process has had [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6


def reduced(
    vehicles: int, days: int, segments: int, spent: dict[str, float]
) -> Iterator[VehicleUnits]:
    """Vehicles one at a time; adds CPU seconds to `spent`."""
    for i in range(vehicles):
        start = time.process_time()
        rng = np.random.default_rng([1, i])
        arm = np.concatenate([rng.permuted([0, 0, 1, 1]) for _ in range(days // 4)])
        table = pass_table(
            rng, f"v{i:05d}", days=len(arm), segments=segments, arm=arm,
            effect=EFFECT + SPREAD * float(rng.normal()),
        )  # fmt: skip
        made = time.process_time()
        units = reduce_vehicle(table, FleetDesign(), CAR)
        spent["making the tables"] += made - start
        spent["stage one"] += time.process_time() - made
        spent["passes"] += len(table)
        yield units


def main() -> None:
    """Fit once, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--vehicles", type=int, default=1000)
    parser.add_argument("--days", type=int, default=100)
    parser.add_argument("--segments", type=int, default=10)
    a = parser.parse_args()
    spent = {"making the tables": 0.0, "stage one": 0.0, "passes": 0.0}
    fit_fleet(list(reduced(5, a.days, a.segments, dict(spent))), FleetDesign())
    before = peak_mb()
    vehicles = list(reduced(a.vehicles, a.days, a.segments, spent))
    after, start = peak_mb(), time.process_time()
    found = fit_fleet(vehicles, FleetDesign(), claim=Claim(fuel_pct=9))
    model = time.process_time() - start
    print(
        f"{spent['passes']:,.0f} passes of {a.vehicles:,} vehicles: stage one "
        f"{spent['stage one']:.1f} s, model {model:.1f} s, together "
        f"{spent['stage one'] + model:.1f} s of one core (making the tables "
        f"{spent['making the tables']:.1f} s)\npeak memory {before:.0f} MB with 5 vehicles, "
        f"{after:.0f} MB after stage one, {peak_mb():.0f} MB after the model\n"
        f"{found.effect.estimate:+.2f} % ({found.effect.low:+.2f} to {found.effect.high:+.2f}), "
        f"{found.finding.word}"
    )


if __name__ == "__main__":
    main()
