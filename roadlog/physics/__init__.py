"""Air, road load and the earth as functions of numbers; no settings, no files."""

from roadlog.physics.air import air_density, saturation_pressure, wind_share
from roadlog.physics.atmosphere import (
    pressure_altitude,
    reduced_to_sea_level,
    relative_humidity,
    standard_pressure,
    station_pressure,
)
from roadlog.physics.demand import (
    acceleration,
    operating_mode,
    tractive_power,
    vehicle_specific_power,
)
from roadlog.physics.geodesic import distances_km
from roadlog.physics.roadload import CLASSES, RoadLoad, road_load_of, rolling_share

__all__ = [
    "CLASSES",
    "RoadLoad",
    "acceleration",
    "air_density",
    "distances_km",
    "operating_mode",
    "pressure_altitude",
    "reduced_to_sea_level",
    "relative_humidity",
    "road_load_of",
    "rolling_share",
    "saturation_pressure",
    "standard_pressure",
    "station_pressure",
    "tractive_power",
    "vehicle_specific_power",
    "wind_share",
]
