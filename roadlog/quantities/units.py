"""Unit conversions and fuel-economy arithmetic: the only home of conversion factors.

`convert` takes any unit spelling that a logger writes (see `canonical_unit`) to the unit that a
signal is kept in. Factors are the exact ones of NIST SP 811 (2008), Appendix B.8, unless said
otherwise beside the value.
"""

import re
from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np

from roadlog.errors import InputError

T = TypeVar("T", float, np.ndarray)
UnitChoice = Literal["metric", "km_per_l", "us", "imperial"]  # shown to a reader; else: metric

KM_PER_MILE = 1.609344
L_PER_US_GALLON = 3.785411784
L_PER_IMPERIAL_GALLON = 4.54609
KG_PER_LB = 0.45359237
M_PER_FOOT = 0.3048
STANDARD_GRAVITY_M_S2 = 9.80665

LARGEST_RATIO = (
    1.5  # of fuel use between the arms; beyond, `roadlog.analysis.doubts` forbids a firm word
)


@dataclass(frozen=True)
class Unit:
    """One unit: value in the dimension's base unit = (value + offset) * factor."""

    dimension: str
    factor: float
    offset: float = 0.0
    spellings: tuple[str, ...] = ()


UNITS: dict[str, Unit] = {
    # speed, base km/h
    "km/h": Unit("speed", 1.0, 0, ("kmh", "kph", "km/hr", "kmph", "km_h")),
    "mph": Unit("speed", KM_PER_MILE, 0, ("mi/h", "miles/h", "mile/h")),
    "m/s": Unit("speed", 3.6, 0, ("mps", "m_s")),
    "kn": Unit("speed", 1.852, 0, ("kt", "kts", "knots", "knot")),
    # mass flow, base g/s
    "g/s": Unit("mass flow", 1.0, 0, ("gps", "g/sec", "grams/s", "gram/s", "g_s", "grams/sec")),
    "kg/h": Unit("mass flow", 1000 / 3600, 0, ("kg/hr", "kg_h")),
    "lb/min": Unit("mass flow", KG_PER_LB * 1000 / 60, 0, ("lbs/min", "lb_min", "lbm/min")),
    "lb/h": Unit("mass flow", KG_PER_LB * 1000 / 3600, 0, ("lbs/h", "lb/hr", "lbs/hr", "pph")),
    "lb/s": Unit("mass flow", KG_PER_LB * 1000),
    "kg/min": Unit("mass flow", 1000 / 60),
    "kg/s": Unit("mass flow", 1000.0),
    "g/min": Unit("mass flow", 1 / 60),
    "g/h": Unit("mass flow", 1 / 3600, 0, ("g/hr",)),
    "mg/s": Unit("mass flow", 0.001),
    # fuel of one injection, base mg/stroke
    "mg/stroke": Unit(
        "mass per stroke",
        1.0,
        0,
        ("mg/str", "mg/stk", "mg/inj", "mg/hub", "mg/cp", "mg/injection", "mg"),
    ),
    # volume flow, base L/h
    "l/h": Unit("volume flow", 1.0, 0, ("lph", "l/hr", "litre/h", "liter/h", "l_h", "litres/h")),
    "ml/min": Unit("volume flow", 0.06, 0, ("cc/min", "cm3/min", "ml_min")),
    "l/min": Unit("volume flow", 60.0),
    "l/s": Unit("volume flow", 3600.0),
    "ml/h": Unit("volume flow", 0.001),
    "ml/s": Unit("volume flow", 3.6),
    "gal/h": Unit("volume flow", L_PER_US_GALLON, 0, ("gph", "gal/hr", "gal_h")),  # see BARE
    "gal (us)/h": Unit("volume flow", L_PER_US_GALLON),
    "gal (imp)/h": Unit("volume flow", L_PER_IMPERIAL_GALLON),
    # pressure, base kPa
    "kpa": Unit("pressure", 1.0, 0, ("kilopascal", "kilopascals")),
    "hpa": Unit("pressure", 0.1, 0, ("mbar", "mb", "millibar", "millibars", "hectopascal")),
    "bar": Unit("pressure", 100.0),
    "pa": Unit("pressure", 0.001),
    "psi": Unit("pressure", 6.894757293168361, 0, ("psia", "lbf/in2")),
    "inhg": Unit(
        "pressure", 3.386389, 0, ("in hg", "in.hg", '"hg', "inches of mercury", "inches hg")
    ),  # SP 811: conventional
    "mmhg": Unit("pressure", 0.1333224, 0, ("mm hg",)),
    # temperature, base degree Celsius
    "°c": Unit(
        "temperature",
        1.0,
        0,
        (
            "c",
            "degc",
            "deg c",
            "celsius",
            "℃",
            "ºc",
            "deg_c",
            "degrees c",
            "degrees celsius",
            "degree celsius",
            "deg celsius",
        ),
    ),
    "°f": Unit(
        "temperature",
        5 / 9,
        -32,
        (
            "f",
            "degf",
            "deg f",
            "fahrenheit",
            "℉",
            "ºf",
            "deg_f",
            "degrees f",
            "degrees fahrenheit",
            "degree fahrenheit",
            "deg fahrenheit",
        ),
    ),
    "k": Unit("temperature", 1.0, -273.15, ("kelvin",)),
    # the rest
    "%": Unit("share", 1.0, 0, ("percent", "pct", "prozent")),
    "fraction": Unit("share", 100.0, 0, ("0-1", "0..1", "0…1", "per unit")),
    "rpm": Unit("rotation", 1.0, 0, ("1/min", "rev/min", "r/min", "min-1", "u/min", "tr/min")),
    "1000 rpm": Unit(
        "rotation", 1000.0, 0, ("krpm", "rpm x1000", "x1000 rpm", "rpm/1000", "1000/min", "x1000")
    ),
    "rev/s": Unit("rotation", 60.0, 0, ("rps", "r/s", "1/s", "hz")),
    "v": Unit("voltage", 1.0, 0, ("volt", "volts")),
    "mv": Unit("voltage", 0.001, 0, ("millivolt", "millivolts")),
    "a": Unit("current", 1.0, 0, ("amp", "amps")),
    "ma": Unit("current", 0.001),
    "m": Unit("length", 1.0, 0, ("metre", "metres", "meter", "meters")),
    "mm": Unit("length", 0.001, 0, ("millimetre", "millimetres", "millimeter", "millimeters")),
    "ft": Unit("length", M_PER_FOOT, 0, ("feet", "foot")),
    "km": Unit("length", 1000.0, 0, ("kilometre", "kilometres", "kilometer", "kilometers")),
    "mi": Unit("length", KM_PER_MILE * 1000, 0, ("mile", "miles")),
    "°": Unit(
        "angle", 1.0, 0, ("deg", "degree", "degrees", "º", "dd", "degrees_north", "degrees_east")
    ),
    "rad": Unit("angle", 57.29577951308232, 0, ("radian", "radians")),
    "s": Unit("time", 1.0, 0, ("sec", "secs", "second", "seconds")),
    "ms": Unit("time", 0.001, 0, ("msec", "millis", "millisecond", "milliseconds")),
    "0.1 s": Unit("time", 0.1, 0, ("ds", "decisecond", "deciseconds", "1/10 s", "s/10")),
    "0.01 s": Unit("time", 0.01, 0, ("cs", "centisecond", "centiseconds", "1/100 s", "s/100")),
    "100 ns": Unit("time", 1e-7),
    "ns": Unit("time", 1e-9, 0, ("nanosecond", "nanoseconds")),
    "µs": Unit("time", 1e-6, 0, ("us", "usec", "microseconds")),
    "min": Unit("time", 60.0, 0, ("minute", "minutes")),
    "h": Unit("time", 3600.0, 0, ("hr", "hour", "hours")),
    "l": Unit("volume", 1.0, 0, ("litre", "litres", "liter", "liters")),
    "ml": Unit("volume", 0.001, 0, ("cc", "cm3")),
    "gal": Unit("volume", L_PER_US_GALLON, 0, ("gallon", "gallons")),  # see BARE
    "gal (us)": Unit("volume", L_PER_US_GALLON),
    "gal (imp)": Unit("volume", L_PER_IMPERIAL_GALLON),
    "kg": Unit("mass", 1.0),
    "g": Unit("mass", 0.001),
    "lb": Unit("mass", KG_PER_LB, 0, ("lbs",)),
    "ratio": Unit("ratio", 1.0, 0, ("", "-", "1", "lambda", "λ", "phi", ":1", "afr")),
    "g (accel)": Unit("acceleration", STANDARD_GRAVITY_M_S2),
    "m/s²": Unit("acceleration", 1.0, 0, ("m/s2", "m/s^2")),
}

# A gallon without a word is one of two: whoever reads a file asks which.
BARE = {"gal": ("gal (us)", "gal (imp)"), "gal/h": ("gal (us)/h", "gal (imp)/h")}

# Read where a header names them; too rare to be proposed for values that fit nothing.
SELDOM = frozenset(
    {
        *BARE, "lb/h", "lb/s", "kg/min", "kg/s", "g/min", "g/h", "mg/s", "l/min", "l/s", "ml/h",
        "ml/s", "fraction",
    }
)  # fmt: skip

_WORDS = {
    word: short
    for short, words in {
        "h": "hour hours hr hrs stunde heure hora",
        "min": "minute minutes mins",
        "s": "second seconds sec secs sekunde seconde segundo",
        "l": "litre litres liter liters",
        "ml": "millilitre millilitres milliliter milliliters cc ccm cm3 cm³",
        "gal": "gallon gallons gals",
        "g": "gram grams gramme grammes gm gms",
        "mg": "milligram milligrams milligramme milligrammes",
        "kg": "kilogram kilograms kilogramme kilogrammes kilo kilos kgs",
        "lb": "pound pounds lbs lbm",
        "km": "kilometre kilometres kilometer kilometers",
        "mi": "mile miles",
        "m": "metre metres meter meters",
        "rev": "revolution revolutions revs rev",
        "stroke": "strokes injection cycle",
    }.items()
    for word in words.split()
}
_UNIT_WORD = re.compile(r"/|[^\W\d_]+[³3]?|%")
_GALLON_WORDS = {
    "us": ("us", "usa", "american"),
    "imp": ("uk", "imp", "imperial", "british", "gb"),
}

_SYMBOLS = {
    "ratio": "", "°c": "°C", "°f": "°F", "k": "K", "kpa": "kPa", "hpa": "hPa", "pa": "Pa",
    "inhg": "inHg", "mmhg": "mmHg", "v": "V", "mv": "mV", "a": "A", "ma": "mA", "l/h": "L/h",
    "ml/min": "mL/min", "l": "L", "ml": "mL", "l/min": "L/min", "l/s": "L/s", "ml/h": "mL/h",
    "ml/s": "mL/s",
}  # fmt: skip

_SPELLINGS = {s: name for name, u in UNITS.items() for s in (name, *u.spellings)}


def canonical_unit(text: str) -> str | None:
    """Return the canonical name of a unit as a logger spells it, or None if it isn't a unit.

    >>> canonical_unit("KPH"), canonical_unit("deg F"), canonical_unit("lbs/min")
    ('km/h', '°f', 'lb/min')
    >>> canonical_unit("UK gallons per hour"), canonical_unit("grams per second")
    ('gal (imp)/h', 'g/s')
    """
    low = " ".join(text.strip().lower().split())
    return _SPELLINGS.get(low) or _SPELLINGS.get(_in_short(low) or low)


def _in_short(text: str) -> str | None:
    """A unit written in words, in the table's form: `uk gal/hr` to `gal (imp)/h`.

    >>> _in_short("u.s. gallons per hour"), _in_short("gph (imperial)"), _in_short("cubic inch")
    ('gal (us)/h', 'gal (imp)/h', None)
    """
    text = text.replace("u.s.", "us").replace("u.k.", "uk")
    if re.search(r"[\d,;]", _UNIT_WORD.sub("", text)):
        return None
    words = _UNIT_WORD.findall(text)
    words = ["/" if w in ("per", "pro", "par", "por") else w for w in words]
    words = [part for w in words for part in (("gal", "/", "h") if w == "gph" else (w,))]
    which = {k for k, names in _GALLON_WORDS.items() for w in words if w in names}
    rest = [_WORDS.get(w, w) for w in words if not any(w in n for n in _GALLON_WORDS.values())]
    if which and ("gal" not in rest or len(which) > 1):
        return None
    short = "".join(f"gal ({min(which)})" if which and w == "gal" else w for w in rest)
    return short if short in UNITS or short in _SPELLINGS else None


def unit_symbol(name: str) -> str:
    """A canonical unit as it is written: with capitals where its symbol has them.

    >>> unit_symbol("kpa"), unit_symbol("°c"), unit_symbol("ratio")
    ('kPa', '°C', '')
    """
    return _SYMBOLS.get(name, name)


def convert(value: T, from_unit: str, to_unit: str) -> T:
    """Convert `value` from one unit to another of the same dimension.

    Parameters
    ----------
    value : float or array [from_unit]
    from_unit, to_unit : str
        Names or spellings in `UNITS`.

    Returns
    -------
    float or array [to_unit]

    Raises
    ------
    InputError
        If a unit is unknown or the dimensions differ.

    References
    ----------
    NIST SP 811 (2008), Appendix B.8.

    >>> round(convert(60.0, "mph", "km/h"), 3)
    96.561
    """
    names = canonical_unit(from_unit), canonical_unit(to_unit)
    if names[0] is None or names[1] is None:
        bad = from_unit if names[0] is None else to_unit
        raise InputError(f"unit '{bad}' is not known: use one of {', '.join(UNITS)}")
    a, b = UNITS[names[0]], UNITS[names[1]]
    if a.dimension != b.dimension:
        raise InputError(f"'{from_unit}' is a {a.dimension} and can't become '{to_unit}'")
    if names[0] == names[1]:
        return value
    return (value + a.offset) * a.factor / b.factor - b.offset


def mpg_us(l_per_100km: T) -> T:
    """Fuel economy [mile/US gallon] of a fuel use [L/100 km]; its own inverse."""
    return 100 * L_PER_US_GALLON / KM_PER_MILE / l_per_100km


def mpg_imperial(l_per_100km: T) -> T:
    """Fuel economy [mile/imperial gallon] of a fuel use [L/100 km]; its own inverse."""
    return 100 * L_PER_IMPERIAL_GALLON / KM_PER_MILE / l_per_100km


def economy_change_pct(fuel_use_change_pct: T) -> T:
    """Change of fuel economy [%] that a change of fuel use [%] equals; its own inverse.

    A claim of "+12 % MPG" is a fuel-use change of -12/1.12 = -10.7 %.

    >>> round(economy_change_pct(12.0), 2)
    -10.71
    """
    return 100 * (1 / (1 + fuel_use_change_pct / 100) - 1)
