"""How often a fleet's intervals hold the truth, and how often its words are right.

    python -m tests.studies.fleet_calibration [--studies 1000] [--large 400] [--words 400]
        [--designs within,vehicle,rollout] [--fleets 6,10,20,50,200] [--seed 1]

Fleets with known effect and spread are made as switch units (what stage one makes of passes), and
asked with the code that `fit_fleet` uses. Three designs; 6 to 200 vehicles; vehicles alike in size
and not, effects that vary normally, with heavy tails (t with 3 degrees of freedom), and not at
all. Prints the tables of docs/fleet.md: how often the fleet's interval holds the true mean and the
next vehicle's interval the effect of one more vehicle of the same kind; and, by the whole rule with
its orders of chance and vetoes, what the word is on three claims of which the truth is known.
"""

import argparse
import math
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from roadlog.errors import DesignError, FitError
from roadlog.fleet import fit
from roadlog.fleet.contrast import FleetContrast
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.estimators import estimate, estimate_without
from roadlog.fleet.finding import decide_fleet
from roadlog.fleet.inference import outlying
from roadlog.fleet.rollout import LEAST_FOR_JACKKNIFE
from roadlog.fleet.vehicle import Figures, VehicleUnits
from roadlog.stats.interval import percent
from roadlog.study.car import Claim
from tests.fleet.made import parallel_fleet, rollout_fleet, switching_fleet

EFFECT = -0.03
SPREAD = 0.02
SCATTER = 0.02
FLEETS = (6, 10, 20, 50, 200)
LARGE = 200
FEWER_WORDS = {50: 0.4, 200: 0.1}  # of the fleets asked for the word: orders of chance cost time
NEXT = 200  # further vehicles that each next vehicle's interval is held against
CLAIMS = {
    "as claimed": Claim(fuel_pct=-percent(EFFECT)),
    "false": Claim(fuel_pct=9),
    "true": Claim(fuel_pct=1),
}
Draw = Callable[[np.random.Generator, int], np.ndarray]


@dataclass(frozen=True)
class Case:
    """What vehicles are like: sd and shape of their effects, and whether their sizes differ."""

    name: str
    spread: float
    draw: Draw
    unequal: bool = False


def normal(rng: np.random.Generator, n: int) -> np.ndarray:
    return rng.normal(size=n)


def heavy(rng: np.random.Generator, n: int) -> np.ndarray:
    return rng.standard_t(3, size=n) / np.sqrt(3)


CASES = (
    Case("alike in size", SPREAD, normal),
    Case("unequal sizes", SPREAD, normal, unequal=True),
    Case("heavy tails", SPREAD, heavy, unequal=True),
    Case("no spread", 0.0, normal, unequal=True),
)


def value(f: Figures) -> np.ndarray:
    return f.value


def made(
    design: str, case: Case, n: int, rng: np.random.Generator
) -> tuple[list[VehicleUnits], FleetDesign]:
    """One fleet."""
    kind = {
        "effect": EFFECT, "spread": case.spread, "scatter": SCATTER,
        "draw": lambda r: float(case.draw(r, 1)[0]),
    }  # fmt: skip
    if design == "within":
        sizes = (4, 8, 12, 20, 40) if case.unequal else (12,)
        days = lambda i: sizes[i % len(sizes)]  # noqa: E731
        return switching_fleet(rng, n, days=days, **kind), FleetDesign("within")
    if design == "vehicle":
        fleet, until = parallel_fleet(rng, n, unequal=case.unequal, **kind)
        return fleet, FleetDesign("vehicle", baseline_until=until)
    return rollout_fleet(rng, n, unequal=case.unequal, **kind), FleetDesign("rollout")


def contrast_of(fleet: Sequence[VehicleUnits], design: FleetDesign) -> FleetContrast:
    """The contrast alone; orders of chance are drawn only where the interval is made of them."""
    found = None
    if design.switched == "rollout":
        found = estimate(fleet, replace(design, randomised=False), value)
    if found is None or (found.weights > 0).sum() < LEAST_FOR_JACKKNIFE:
        found = estimate(fleet, design, value)
    return found


def words(
    fleet: Sequence[VehicleUnits], design: FleetDesign, seed: int
) -> tuple[FleetContrast, dict[str, str]]:
    """The contrast and the word on each claim, as `fit_fleet` finds it."""
    of = fit._make(fleet, design, seed)
    c = of.contrast
    names = [v.vehicle for v, a in zip(c.vehicles, outlying(c), strict=True) if a]
    rest, held = estimate_without(fleet, names, design), fit._held(c)
    following = fit._between(c)[1]
    return c, {
        name: decide_fleet(
            c, fit._interval(c), claim, held=held, orders=of.orders, rest=rest, apart=names,
            next_vehicle=following, blocking=fit._blocking([], design),
        ).word
        or "none"
        for name, claim in CLAIMS.items()
    }  # fmt: skip


@dataclass
class Tally:
    """Counts of one cell; the words by claim and word."""

    studies: int = 0
    effect: int = 0
    following: list[float] = field(default_factory=list)
    width: float = 0.0
    next_width: list[float] = field(default_factory=list)
    spread: int = 0
    none: int = 0
    worded: int = 0
    words: Counter[tuple[str, str]] = field(default_factory=Counter)


def asked(design: str, case: Case, n: int, studies: int, worded: int, seed: int) -> Tally:
    tally = Tally()
    for k in range(studies):
        rng = np.random.default_rng([seed, n, k, len(design), sum(map(ord, case.name))])
        fleet, how = made(design, case, n, rng)
        try:
            if k < worded:
                c, said = words(fleet, how, k)
                tally.worded += 1
                tally.words.update(said.items())
            else:
                c = contrast_of(fleet, how)
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
            own = EFFECT + case.spread * case.draw(rng, NEXT)
            tally.following.append(float(np.mean((low <= own) & (own <= high))))
            tally.next_width.append(100 * (high - low))
            low, high = c.draws.spread()
            tally.spread += low <= case.spread <= high
    return tally


def cells_of(t: Tally) -> list[str]:
    """The numbers of a row of the first table."""
    share = t.effect / max(t.studies, 1)
    error = math.sqrt(share * (1 - share) / max(t.studies, 1))
    width = t.width / max(t.studies, 1)
    found = [str(t.studies), f"{100 * share:.1f} ± {100 * error:.1f}", f"{width:.1f}"]
    if not t.following:
        return [*found, "–", "–", "–"]
    many = len(t.following)
    own = 100 * float(np.std(t.following)) / math.sqrt(many)
    return [
        *found, f"{100 * float(np.mean(t.following)):.1f} ± {own:.1f}",
        f"{float(np.median(t.next_width)):.1f}", f"{100 * t.spread / many:.0f}",
    ]  # fmt: skip


def words_of(t: Tally) -> list[str]:
    """The numbers of a row of the second table."""
    rate = lambda claim, word: f"{100 * t.words[claim, word] / t.worded:.1f}"  # noqa: E731
    asked_of = (
        ("as claimed", "refuted"), ("as claimed", "supported"), ("false", "refuted"),
        ("false", "supported"), ("true", "supported"), ("true", "refuted"),
    )  # fmt: skip
    return [str(t.worded), *(rate(*pair) for pair in asked_of)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--studies", type=int, default=1000, help="fleets a cell")
    parser.add_argument("--large", type=int, default=400, help=f"of {LARGE} vehicles or more")
    parser.add_argument("--words", type=int, default=400, help="of them asked for the word too")
    parser.add_argument("--designs", default="within,vehicle,rollout")
    parser.add_argument("--fleets", default=",".join(map(str, FLEETS)))
    parser.add_argument("--cases", default=",".join(c.name for c in CASES))
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    rows: list[tuple[str, Tally]] = []
    start = time.process_time()
    print(
        "| design | vehicles are | vehicles | fleets | mean held [%] | its width | next vehicle "
        "held [%] | its width | spread held [%] |\n|---|---|---|---|---|---|---|---|---|"
    )
    for design in args.designs.split(","):
        for case in (c for c in CASES if c.name in args.cases.split(",")):
            for n in map(int, args.fleets.split(",")):
                studies = args.large if n >= LARGE else args.studies
                worded = int(args.words * FEWER_WORDS.get(n, 1))
                t = asked(design, case, n, studies, worded, args.seed)
                rows.append((f"| {design} | {case.name} | {n} | ", t))
                print(rows[-1][0] + " | ".join(cells_of(t)) + " |", flush=True)
    print(
        "\n| design | vehicles are | vehicles | fleets | truth as claimed: refuted | supported | "
        "claim false: refuted | supported | claim true: supported | refuted |\n"
        "|---|---|---|---|---|---|---|---|---|---|"
    )
    for label, t in rows:
        if t.worded:
            print(label + " | ".join(words_of(t)) + " |")
    print(f"\nCPU time: {time.process_time() - start:.0f} s")


if __name__ == "__main__":
    main()
