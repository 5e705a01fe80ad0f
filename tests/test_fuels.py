import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadlog.errors import InputError
from roadlog.quantities.fuels import FUELS, blend, mass_g, volume_l


def test_every_declared_fuel_has_properties():
    assert list(FUELS) == ["E0", "E5", "E10", "E15", "E20", "E27", "E30", "E85", "diesel"]
    for name, fuel in FUELS.items():
        assert fuel.name == name
        assert fuel.source
        with pytest.raises(dataclasses.FrozenInstanceError):
            fuel.density_kg_m3 = 1.0


def test_more_ethanol_needs_less_air_and_gives_less_heat_in_a_denser_fuel():
    ladder = [blend(s) for s in np.linspace(0, 1, 11)]
    for field, sign in (("stoich_afr", -1), ("lhv_mj_kg", -1), ("carbon_mass_fraction", -1),
                        ("density_kg_m3", 1)):  # fmt: skip
        steps = np.diff([getattr(f, field) for f in ladder])
        assert (sign * steps > 0).all(), field


def test_blend_of_the_declared_share_is_the_declared_fuel():
    assert blend(0.10) == FUELS["E10"]
    assert blend(0.05) == FUELS["E5"]
    assert blend(0.0) == FUELS["E0"]


@given(share=st.floats(0, 1))
def test_heat_of_a_blend_is_the_heat_of_its_parts(share):
    fuel, petrol, ethanol = blend(share), blend(0.0), blend(1.0)
    parts = (1 - share) * petrol.density_kg_m3 * petrol.lhv_mj_kg
    parts += share * ethanol.density_kg_m3 * ethanol.lhv_mj_kg
    assert fuel.density_kg_m3 * fuel.lhv_mj_kg == pytest.approx(parts)


@pytest.mark.parametrize("share", [-0.01, 1.01, 10, float("nan")])
def test_ethanol_share_in_percent_is_refused(share):
    with pytest.raises(InputError, match="not between 0 and 1"):
        blend(share)


@given(mass=st.floats(0, 1e6), temp=st.floats(-30, 60))
def test_volume_and_mass_are_inverse(mass, temp):
    fuel = FUELS["E10"]
    assert mass_g(volume_l(mass, fuel, temp), fuel, temp) == pytest.approx(mass)


def test_warm_fuel_takes_more_room():
    fuel = FUELS["E0"]
    at_15, at_35 = volume_l(np.array([1000.0]), fuel), volume_l(np.array([1000.0]), fuel, 35.0)
    assert at_15[0] == pytest.approx(1000 / fuel.density_kg_m3)
    assert at_35[0] / at_15[0] == pytest.approx(1 + 20 * fuel.thermal_expansion_per_k, abs=1e-3)
