"""The effect of the add-on on fuel use, from the pass table, with its interval.

`estimate_effect` is the stage; `decide` holds its result against the claim.
"""

from roadlog.effect.before_after import (
    ONE_CHANGE,
    changed_once,
    estimates_only,
    forbidden_by_order,
    without_intervals,
)
from roadlog.effect.estimate import ambiguity_pct, estimate_effect
from roadlog.effect.finding import decide
from roadlog.effect.fixed_offset import FuelPhysics, fuel_physics

__all__ = [
    "ONE_CHANGE",
    "FuelPhysics",
    "ambiguity_pct",
    "changed_once",
    "decide",
    "estimate_effect",
    "estimates_only",
    "forbidden_by_order",
    "fuel_physics",
    "without_intervals",
]
