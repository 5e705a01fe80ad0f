"""Fuel properties: a fuel's name goes in; density, stoichiometric air, heating value come out.

Implements the fuel-property part of section 1 of the method. What composition decides (air-fuel
ratio, carbon share, every ethanol blend) is computed from it; what must be measured (density,
heating value, thermal expansion) is a published value with its source beside it.
"""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from roadlog.errors import InputError

T = TypeVar("T", float, np.ndarray)

# Conventional atomic weights, IUPAC/CIAAW 2021 (Prohaska et al., Pure Appl. Chem. 94, 573, 2022).
CARBON_G_MOL, HYDROGEN_G_MOL, OXYGEN_G_MOL = 12.011, 1.008, 15.999

# Dry air, U.S. Standard Atmosphere 1976, tables 1 and 3: oxygen mole fraction and molar mass.
OXYGEN_MASS_FRACTION = 0.209476 * 2 * OXYGEN_G_MOL / 28.9644

REFERENCE_TEMP_C = 15.0
_WATER_60F_KG_M3 = 999.016  # density of water at 60 °F, from memory
_60F_ABOVE_REFERENCE_K = 60 * 5 / 9 - 32 * 5 / 9 - REFERENCE_TEMP_C
_MJ_KG_PER_BTU_LB = 2.326e-3  # exact for the International Table Btu (NIST SP 811, B.8)


@dataclass(frozen=True)
class Fuel:
    """Properties of one fuel.

    `density_kg_m3` [kg/m³] at 15 °C; `stoich_afr` [kg dry air/kg fuel]; `lhv_mj_kg` lower heating
    value [MJ/kg]; `carbon_mass_fraction` [1]; `thermal_expansion_per_k` of volume [1/K];
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
        thermal_expansion_per_k=share * ETHANOL.thermal_expansion_per_k
        + (1 - share) * _PETROL.thermal_expansion_per_k,
        ethanol_volume_share=share,
        source=f"volume blend of E0 ({_PETROL.source}) and ethanol ({ETHANOL.source})"
        if share
        else _PETROL.source,
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

    >>> round(volume_l(744.7, FUELS["E0"], 25.0), 4)
    1.0096
    """
    volume: T = mass_g / fuel.density_kg_m3 * _expansion(fuel, temp_c)
    return volume


def mass_g(volume_l: T, fuel: Fuel, temp_c: T | float = REFERENCE_TEMP_C) -> T:
    """Mass [g] of a volume [L] of fuel at a temperature [°C]: the inverse of `volume_l`."""
    mass: T = volume_l * fuel.density_kg_m3 / _expansion(fuel, temp_c)
    return mass


def _expansion(fuel: Fuel, temp_c: T | float) -> T | float:
    return 1 + fuel.thermal_expansion_per_k * (temp_c - REFERENCE_TEMP_C)


def _formula_mass(hydrogen_per_carbon: float, oxygen_per_carbon: float) -> float:
    return CARBON_G_MOL + hydrogen_per_carbon * HYDROGEN_G_MOL + oxygen_per_carbon * OXYGEN_G_MOL


def _fuel(
    name: str,
    hydrogen_per_carbon: float,
    oxygen_per_carbon: float,
    specific_gravity_60f: float,
    lhv_btu_lb: float,
    expansion: float,
    ethanol: float,
    source: str,
) -> Fuel:
    return Fuel(
        name=name,
        density_kg_m3=specific_gravity_60f
        * _WATER_60F_KG_M3
        * (1 + expansion * _60F_ABOVE_REFERENCE_K),
        stoich_afr=stoichiometric_air(hydrogen_per_carbon, oxygen_per_carbon),
        lhv_mj_kg=lhv_btu_lb * _MJ_KG_PER_BTU_LB,
        carbon_mass_fraction=carbon_share(hydrogen_per_carbon, oxygen_per_carbon),
        thermal_expansion_per_k=expansion,
        ethanol_volume_share=ethanol,
        source=source,
    )


_PETROL = _fuel(
    "E0", 1.87, 0.0, 0.745, 18_676, 0.95e-3, 0.0,
    "composition CH1.87 as Heywood, Internal Combustion Engine Fundamentals, table D.4 (from "
    "memory); specific gravity 0.745 of the test fuel in 40 CFR 600 appendix II; lower heating "
    "value 18,676 Btu/lb of the DOE AFDC fuel properties (GREET); expansion 0.00095 1/K, a "
    "common handbook value",
)  # fmt: skip
ETHANOL = _fuel(
    "ethanol", 3.0, 0.5, 0.794, 11_585, 1.09e-3, 1.0,
    "C2H6O; specific gravity 0.794 and lower heating value 11,585 Btu/lb of the DOE AFDC fuel "
    "properties (GREET); expansion 0.00109 1/K from memory",
)  # fmt: skip
_DIESEL = _fuel(
    "diesel", 13 / HYDROGEN_G_MOL / (87 / CARBON_G_MOL), 0.0, 0.85, 18_394, 0.83e-3, 0.0,
    "carbon 87 %, hydrogen 13 % by mass, specific gravity 0.85 and lower heating value "
    "18,394 Btu/lb of the DOE AFDC fuel properties (No. 2 diesel); expansion 0.00083 1/K from "
    "memory",
)  # fmt: skip

FUELS: dict[str, Fuel] = {
    "E0": _PETROL,
    "E10": blend(0.10),
    "E15": blend(0.15),
    "E85": blend(0.85),  # pumped E85 holds 51 to 83 % ethanol (ASTM D5798): log PID 52
    "diesel": _DIESEL,
}
