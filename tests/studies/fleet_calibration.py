"""How often a fleet's intervals hold the truth: fleets with known effect and spread.

    python -m tests.studies.fleet_calibration [--studies 1000] [--designs within,rollout] [--seed 1]

Fleets are made as switch units (what stage one makes of passes), and asked with the code that
`fit_fleet` uses. Three designs; 6 to 200 vehicles; vehicles alike in size and not, effects that
vary normally, with heavy tails (t with 3 degrees of freedom), and not at all. Prints the table of
docs/fleet.md: how often the fleet's interval holds the true mean and the next vehicle's interval
the effect of one more vehicle of the same kind.
"""

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from roadlog.errors import DesignError, FitError
from roadlog.fleet.contrast import FleetContrast
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.parallel import estimate_parallel
from roadlog.fleet.rollout import estimate_rollout
from roadlog.fleet.vehicle import Figures, VehicleUnits
from roadlog.fleet.within import estimate_within
from tests.fleet.made import parallel_fleet, rollout_fleet, switching_fleet

EFFECT = -0.03
SPREAD = 0.02
SCATTER = 0.02
FLEETS = (6, 10, 20, 50, 200)
Draw = Callable[[np.random.Generator], float]


@dataclass(frozen=True)
class Case:
    """What vehicles are like: sd and shape of their effects, and whether their sizes differ."""

    name: str
    spread: float
    draw: Draw
    unequal: bool = False


def normal(rng: np.random.Generator) -> float:
    return float(rng.normal())


def heavy(rng: np.random.Generator) -> float:
    return float(rng.standard_t(3) / np.sqrt(3))


CASES = (
    Case("alike in size", SPREAD, normal),
    Case("unequal sizes", SPREAD, normal, unequal=True),
    Case("heavy tails", SPREAD, heavy, unequal=True),
    Case("no spread", 0.0, normal, unequal=True),
)


def value(f: Figures) -> np.ndarray:
    return f.value


def made(design: str, case: Case, n: int, rng: np.random.Generator) -> FleetContrast:
    """One fleet's contrast."""
    kind = {"effect": EFFECT, "spread": case.spread, "scatter": SCATTER, "draw": case.draw}
    if design == "within":
        sizes = (4, 8, 12, 20, 40) if case.unequal else (12,)
        days = lambda i: sizes[i % len(sizes)]  # noqa: E731
        return estimate_within(switching_fleet(rng, n, days=days, **kind), value)
    fleet: list[VehicleUnits]
    if design == "vehicle":
        fleet, until = parallel_fleet(rng, n, unequal=case.unequal, **kind)
        return estimate_parallel(fleet, FleetDesign("vehicle", baseline_until=until), value)
    fleet = rollout_fleet(rng, n, unequal=case.unequal, **kind)
    return estimate_rollout(fleet, FleetDesign("rollout"), value, influence=False)[0]


@dataclass
class Tally:
    """Counts of one cell."""

    studies: int = 0
    effect: int = 0
    following: float = 0.0
    followed: int = 0
    width: float = 0.0
    spread: int = 0
    none: int = 0


def asked(design: str, case: Case, n: int, studies: int, seed: int) -> Tally:
    tally = Tally()
    for k in range(studies):
        rng = np.random.default_rng([seed, n, k, len(design), sum(map(ord, case.name))])
        try:
            c = made(design, case, n, rng)
        except (DesignError, FitError):
            tally.none += 1
            continue
        if not np.isfinite(c.half):
            tally.none += 1
            continue
        low, high = c.ends or (c.tau - c.half, c.tau + c.half)
        tally.studies += 1
        tally.effect += low <= EFFECT <= high
        tally.width += 100 * (high - low)
        if c.draws is not None:
            low, high = c.draws.next_one(more=c.shared)
            own = np.array([EFFECT + case.spread * case.draw(rng) for _ in range(200)])
            tally.following += float(np.mean((low <= own) & (own <= high)))
            tally.followed += 1
            low, high = c.draws.spread()
            tally.spread += low <= case.spread <= high
    return tally


def studies_of(n: int, studies: int) -> int:
    """Fewer large fleets than small ones: they cost more."""
    return max(int(studies * {6: 1, 10: 1, 20: 0.7, 50: 0.4, 200: 0.2}[n]), 20)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=1000)
    parser.add_argument("--designs", default="within,vehicle,rollout")
    parser.add_argument("--fleets", default=",".join(map(str, FLEETS)))
    parser.add_argument("--cases", default=",".join(c.name for c in CASES))
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    print("| design | vehicles are | vehicles | fleets | effect held | mean width | "
          "next vehicle held | spread held |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|")
    start = time.process_time()
    for design in args.designs.split(","):
        for case in (c for c in CASES if c.name in args.cases.split(",")):
            for n in map(int, args.fleets.split(",")):
                t = asked(design, case, n, studies_of(n, args.studies), args.seed)
                following = f"{100 * t.following / t.followed:.1f} %" if t.followed else "–"
                spread = f"{100 * t.spread / t.followed:.1f} %" if t.followed else "–"
                print(
                    f"| {design} | {case.name} | {n} | {t.studies} | "
                    f"{100 * t.effect / max(t.studies, 1):.1f} % | "
                    f"{t.width / max(t.studies, 1):.1f} | {following} | {spread} |",
                    flush=True,
                )
    print(f"\nCPU time: {time.process_time() - start:.0f} s")


if __name__ == "__main__":
    main()
