"""The standard atmosphere, pressure reduced to sea level, humidity.

Altitudes, pressures and temperatures go in and out as plain numbers or arrays; conditions and road
both need them (method sections 3 and 4).
"""

from typing import cast

import numpy as np
import pandas as pd

from roadlog.quantities.arrays import Floats

SEA_LEVEL_KPA, SEA_LEVEL_K = 101.325, 288.15  # ISO 2533:1975
WEATHER_REACH = pd.Timedelta(minutes=90)  # a reading speaks for this long before and after
LAPSE_K_M, EXPONENT = 0.0065, 5.25588  # up to 11 km


def standard_pressure(altitude_m: Floats | float) -> Floats | float:
    """Pressure [kPa] of the standard atmosphere at an altitude [m] below 11 km (ISO 2533:1975).

    >>> round(standard_pressure(1000.0), 2)
    89.87
    """
    ratio = (1 - LAPSE_K_M * altitude_m / SEA_LEVEL_K) ** EXPONENT
    return cast(Floats | float, SEA_LEVEL_KPA * ratio)


def pressure_altitude(pressure_kpa: Floats) -> Floats:
    """Altitude [m] at which the standard atmosphere has a pressure [kPa]; inverts the above.

    >>> float(pressure_altitude(np.array([89.87])).round(0)[0])
    1000.0
    """
    ratio = (pressure_kpa / SEA_LEVEL_KPA) ** (1 / EXPONENT)
    return np.asarray((1 - ratio) * SEA_LEVEL_K / LAPSE_K_M, float)


def station_pressure(qnh_kpa: Floats | float, elevation_m: float) -> Floats | float:
    """Pressure [kPa] at a station's elevation [m] whose QNH (altimeter setting) is given [kPa].

    QNH is the station's pressure carried to sea level through the standard atmosphere, whatever
    the temperature, so the same formula carries it back.

    References
    ----------
    ICAO Doc 8896, Manual of Aeronautical Meteorological Practice (definition of QNH, from
    memory); ISO 2533:1975.

    >>> round(float(station_pressure(101.325, 500.0)), 2)
    95.46
    """
    power = 1 / EXPONENT
    fall = SEA_LEVEL_KPA**power * LAPSE_K_M * elevation_m / SEA_LEVEL_K
    return cast(Floats | float, (qnh_kpa**power - fall) ** EXPONENT)


def reduced_to_sea_level(pressure_kpa: Floats | float, elevation_m: float) -> Floats | float:
    """QNH [kPa] of a station's own pressure [kPa] at its elevation [m]; inverts the above.

    >>> round(float(reduced_to_sea_level(95.46, 500.0)), 2)
    101.32
    """
    power = 1 / EXPONENT
    fall = SEA_LEVEL_KPA**power * LAPSE_K_M * elevation_m / SEA_LEVEL_K
    return cast(Floats | float, (pressure_kpa**power + fall) ** EXPONENT)


def relative_humidity(temp_c: Floats, dew_point_c: Floats) -> Floats:
    """Relative humidity [%] from temperature and dew point [°C], over water.

    References
    ----------
    WMO-No. 8, Guide to Instruments and Methods of Observation (2014), annex 4.B.

    >>> relative_humidity(np.array([20.0]), np.array([20.0]))
    array([100.])
    """
    t, d = temp_c, dew_point_c
    return np.asarray(100 * np.exp(17.62 * d / (243.12 + d) - 17.62 * t / (243.12 + t)), float)
