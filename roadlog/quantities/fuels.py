"""Fuel properties: a fuel's name goes in; density, stoichiometric air, heating value come out.

Implements the fuel-property part of section 1 of the method. What composition decides (air-fuel
ratio, carbon share, every ethanol blend) is computed from it; what must be measured (density,
heating value) is a published value with its source beside it; how a petroleum fuel expands
follows from its density by the generalised product formula.
"""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from roadlog.errors import InputError
from roadlog.quantities.fuelnames import FUEL_NAMES

T = TypeVar("T", float, np.ndarray)

# Conventional atomic weights, IUPAC/CIAAW 2021 (Prohaska et al., Pure Appl. Chem. 94, 573, 2022).
CARBON_G_MOL, HYDROGEN_G_MOL, OXYGEN_G_MOL = 12.011, 1.008, 15.999

# Dry air, U.S. Standard Atmosphere 1976, tables 1 and 3: oxygen mole fraction and molar mass.
OXYGEN_MASS_FRACTION = 0.209476 * 2 * OXYGEN_G_MOL / 28.9644

REFERENCE_TEMP_C = 15.0
_WATER_60F_KG_M3 = 999.016  # density of water at 60 °F, from memory
_60F_ABOVE_REFERENCE_K = 60 * 5 / 9 - 32 * 5 / 9 - REFERENCE_TEMP_C
# Generalised products, base 15 °C, from this density [kg/m³] on: K0, K1 of API MPMS 11.1 (1980,
# ASTM D1250, table 54B), as public programs quote them. Between petrol and jet fuel the standard
# has a transition of its own form.
_PRODUCTS = ((839.0, 186.9696, 0.4862), (787.5, 594.5418, 0.0), (0.0, 346.4228, 0.4388))
_TRANSITION_KG_M3, _TRANSITION = 770.5, (2680.3206, -0.00336312)
_MJ_KG_PER_BTU_LB = 2.326e-3  # exact for the International Table Btu (NIST SP 811, B.8)


@dataclass(frozen=True)
class Fuel:
    """Properties of one fuel.

    `density_kg_m3` [kg/m³] at 15 °C; `stoich_afr` [kg dry air/kg fuel]; `lhv_mj_kg` lower heating
    value [MJ/kg]; `carbon_mass_fraction` [1]; `thermal_expansion_per_k` of volume at 15 °C [1/K];
    `ethanol_volume_share` [1]; `source` says where the values come from.
    """

    name: str
    density_kg_m3: float
    stoich_afr: float
    lhv_mj_kg: float
    carbon_mass_fraction: float
    thermal_expansion_per_k: float
    ethanol_volume_share: float
    source: str


def stoichiometric_air(hydrogen_per_carbon: float, oxygen_per_carbon: float = 0.0) -> float:
    """Dry air that burns a fuel CHₐOᵦ fully to CO₂ and H₂O, by element balance.

    Parameters
    ----------
    hydrogen_per_carbon, oxygen_per_carbon : float
        Atoms per carbon atom [1].

    Returns
    -------
    float [kg air/kg fuel]

    References
    ----------
    CHₐOᵦ + (1 + a/4 - b/2) O₂ -> CO₂ + a/2 H₂O; atomic weights of IUPAC/CIAAW 2021; oxygen in dry
    air of the U.S. Standard Atmosphere 1976.

    >>> round(stoichiometric_air(18 / 8), 2)  # octane, C8H18 + 12.5 O2
    15.13
    """
    oxygen = (1 + hydrogen_per_carbon / 4 - oxygen_per_carbon / 2) * 2 * OXYGEN_G_MOL
    return oxygen / OXYGEN_MASS_FRACTION / _formula_mass(hydrogen_per_carbon, oxygen_per_carbon)


def carbon_share(hydrogen_per_carbon: float, oxygen_per_carbon: float = 0.0) -> float:
    """Carbon's share of the mass of a fuel CHₐOᵦ [1].

    >>> round(carbon_share(3, 0.5), 3)  # ethanol, C2H6O
    0.521
    """
    return CARBON_G_MOL / _formula_mass(hydrogen_per_carbon, oxygen_per_carbon)


def product_expansion_per_k(density_kg_m3: float) -> float:
    """Thermal expansion at 15 °C of a petroleum product of this density at 15 °C [1/K].

    References
    ----------
    API MPMS chapter 11.1, ASTM D1250, table 54B: alpha = K0/ρ² + K1/ρ for each product group.

    >>> round(product_expansion_per_k(745.0), 5), round(product_expansion_per_k(850.0), 5)
    (0.00121, 0.00083)
    """
    if _TRANSITION_KG_M3 <= density_kg_m3 < _PRODUCTS[1][0]:
        return _TRANSITION[0] / density_kg_m3**2 + _TRANSITION[1]
    k0, k1 = next((a, b) for least, a, b in _PRODUCTS if density_kg_m3 >= least)
    return k0 / density_kg_m3**2 + k1 / density_kg_m3


def blend_expansion_per_k(density_kg_m3: float, ethanol_volume_share: float) -> float:
    """Thermal expansion [1/K] of a fuel of this density that holds this share of ethanol.

    The petrol's own density is what the ethanol leaves of the whole; expansions add by volume.
    """
    if ethanol_volume_share >= 1:
        return ETHANOL.thermal_expansion_per_k
    petrol = density_kg_m3 - ethanol_volume_share * ETHANOL.density_kg_m3
    own = product_expansion_per_k(petrol / (1 - ethanol_volume_share))
    return ethanol_volume_share * ETHANOL.thermal_expansion_per_k + (1 - ethanol_volume_share) * own


def blend(ethanol_volume_share: float) -> Fuel:
    """Petrol with a share of ethanol.

    Parameters
    ----------
    ethanol_volume_share : float
        Ethanol's share of the volume [1], 0 to 1 (PID 52 divided by 100).

    Returns
    -------
    Fuel
        Volumes add (the change of volume on mixing, under 0.3 % from memory, is left out); air,
        heat and carbon add by mass.

    Raises
    ------
    InputError
        If the share isn't between 0 and 1.

    >>> round(blend(0.10).stoich_afr, 2)
    14.01
    """
    share = float(ethanol_volume_share)
    if not 0 <= share <= 1:
        raise InputError(f"ethanol share {share:g} is not between 0 and 1: give a volume share")
    if share == 0:
        return _PETROL
    density = share * ETHANOL.density_kg_m3 + (1 - share) * _PETROL.density_kg_m3
    by_mass = share * ETHANOL.density_kg_m3 / density

    def mix(of_ethanol: float, of_petrol: float) -> float:
        return by_mass * of_ethanol + (1 - by_mass) * of_petrol

    return Fuel(
        name=f"E{100 * share:.3g}",
        density_kg_m3=density,
        stoich_afr=mix(ETHANOL.stoich_afr, _PETROL.stoich_afr),
        lhv_mj_kg=mix(ETHANOL.lhv_mj_kg, _PETROL.lhv_mj_kg),
        carbon_mass_fraction=mix(ETHANOL.carbon_mass_fraction, _PETROL.carbon_mass_fraction),
        thermal_expansion_per_k=blend_expansion_per_k(density, share),
        ethanol_volume_share=share,
        source=f"volume blend of E0 ({_PETROL.source}) and ethanol ({ETHANOL.source})",
    )


def volume_l(mass_g: T, fuel: Fuel, temp_c: T | float = REFERENCE_TEMP_C) -> T:
    """Volume of a mass of fuel.

    Parameters
    ----------
    mass_g : float or array [g]
    fuel : Fuel
    temp_c : float or array [°C]
        Temperature at which the volume is wanted; 15 °C if not given.

    Returns
    -------
    float or array [L]

    References
    ----------
    API MPMS chapter 11.1: volume over that at 15 °C is exp(x (1 + 0.8 x)) with x = alpha (T - 15).

    >>> round(float(volume_l(744.8, FUELS["E0"], 25.0)), 4)
    1.0124
    """
    volume: T = mass_g / fuel.density_kg_m3 * _expansion(fuel, temp_c)
    return volume


def mass_g(volume_l: T, fuel: Fuel, temp_c: T | float = REFERENCE_TEMP_C) -> T:
    """Mass [g] of a volume [L] of fuel at a temperature [°C]: the inverse of `volume_l`."""
    mass: T = volume_l * fuel.density_kg_m3 / _expansion(fuel, temp_c)
    return mass


def _expansion(fuel: Fuel, temp_c: T | float) -> T | float:
    """Volume at a temperature over that at 15 °C."""
    x = fuel.thermal_expansion_per_k * (temp_c - REFERENCE_TEMP_C)
    grown: T | float = np.exp(x * (1 + 0.8 * x))
    return grown


def _formula_mass(hydrogen_per_carbon: float, oxygen_per_carbon: float) -> float:
    return CARBON_G_MOL + hydrogen_per_carbon * HYDROGEN_G_MOL + oxygen_per_carbon * OXYGEN_G_MOL


def _fuel(
    name: str,
    hydrogen_per_carbon: float,
    oxygen_per_carbon: float,
    specific_gravity_60f: float,
    lhv_btu_lb: float,
    ethanol: float,
    source: str,
    expansion: float | None = None,
) -> Fuel:
    at_60f = specific_gravity_60f * _WATER_60F_KG_M3
    if expansion is None:
        expansion = product_expansion_per_k(at_60f)
        expansion = product_expansion_per_k(at_60f * (1 + expansion * _60F_ABOVE_REFERENCE_K))
    return Fuel(
        name=name,
        density_kg_m3=at_60f * (1 + expansion * _60F_ABOVE_REFERENCE_K),
        stoich_afr=stoichiometric_air(hydrogen_per_carbon, oxygen_per_carbon),
        lhv_mj_kg=lhv_btu_lb * _MJ_KG_PER_BTU_LB,
        carbon_mass_fraction=carbon_share(hydrogen_per_carbon, oxygen_per_carbon),
        thermal_expansion_per_k=expansion,
        ethanol_volume_share=ethanol,
        source=source,
    )


_PETROL = _fuel(
    "E0", 1.87, 0.0, 0.745, 18_676, 0.0,
    "composition CH1.87 as Heywood, Internal Combustion Engine Fundamentals, table D.4 (from "
    "memory); specific gravity 0.745 of the test fuel in 40 CFR 600 appendix II; lower heating "
    "value 18,676 Btu/lb of the DOE AFDC fuel properties (GREET); expansion from density by API "
    "MPMS 11.1",
)  # fmt: skip
ETHANOL = _fuel(
    "ethanol", 3.0, 0.5, 0.794, 11_585, 1.0,
    "C2H6O; specific gravity 0.794 and lower heating value 11,585 Btu/lb of the DOE AFDC fuel "
    "properties (GREET); expansion 0.00109 1/K from memory", 1.09e-3,
)  # fmt: skip
_DIESEL = _fuel(
    "diesel", 13 / HYDROGEN_G_MOL / (87 / CARBON_G_MOL), 0.0, 0.85, 18_394, 0.0,
    "carbon 87 %, hydrogen 13 % by mass, specific gravity 0.85 and lower heating value "
    "18,394 Btu/lb of the DOE AFDC fuel properties (No. 2 diesel); expansion from density by API "
    "MPMS 11.1",
)  # fmt: skip

FUELS: dict[str, Fuel] = {
    # pumped E85 holds 51 to 83 % ethanol (ASTM D5798): log PID 52
    name: _DIESEL if name == "diesel" else blend(int(name[1:]) / 100)
    for name in FUEL_NAMES
}
