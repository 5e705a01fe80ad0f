"""The effect of the add-on on fuel use, from the pass table, with its interval.

`estimate_effect` is the stage; `decide` holds its result against the claim.
"""

from roadlog.effect.design import require_replication
from roadlog.effect.estimate import ambiguity_pct, estimate_effect
from roadlog.effect.finding import decide
from roadlog.effect.order_of_arms import (
    changed_once,
    estimates_only,
    forbidden_by_order,
    without_intervals,
)

__all__ = [
    "ambiguity_pct",
    "changed_once",
    "decide",
    "estimate_effect",
    "estimates_only",
    "forbidden_by_order",
    "require_replication",
    "without_intervals",
]
