"""Fuel: samples go in, fuel flow with its two bounds comes out.

Implements section 1 of the method: one estimator for a whole study (`choose_estimator`), its
constants from baseline runs only (`calibrate`), then the flow of every sample (`fuel_flow`), with
fuel cut and enrichment told apart as far as the signals allow.
"""

from roadlog.fuel.air import Calibration, VolumetricEfficiency
from roadlog.fuel.baseline import calibrate
from roadlog.fuel.batches import fuels_by_run
from roadlog.fuel.choice import (
    ESTIMATORS,
    Estimate,
    available_estimators,
    choose_estimator,
    computable_estimators,
    passed_over,
)
from roadlog.fuel.flow import (
    fuel_flow,
    fuel_of,
    fuel_variants,
    idle_flow_g_s,
    litres_per_gram,
)
from roadlog.fuel.sight import sight_of

__all__ = [
    "ESTIMATORS",
    "Calibration",
    "Estimate",
    "VolumetricEfficiency",
    "available_estimators",
    "calibrate",
    "choose_estimator",
    "computable_estimators",
    "fuel_flow",
    "fuel_of",
    "fuel_variants",
    "fuels_by_run",
    "idle_flow_g_s",
    "litres_per_gram",
    "passed_over",
    "sight_of",
]
