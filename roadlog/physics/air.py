"""Moist air and wind at the car.

Numbers or arrays in, the same shapes out."""

import numpy as np

from roadlog.quantities.arrays import Floats

GAS_CONSTANT_DRY_AIR = 287.05287  # J/(kg K), ISO 2533:1975
GAS_CONSTANT_VAPOUR = 461.52  # J/(kg K): R / 18.0153 g/mol
ASSUMED_HUMIDITY_PCT = 50.0  # where none is logged; 0 or 100 % move density by 0.4 % at 15 °C
WIND_AT_CAR = 0.6  # of the wind at 10 m over open country, see wind_share
CAR_HEIGHT_M, BLENDING_M = 1.0, 60.0
ROUGHNESS_M = {"open": 0.03, "hedges": 0.25, "built-up": 1.0}


def air_density(
    temp_c: Floats | float, pressure_kpa: Floats | float, humidity_pct: Floats | float = 0.0
) -> Floats | float:
    """Density of moist air [kg/m³] as a mixture of two ideal gases.

    Parameters
    ----------
    temp_c : float or array [°C]
    pressure_kpa : float or array [kPa]
        Absolute pressure at the place, not reduced to sea level.
    humidity_pct : float or array [%]
        Relative humidity.

    References
    ----------
    ISO 2533:1975 (dry air). Saturation pressure: WMO-No. 8, annex 4.B (2014). Within 0.1 % of
    CIPM-2007 (Picard et al., Metrologia 45 (2008) 149) over road weather, see tests/reference.

    >>> round(float(air_density(15.0, 101.325)), 4)
    1.225
    """
    vapour = humidity_pct / 100 * saturation_pressure(temp_c)
    kelvin = temp_c + 273.15
    dry = (pressure_kpa - vapour) / GAS_CONSTANT_DRY_AIR
    return 1000 * (dry + vapour / GAS_CONSTANT_VAPOUR) / kelvin


def saturation_pressure(temp_c: Floats | float) -> Floats | float:
    """Pressure [kPa] of saturated water vapour over water at a temperature [°C].

    References
    ----------
    WMO-No. 8, annex 4.B (2014).

    >>> round(float(saturation_pressure(25.0)), 2)
    3.16
    """
    pressure: Floats | float = 0.6112 * np.exp(17.62 * temp_c / (243.12 + temp_c))
    return pressure


def wind_share(shelter: str, height_m: float = 10.0) -> float:
    """Share of a station's wind at `height_m` that is felt at the height of a car.

    Parameters
    ----------
    shelter : {"open", "hedges", "built-up"}
        What stands beside the route.
    height_m : float [m]
        Height of the station's instrument, in open country.

    Notes
    -----
    Logarithmic profile up to a height of 60 m, where the wind is taken to be the same over the
    station (roughness 0.03 m) and over the route, then down to 1 m over the route's own
    roughness. Among houses or trees (1 m) nothing is left: a station's wind says nothing there. A
    single cutting, row of trees or passing lorry changes a car's wind more than this formula.

    References
    ----------
    J. Wieringa, Updating the Davenport roughness classification, J. Wind Eng. Ind. Aerodyn. 41
    (1992) 357-368: 0.03 m open, 0.25 m rough, 1 m closed. Blending at 60 m: WMO-No. 8 (2014),
    part I, chapter 5 (both from memory).

    >>> round(wind_share("open"), 2), round(wind_share("hedges"), 2), wind_share("built-up")
    (0.6, 0.33, 0.0)
    """
    rough = ROUGHNESS_M[shelter]
    aloft = np.log(BLENDING_M / ROUGHNESS_M["open"]) / np.log(height_m / ROUGHNESS_M["open"])
    return float(aloft * np.log(CAR_HEIGHT_M / rough) / np.log(BLENDING_M / rough))
