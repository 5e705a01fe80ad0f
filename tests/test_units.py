"""Unit spellings, and conversions that must undo each other."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadlog.errors import InputError
from roadlog.quantities.units import (
    UNITS,
    canonical_unit,
    convert,
    economy_change_pct,
    mpg_imperial,
    mpg_us,
)


@pytest.mark.parametrize(
    ("spelling", "unit"),
    [
        ("KPH", "km/h"), ("km/hr", "km/h"), ("MPH", "mph"), ("Knots", "kn"), ("deg F", "°f"),
        ("°C", "°c"), ("℃", "°c"), ("C", "°c"), ("lbs/min", "lb/min"), ("grams/sec", "g/s"),
        ("L/h", "l/h"), ("GPH", "gal/h"), ("imp gal/h", "gal (imp)/h"), ("PSI", "psi"),
        ("in Hg", "inhg"), ("mbar", "hpa"), ("percent", "%"), ("1/min", "rpm"), ("Volts", "v"),
        ("feet", "ft"), ("Miles", "mi"), ("Degrees", "°"), ("milliseconds", "ms"), ("λ", "ratio"),
    ],
)  # fmt: skip
def test_spelling(spelling: str, unit: str) -> None:
    assert canonical_unit(spelling) == unit


@pytest.mark.parametrize("text", ["furlong", "km/l/h", "rpmm", "bananas"])
def test_what_is_no_unit(text: str) -> None:
    assert canonical_unit(text) is None


def test_no_spelling_stands_for_two_units() -> None:
    seen: dict[str, str] = {}
    for name, unit in UNITS.items():
        for spelling in (name, *unit.spellings):
            assert seen.setdefault(spelling, name) == name, spelling
            assert spelling == spelling.lower()
            assert canonical_unit(spelling) == name


@pytest.mark.parametrize("name", list(UNITS))
@given(value=st.floats(-1e4, 1e4))
def test_a_conversion_is_undone_by_its_inverse(name: str, value: float) -> None:
    for other, unit in UNITS.items():
        if unit.dimension == UNITS[name].dimension:
            there = convert(value, name, other)
            assert convert(there, other, name) == pytest.approx(value, rel=1e-9, abs=1e-6)


def test_arrays_are_converted_elementwise() -> None:
    np.testing.assert_allclose(convert(np.array([32.0, 212.0]), "°F", "°C"), [0, 100], atol=1e-12)


def test_dimensions_do_not_mix() -> None:
    with pytest.raises(InputError, match="can't become"):
        convert(1.0, "km/h", "kPa")
    with pytest.raises(InputError, match="'furlong' is not known"):
        convert(1.0, "furlong", "km")


@pytest.mark.parametrize("economy", [mpg_us, mpg_imperial, economy_change_pct])
def test_fuel_use_and_economy_are_each_others_inverse(economy) -> None:  # type: ignore[no-untyped-def]
    assert economy(economy(7.3)) == pytest.approx(7.3)


def test_a_claim_of_twelve_percent_more_miles_is_less_than_eleven_percent_less_fuel() -> None:
    assert economy_change_pct(12.0) == pytest.approx(-100 * 12 / 112)


@pytest.mark.parametrize("text", ["20,5 km/h", "800 rpm", "5 US gal/h", "1.2 g/s", "3; l/h"])
def test_a_number_with_its_unit_is_no_unit(text: str) -> None:
    assert canonical_unit(text) is None
