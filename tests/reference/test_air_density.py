"""Air density against ISO 2533:1975, CIPM-2007 and a published worked example.

Sources: ISO 2533:1975 (standard atmosphere: 1.2250 kg/m³ at 15 °C and 101.325 kPa; pressures at
1 and 2 km, 89.875 and 79.495 kPa, from memory); A. Picard et al., Revised formula for
the density of moist air (CIPM-2007), Metrologia 45 (2008) 149-155, coded here from its equations;
F. E. Jones, The air density equation and the transfer of the mass unit, NBS J. Res. 83 (1978),
whose worked example (22.3 °C, 748.1 mmHg, 37 %: 1.17194 kg/m³) is quoted in public test data.
"""

import numpy as np
import pytest

from roadlog.physics.air import air_density
from roadlog.physics.atmosphere import standard_pressure


def cipm_2007(temp_c: float, pressure_pa: float, humidity: float) -> float:
    kelvin = temp_c + 273.15
    saturation = np.exp(
        1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin
    )
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * temp_c**2
    x = humidity * enhancement * saturation / pressure_pa
    z = (
        1
        - pressure_pa / kelvin
        * (1.58123e-6 - 2.9331e-8 * temp_c + 1.1043e-10 * temp_c**2
           + (5.707e-6 - 2.051e-8 * temp_c) * x + (1.9898e-4 - 2.376e-6 * temp_c) * x**2)
        + (pressure_pa / kelvin) ** 2 * (1.83e-11 - 0.765e-8 * x**2)
    )  # fmt: skip
    molar = 28.96546e-3 * (1 - x * (1 - 18.01528 / 28.96546))
    return float(pressure_pa * molar / (z * 8.314472 * kelvin))


def test_standard_atmosphere_at_sea_level() -> None:
    assert air_density(15.0, 101.325) == pytest.approx(1.2250, abs=5e-5)


def test_jones_worked_example() -> None:
    got = air_density(22.3, 748.1 * 0.1333224, 37.0)
    assert got == pytest.approx(1.17194, rel=1e-3)
    assert cipm_2007(22.3, 748.1 * 133.3224, 0.37) == pytest.approx(1.17194, rel=2e-4)


@pytest.mark.parametrize("temp_c", [-10.0, 0.0, 15.0, 30.0, 40.0])
@pytest.mark.parametrize("pressure_kpa", [80.0, 95.0, 103.0])
@pytest.mark.parametrize("humidity_pct", [0.0, 50.0, 100.0])
def test_road_weather_against_cipm_2007(
    temp_c: float, pressure_kpa: float, humidity_pct: float
) -> None:
    full = cipm_2007(temp_c, 1000 * pressure_kpa, humidity_pct / 100)
    assert air_density(temp_c, pressure_kpa, humidity_pct) == pytest.approx(full, rel=1e-3)


@pytest.mark.parametrize(("altitude_m", "kpa"), [(0, 101.325), (1000, 89.875), (2000, 79.495)])
def test_standard_pressure_with_altitude(altitude_m: float, kpa: float) -> None:
    assert standard_pressure(altitude_m) == pytest.approx(kpa, rel=2e-4)
