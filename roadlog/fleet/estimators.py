"""The estimator of each design: one value a switch unit in, the fleet's contrast out."""

from collections.abc import Collection, Sequence
from dataclasses import replace

from roadlog.errors import DesignError, FitError
from roadlog.fleet.contrast import FleetContrast, Which
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.parallel import estimate_parallel
from roadlog.fleet.rollout import estimate_rollout
from roadlog.fleet.vehicle import Figures, VehicleUnits
from roadlog.fleet.within import estimate_within
from roadlog.quantities.arrays import Floats


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


def at_equal_driving(figures: Figures) -> Floats:
    """The units' values that the fleet's effect rests on."""
    return figures.value


def estimate_if_told(vehicles: Sequence[VehicleUnits], design: FleetDesign) -> FleetContrast | None:
    """The contrast at equal driving; None where these vehicles can't tell it."""
    try:
        return estimate(vehicles, design, at_equal_driving)
    except (DesignError, FitError):
        return None


def estimate_in_its_place(
    vehicles: Sequence[VehicleUnits], design: FleetDesign
) -> FleetContrast | None:
    """The contrast of what stands in the place of fuel, by the design's own estimator."""
    return estimate_if_told(vehicles, replace(design, randomised=False, groups=()))


def estimate_without(
    vehicles: Sequence[VehicleUnits], gone: Collection[str], design: FleetDesign
) -> FleetContrast | None:
    """The contrast at equal driving without these vehicles; None where they are none, or too few
    are left."""
    names = {*gone}
    if not names:
        return None
    return estimate_if_told([v for v in vehicles if v.vehicle not in names], design)
