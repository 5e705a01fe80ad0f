"""How a fleet's add-on was switched: what was assigned by chance, to what, and what was planned."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import get_args

from roadlog.errors import DesignError
from roadlog.study.fleet import Switching


@dataclass(frozen=True)
class FleetDesign:
    """What was switched in a fleet, and by what rule.

    Attributes
    ----------
    switched : {"within", "vehicle", "rollout"}
        `within`: each vehicle switches by day (or run) and is compared with itself; `vehicle`:
        each vehicle is in one arm for good (parallel arms); `rollout`: all begin without the
        add-on and get it at different times (stepped wedge).
    randomised : bool
        Whether chance decided it: the order of units in a vehicle, the arm of a vehicle, or which
        vehicle's turn came when.
    baseline_until : date, optional
        Of `vehicle`: no vehicle had the add-on before this day, so each is held against its own
        days before it. Without it, vehicles are compared by their fuel over what their declared
        data lets expect.
    strata : mapping of vehicle to label, optional
        Of `vehicle` and `rollout`: chance dealt within these (a depot, a class) only.
    period_days : int
        Of `rollout`: length of a period of calendar time [days].
    groups : tuple of str
        Labels (fuel, class) by which an effect was planned; others are never shown.
    permanent : bool
        Of `within`: what the add-on leaves in a vehicle is declared to stay when it is taken out.
    """

    switched: Switching = "within"
    randomised: bool = True
    baseline_until: dt.date | None = None
    strata: Mapping[str, str] = field(default_factory=dict)
    period_days: int = 7
    groups: tuple[str, ...] = ()
    permanent: bool = False

    def __post_init__(self) -> None:
        if self.switched not in get_args(Switching):
            raise DesignError(
                f"a fleet is switched 'within' vehicles, by 'vehicle' or by 'rollout', not "
                f"'{self.switched}'"
            )
        if self.period_days < 1:
            raise DesignError("period_days of a roll-out is at least 1 day")
        if self.baseline_until is not None and self.switched != "vehicle":
            raise DesignError("baseline_until belongs to vehicles in parallel arms only")
