"""The effect of the add-on on fuel use, from the pass table, with its interval.

`estimate_effect` is the stage; `decide` holds its result against the claim.
"""

from roadlog.effect.carry_over import permanent_blocking
from roadlog.effect.design import require_replication
from roadlog.effect.estimate import ambiguity_pct, estimate_effect
from roadlog.effect.finding import decide

__all__ = [
    "ambiguity_pct",
    "decide",
    "estimate_effect",
    "permanent_blocking",
    "require_replication",
]
