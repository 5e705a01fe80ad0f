"""Many cars on one question: the stages of a run spread over workers, one model over all.

`fit_fleet` is the model: pass tables of many vehicles in, `FleetResult` out.
"""

from roadlog.fleet.design import FleetDesign
from roadlog.fleet.fit import fit_fleet
from roadlog.fleet.result import FleetResult
from roadlog.fleet.vehicle import VehicleUnits, gather, reduce_vehicle

__all__ = ["FleetDesign", "FleetResult", "VehicleUnits", "fit_fleet", "gather", "reduce_vehicle"]
