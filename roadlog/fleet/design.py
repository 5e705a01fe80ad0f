"""How a fleet's add-on was switched: what was assigned by chance, to what, and what was planned."""

from dataclasses import dataclass
from typing import Literal

from roadlog.errors import DesignError

Switched = Literal["within"]


@dataclass(frozen=True)
class FleetDesign:
    """What was switched in a fleet, and by what rule.

    Attributes
    ----------
    switched : {"within"}
        `within`: each vehicle switches by day (or run) and is compared with itself.
    randomised : bool
        Whether chance decided it: the order of units in a vehicle, the arm of a vehicle, or which
        vehicle's turn came when.
    groups : tuple of str
        Labels (fuel, class) by which an effect was planned; others are never shown.
    """

    switched: Switched = "within"
    randomised: bool = True
    groups: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.switched != "within":
            raise DesignError(f"a fleet is switched 'within' vehicles, not '{self.switched}'")
