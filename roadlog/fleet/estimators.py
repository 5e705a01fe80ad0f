"""The estimator of each design: one value a switch unit in, the fleet's contrast out."""

from collections.abc import Sequence

from roadlog.fleet.contrast import FleetContrast, Which
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.parallel import estimate_parallel
from roadlog.fleet.rollout import estimate_rollout
from roadlog.fleet.vehicle import VehicleUnits
from roadlog.fleet.within import estimate_within


def estimate(vehicles: Sequence[VehicleUnits], design: FleetDesign, which: Which) -> FleetContrast:
    """The contrast of a fleet's design, without what the orders of chance say of it.

    Raises
    ------
    DesignError, FitError
        If the vehicles can't answer.
    """
    if design.switched == "within":
        return estimate_within(vehicles, which)
    if design.switched == "vehicle":
        return estimate_parallel(vehicles, design, which)
    return estimate_rollout(vehicles, design, which)[0]
