"""What the order of arms forbids in vehicles that are to be compared with themselves.

Vehicles' switch units in order of time go in; out come the vehicles without those that changed
arms but once, and what forbids a word where chance can't have drawn the order that it is said to
have drawn. The rule is that of one car (`roadlog.effect.before_after`).
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from roadlog.fleet.design import FleetDesign
from roadlog.fleet.vehicle import NO_DAY, Figures, VehicleUnits
from roadlog.fleet.within import schedule_of
from roadlog.quantities.against import Against
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Veto

LEAST_CHANCE = 0.01  # that chance drew these orders, below which it isn't believed that it did
ONCE = (
    "its arm changed once, so whatever else changed then looks like the add-on; if vehicles got it "
    'at different times, write switched = "rollout" in [fleet]'
)


def without_once(vehicles: Sequence[VehicleUnits], design: FleetDesign) -> list[VehicleUnits]:
    """The vehicles; where chance didn't draw their days, those that changed once are left out."""
    if design.switched != "within" or design.randomised:
        return list(vehicles)
    return [
        replace(v, figures=None, left_out=ONCE)
        if v.figures is not None and changed_once(v.figures)
        else v
        for v in vehicles
    ]


def changed_once(figures: Figures) -> bool:
    """Whether each arm of a vehicle is one unbroken stretch of time."""
    arm = figures.arm
    if not (figures.day == NO_DAY).any():
        arm = arm[np.argsort(figures.day, kind="stable")]
    return int((arm[1:] != arm[:-1]).sum()) == 1


def forbidden_by_order(vehicles: Sequence[VehicleUnits], design: FleetDesign) -> list[Veto]:
    """Why the order of arms forbids a firm word on vehicles that each drove in both."""
    if design.switched != "within":
        return []
    counted = [v for v in vehicles if v.figures is not None and 0 < v.figures.arm.mean() < 1]
    found = []
    if design.randomised:
        found += _not_by_chance(counted)
    if design.permanent and (left := [v.vehicle for v in counted if _back_out(v.known)]):
        found.append(
            Veto(
                "undecided: the add-on is declared permanent (carry_over in [device]), and "
                f"{len(left)} of {len(counted)} vehicles drove without it after it was first "
                "fitted: what it left in them counts for both arms, so the change may be "
                'understated; fit vehicles one after another instead (switched = "rollout")',
                Against.LEFT_FOR_GOOD(),
            )
        )
    return found


def _not_by_chance(vehicles: Sequence[VehicleUnits]) -> list[Veto]:
    """A veto where most vehicles' arms changed once, which chance would hardly draw."""
    draws: dict[bytes, list[VehicleUnits]] = {}
    for v in vehicles:
        draws.setdefault(schedule_of(v), []).append(v)
    once = [own for own in draws.values() if changed_once(own[0].known)]
    affected = sum(map(len, once))
    if 2 * affected <= len(vehicles):
        return []
    arms = [own[0].known.arm for own in draws.values()]
    alone = np.array([min(2 / math.comb(len(a), int(a.sum())), 1.0) for a in arms])
    if _at_least(len(once), alone) > LEAST_CHANCE:
        return []
    return [
        Veto(
            f"undecided: chance is said to have drawn the days, but {affected} of "
            f"{len(vehicles)} vehicles changed arms just once, which it hardly ever draws: "
            "whatever else changed then looks like the add-on; if vehicles got it at different "
            'times, write switched = "rollout" in [fleet], else correct randomised',
            Against.ONCE(),
        )
    ]


def _at_least(n: int, chances: Floats) -> float:
    """The chance that so many of some independent draws come true.

    >>> round(_at_least(2, np.array([0.5, 0.5, 0.5])), 6)
    0.5
    """
    count = np.ones(1)
    for p in chances:
        count = np.append(count * (1 - p), 0.0) + np.append(0.0, count * p)
    return float(count[n:].sum())


def _back_out(figures: Figures) -> bool:
    """Whether a vehicle drove without the add-on after it had been fitted."""
    arm = figures.arm[np.argsort(figures.day, kind="stable")]
    return bool((arm[int(np.argmax(arm)) :] == 0).any())
