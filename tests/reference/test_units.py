"""Unit factors against published tables, computed here apart from `roadlog.quantities.units`.

Sources:
- NIST Special Publication 811 (2008 edition), "Guide for the Use of the International System of
  Units", Appendix B.8, "Factors for units listed alphabetically": mile, knot, foot, pound
  (avoirdupois), gallon (U.S.), gallon (imperial), psi, inch of mercury (conventional), millimetre
  of mercury (conventional), degree Fahrenheit. https://doi.org/10.6028/NIST.SP.811e2008
  Knot, psi, inch of mercury, pound and free fall were compared with the transcription of that table
  in the R package NISTunits 1.0.1; the other rows are from memory and agree with scipy.constants.
- scipy.constants, which carries the same exact definitions in SI.
- 40 CFR 600 works in miles per US gallon; 1 gallon = 3.785411784 L, 1 mile = 1.609344 km (both
  exact), so that mpg x L/100 km = 235.2145833.
"""

import numpy as np
import pytest
from scipy import constants

from roadlog.quantities.units import (
    UNITS,
    convert,
    economy_change_pct,
    mpg_imperial,
    mpg_us,
)

# NIST SP 811 (2008), Appendix B.8: from, to, factor to the digits printed there.
SP811 = [
    ("mph", "m/s", 0.44704, 1e-12),  # mile per hour, exact
    ("mph", "km/h", 1.609344, 1e-12),  # mile per hour to kilometre per hour, exact
    ("kn", "m/s", 0.5144444, 1e-6),  # knot
    ("ft", "m", 0.3048, 1e-12),  # foot, exact
    ("mi", "km", 1.609344, 1e-12),  # mile, exact
    ("lb", "kg", 0.45359237, 1e-12),  # pound (avoirdupois), exact by the table's footnote
    ("lb/min", "g/s", 7.559873, 1e-6),  # pound per minute: 7.559873 E-03 kg/s
    ("gal", "l", 3.785412, 1e-6),  # gallon (U.S.)
    ("gal (imp)", "l", 4.54609, 1e-12),  # gallon [Canadian and U.K. (Imperial)], exact
    ("psi", "kpa", 6.894757, 1e-6),  # pound-force per square inch
    ("inhg", "kpa", 3.386389, 1e-6),  # inch of mercury, conventional
    ("mmhg", "kpa", 0.1333224, 1e-6),  # millimetre of mercury, conventional
    ("bar", "kpa", 100, 1e-12),  # bar, exact
    ("hpa", "kpa", 0.1, 1e-12),  # millibar, exact
    ("g (accel)", "m/s²", 9.80665, 1e-12),  # acceleration of free fall, standard, exact
]


@pytest.mark.parametrize(("a", "b", "factor", "tolerance"), SP811)
def test_factor_of_nist_sp_811(a: str, b: str, factor: float, tolerance: float) -> None:
    assert convert(1.0, a, b) == pytest.approx(factor, rel=tolerance)


@pytest.mark.parametrize(
    ("a", "b", "expected"),
    [
        ("mph", "m/s", constants.mph),
        ("kn", "m/s", constants.knot),
        ("km/h", "m/s", constants.kmh),
        ("ft", "m", constants.foot),
        ("mi", "m", constants.mile),
        ("lb", "kg", constants.pound),
        ("lb/min", "g/s", constants.pound * constants.kilo / constants.minute),
        ("kg/h", "g/s", constants.kilo / constants.hour),
        ("gal", "l", constants.gallon_US / constants.liter),
        ("gal (imp)", "l", constants.gallon_imp / constants.liter),
        ("gal/h", "ml/min", constants.gallon_US / constants.liter * 1000 / 60),
        ("psi", "pa", constants.psi),
        ("bar", "pa", constants.bar),
        ("mmhg", "pa", constants.torr),
        ("rad", "°", 1 / constants.degree),
    ],
)
def test_factor_of_scipy_constants(a: str, b: str, expected: float) -> None:
    assert convert(1.0, a, b) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(("scale", "unit"), [("Fahrenheit", "°f"), ("Kelvin", "k")])
def test_temperature_against_scipy(scale: str, unit: str) -> None:
    values = np.array([-40.0, 0.0, 59.0, 451.0])
    expected = constants.convert_temperature(values, scale, "Celsius")
    np.testing.assert_allclose(convert(values, unit, "°c"), expected, atol=1e-9)
    np.testing.assert_allclose(convert(expected, "°c", unit), values, atol=1e-9)


def test_every_factor_of_pint_agrees() -> None:
    """Source: Pint's unit registry, an independent table (https://pint.readthedocs.io)."""
    pint = pytest.importorskip("pint")
    ureg = pint.UnitRegistry()
    names = {
        "km/h": "km/hour", "mph": "mile/hour", "m/s": "m/s", "kn": "knot", "g/s": "g/s",
        "kg/h": "kg/hour", "lb/min": "lb/minute", "l/h": "l/hour", "ml/min": "ml/minute",
        "gal/h": "gallon/hour", "gal (imp)/h": "imperial_gallon/hour", "kpa": "kPa", "hpa": "hPa",
        "bar": "bar", "pa": "Pa", "psi": "psi", "inhg": "inHg", "mmhg": "mmHg", "m": "m",
        "ft": "foot", "km": "km", "mi": "mile", "rad": "rad", "°": "deg", "s": "s", "ms": "ms",
        "µs": "us", "min": "minute", "h": "hour", "l": "l", "ml": "ml", "gal": "gallon",
        "gal (imp)": "imperial_gallon", "kg": "kg", "g": "g", "lb": "lb", "v": "V", "mv": "mV",
        "a": "A", "ma": "mA",
    }  # fmt: skip
    for a, pint_a in names.items():
        for b, pint_b in names.items():
            if UNITS[a].dimension == UNITS[b].dimension:
                expected = ureg.Quantity(1.0, pint_a).to(pint_b).magnitude
                assert convert(1.0, a, b) == pytest.approx(expected, rel=1e-6), (a, b)


def test_miles_per_gallon_by_the_definitions_of_40_cfr_600() -> None:
    constant = 100 * 3.785411784 / 1.609344
    assert constant == pytest.approx(235.2145833, rel=1e-9)
    for l_per_100km in (3.5, 7.84, 15.0):
        assert mpg_us(l_per_100km) == pytest.approx(constant / l_per_100km, rel=1e-12)
    # Straight from SI: metres per cubic metre of fuel, over metres a mile, gallons a cubic metre.
    metres_per_m3 = 100e3 / 7.84e-3
    by_si = metres_per_m3 / constants.mile * constants.gallon_US
    assert mpg_us(7.84) == pytest.approx(by_si, rel=1e-12)


def test_imperial_miles_per_gallon() -> None:
    assert mpg_imperial(7.84) == pytest.approx(282.4809363 / 7.84, rel=1e-9)
    assert mpg_imperial(7.84) / mpg_us(7.84) == pytest.approx(4.54609 / 3.785411784, rel=1e-12)


def test_change_of_economy_follows_the_two_mpg_figures() -> None:
    for fuel_change in (-10.7142857, -3.0, 0.6, 5.0):
        before, after = 7.84, 7.84 * (1 + fuel_change / 100)
        by_mpg = 100 * (mpg_us(after) / mpg_us(before) - 1)
        assert economy_change_pct(fuel_change) == pytest.approx(by_mpg, rel=1e-9)
