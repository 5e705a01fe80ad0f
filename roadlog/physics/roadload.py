"""Road load as a polynomial of speed: defaults by vehicle class.

A class, or the usual coefficients of rolling and drag, go in; mass and the coefficients of
F = A + B v + C v² come out, as `physics.demand.tractive_power` takes them (method section 4).
"""

from typing import Literal, NamedTuple

import numpy as np

from roadlog.quantities.arrays import Floats
from roadlog.quantities.units import STANDARD_GRAVITY_M_S2

VehicleClass = Literal["car", "light-truck", "light-commercial"]

# SAE J1263 standard conditions, 20 °C and 98.21 kPa (from memory), dry air
REFERENCE_TEMP_C = 20.0
REFERENCE_DENSITY_KG_M3 = 1.167

# UN GTR 15, annex 4 (K0 = 8.6e-3), as SAE J2263: rolling resistance measured at T times
# 1 + 0.0086 (T - 20) is that at 20 °C (both from memory).
ROLLING_PER_K = 0.0086
ROLLING_RANGE_C = (-20.0, 45.0)  # beyond it the line isn't trusted further


class RoadLoad(NamedTuple):
    """Mass [kg] and A [N], B [N s/m], C [N s²/m²] at 20 °C and 98.21 kPa.

    A and B are rolling resistance, C is drag and goes with the air's density.
    """

    mass_kg: float
    a_n: float
    b_n_s_m: float
    c_n_s2_m2: float


# U.S. EPA MOVES2014, table sourceUseTypePhysics, source types 21, 31 and 32 (described in
# EPA-420-R-16-003a, Population and Activity of On-road Vehicles in MOVES2014). The values are as
# public programs quote them (the car row in two, the truck rows in one); the table itself wasn't
# at hand.
CLASSES: dict[VehicleClass, RoadLoad] = {
    "car": RoadLoad(1478.8, 156.461, 2.001, 0.492),
    "light-truck": RoadLoad(1866.86, 221.12, 2.837, 0.698),
    "light-commercial": RoadLoad(2059.79, 235.008, 3.038, 0.747),
}


def road_load_of(mass_kg: float, crr: float, cda_m2: float) -> RoadLoad:
    """Road load from the coefficient of rolling resistance and drag area [m²].

    >>> [round(x, 3) for x in road_load_of(1500.0, 0.01, 0.68)[1:]]
    [147.1, 0.0, 0.397]
    """
    return RoadLoad(
        mass_kg, crr * mass_kg * STANDARD_GRAVITY_M_S2, 0.0, 0.5 * REFERENCE_DENSITY_KG_M3 * cda_m2
    )


def rolling_share(temp_c: Floats) -> Floats:
    """Rolling resistance at an air temperature [°C] over that at 20 °C.

    Tyres run cooler in cold air and lose more.

    >>> rolling_share(np.array([20.0, 5.0])).round(3)
    array([1.   , 1.148])
    """
    within = np.clip(temp_c, *ROLLING_RANGE_C)
    return np.asarray(1 / (1 + ROLLING_PER_K * (within - REFERENCE_TEMP_C)))
