"""Pressure, wind and road load against published figures.

Sources beside each check.
"""

import numpy as np
import pytest

from roadlog.physics.atmosphere import (
    pressure_altitude,
    relative_humidity,
    standard_pressure,
    station_pressure,
)
from roadlog.physics.demand import operating_mode, tractive_power
from roadlog.study.car import Vehicle


@pytest.mark.parametrize(
    ("altitude_m", "kpa"),
    [(0, 101.325), (500, 95.4608), (1000, 89.8746), (2000, 79.4952), (5000, 54.0199)],
)
def test_standard_atmosphere(altitude_m: float, kpa: float) -> None:
    """ISO 2533:1975, table of pressure by geopotential altitude (from memory; equal to the U.S.
    Standard Atmosphere 1976 below 11 km)."""
    assert standard_pressure(altitude_m) == pytest.approx(kpa, rel=2e-4)
    assert pressure_altitude(np.array([kpa]))[0] == pytest.approx(altitude_m, abs=2)


def test_qnh_of_the_standard_atmosphere_is_sea_level_pressure() -> None:
    """By the definition of QNH (ICAO), the standard atmosphere has QNH 1013.25 hPa anywhere."""
    for z in (0.0, 300.0, 1500.0):
        assert station_pressure(101.325, z) == pytest.approx(float(standard_pressure(z)), rel=1e-9)


def test_humidity_from_dew_point() -> None:
    """The saturation pressures 23.39 hPa at 20 °C and 12.28 hPa at 10 °C (steam tables, e.g. ASHRAE
    Fundamentals; from memory) give 52.5 %."""
    got = relative_humidity(np.array([20.0]), np.array([10.0]))[0]
    assert got == pytest.approx(100 * 12.28 / 23.39, abs=0.3)


def test_moves_specific_power_of_a_passenger_car() -> None:
    """MOVES2014 source type 21: VSP = (A v + B v² + C v³)/m + (a + g sin θ) v with A 0.156461,
    B 0.002001, C 0.000492 (kW by m/s), m 1.4788 t (EPA-420-R-16-003a by way of independent public
    programs). Our force adds 4 % of rotating mass, taken out here by a = 0."""
    car = Vehicle.model_validate({"class": "car"})
    v = np.array([5.0, 15.0, 30.0])
    nothing = np.zeros(3)
    ours = tractive_power(v, nothing, nothing, np.full(3, 1.167), car.resistance) / car.mass_kg
    theirs = (0.156461 * v + 0.002001 * v**2 + 0.000492 * v**3) / 1.4788
    np.testing.assert_allclose(ours, theirs, rtol=1e-6)


def test_moves_operating_modes() -> None:
    """MOVES operating modes 0-40 by speed and specific power, as two independent public programs
    that follow MOVES bin them: limits 0, 3, 6, 9, 12, 18, 24, 30 kW/t and 1, 25, 50 mph."""
    mph = np.array([0.5, 10, 10, 24.9, 25.1, 40, 40, 60, 60, 60, 60])
    vsp = np.array([0.0, -1, 13, 5, 5, 20, 31, 5, 13, 25, 31])
    modes = operating_mode(vsp, mph * 1.609344, np.zeros(11))
    assert modes.tolist() == [1, 11, 16, 13, 23, 28, 30, 33, 37, 39, 40]
