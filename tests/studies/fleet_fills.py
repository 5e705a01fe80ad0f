"""How often a fleet's fills tell the truth about its computed fuel, receipts as people keep them.

`python -m tests.studies.fleet_fills --fleets 20` makes taxis with two drives a day and a receipt
an evening, spoils the receipts, and prints for each case how often the interval of the bend held
the truth, its half-width, the verdicts, and the words on an add-on that acts on diesel fuel,
changes none, and is claimed to save 5 %: `supported` is wrong.
"""

import argparse
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from roadlog.closure.against_fuel import judge
from roadlog.fleet.closed import apart, bend_of
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.filled import Filled
from roadlog.fleet.fills import Receipt
from roadlog.fleet.fit import fit_fleet
from roadlog.fleet.signals import Signals
from roadlog.study.car import Claim
from tests.fleet.bought import Spoil, taxis, with_fill
from tests.fleet.made import rollout_fleet, switching_fleet

VEHICLES, DAYS = 12, 40
SMALLEST_PCT = 1.5
CLAIM = Claim(fuel_pct=5)
BENT = -0.08


def missing(receipts: list[Receipt], rng: np.random.Generator) -> list[Receipt]:
    """One in twelve was paid in cash."""
    return [r for r in receipts if rng.random() > 1 / 12]


def partial(receipts: list[Receipt], rng: np.random.Generator) -> list[Receipt]:
    """One in seven isn't to the brim, and nobody says so."""
    out, owed = [], 0.0
    for r in receipts:
        litres, owed = r.litres + owed, 0.0
        if rng.random() < 1 / 7:
            owed = litres * rng.uniform(0.4, 0.7)
        out.append(with_fill(r, litres=litres - owed))
    return out


def gallons(receipts: list[Receipt], rng: np.random.Generator) -> list[Receipt]:
    """One in sixteen is written down in US gallons."""
    return [with_fill(r, litres=r.litres / 3.785) if rng.random() < 1 / 16 else r for r in receipts]


def other_car(receipts: list[Receipt], rng: np.random.Generator) -> list[Receipt]:
    """One in twenty has another car's litres in it."""
    return [with_fill(r, litres=r.litres + 30) if rng.random() < 1 / 20 else r for r in receipts]


def other_level(receipts: list[Receipt], rng: np.random.Generator) -> list[Receipt]:
    """Of two drivers one leaves 10 litres of room; they take turns as they like."""
    out, before = [], 0.0
    for r in receipts:
        level = -10.0 * (rng.random() < 0.5)
        out.append(with_fill(r, litres=max(r.litres + level - before, 1.0)))
        before = level
    return out


def new_driver(receipts: list[Receipt], rng: np.random.Generator) -> list[Receipt]:
    """From the middle on another driver leaves 8 litres of room."""
    half = len(receipts) // 2
    return [
        with_fill(r, litres=max(r.litres - 8, 1.0)) if i == half else r
        for i, r in enumerate(receipts)
    ]


@dataclass(frozen=True)
class Case:
    """What is wrong with receipts and figure; `truth` is the bend [%] of the mean."""

    name: str
    spoil: Spoil | None = None
    bend: Callable[[int], float] = lambda i: 0.0
    rollout: bool = False
    every: int = 1
    season: float = 0.0

    @property
    def truth(self) -> float:
        """Real fuel for computed fuel, fitted over baseline [%]: mean of the logs."""
        logs = [-np.log1p(self.bend(i)) for i in range(VEHICLES)]
        return float(100 * np.expm1(np.mean(logs)))


def bent(i: int) -> float:
    """A figure that reads 8 % low in every vehicle."""
    return BENT


def half_bent(i: int) -> float:
    """The same in every second one."""
    return BENT * (i % 2)


CASES = (
    Case("sound receipts"),
    Case("a receipt each third day", every=3),
    Case("receipts missing", missing),
    Case("not to the brim", partial),
    Case("some in gallons", gallons),
    Case("another car's", other_car),
    Case("two drivers, two levels", other_level),
    Case("all bent 8 %", None, bent),
    Case("half bent 8 %", None, half_bent),
    Case("all bent, not to the brim", partial, bent),
    Case("all bent, receipts missing", missing, bent),
    Case("roll-out", rollout=True),
    Case("roll-out, litres 2 % lighter by its end", season=0.02, rollout=True),
    Case("roll-out, new driver half-way", new_driver, rollout=True),
    Case("roll-out, all bent", None, bent, rollout=True),
)


def word(filled: list[Filled], case: Case, rng: np.random.Generator) -> str:
    """The word on an add-on that changes no fuel, whose computed figure bends as it does."""
    make = rollout_fleet if case.rollout else switching_fleet
    units = make(rng, VEHICLES, effect=0.0, spread=0.005, scatter=0.02)
    found = []
    for i, (v, f) in enumerate(zip(units, filled, strict=True)):
        moved = np.log1p(case.bend(i)) * v.known.arm
        names = ("value", "total", "physical", "level")
        figures = replace(v.known, **{k: getattr(v.known, k) + moved for k in names})
        seen = Signals("rate", "fuel", True, "no trims", {}, np.zeros(len(v.units)))
        found.append(replace(v, figures=figures, signals=seen, filled=f))
    design = FleetDesign("rollout" if case.rollout else "within")
    return str(fit_fleet(found, design, claim=CLAIM).finding.word)


def study(case: Case, fleets: int, seed: int) -> str:
    """One row of the table."""
    design = FleetDesign("rollout" if case.rollout else "within")
    held, half, verdicts, words, parted = 0, [], [], [], 0
    for number in range(fleets):
        rng = np.random.default_rng([seed, number])
        filled = taxis(rng, VEHICLES, days=DAYS, bend=case.bend, spoil=case.spoil,
                       rollout=case.rollout, every=case.every, season=case.season)  # fmt: skip
        gap = bend_of(filled, design)
        words.append(word(filled, case, rng))
        parted += bool(apart(filled))
        verdicts.append(judge(gap, SMALLEST_PCT))
        if gap.low is not None and gap.high is not None:
            held += gap.low <= case.truth <= gap.high
            half.append((gap.high - gap.low) / 2)
    return (
        f"| {case.name} | {held} of {len(half)} | ±{np.median(half):.1f} | "
        f"{verdicts.count('gap')} | {verdicts.count('agrees')} | {parted} | "
        f"{words.count('refuted')} | {words.count('supported')} |"
    )


def main() -> None:
    """Print the table."""
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--fleets", type=int, default=20)
    p.add_argument("--seed", type=int, default=20261126)
    a = p.parse_args()
    print("| receipts | truth held | half-width [%] | gap | agrees | a vehicle parts | `refuted` | "
          "`supported` |\n|---|---|---|---|---|---|---|---|")  # fmt: skip
    for case in CASES:
        print(study(case, a.fleets, a.seed), flush=True)


if __name__ == "__main__":
    main()
