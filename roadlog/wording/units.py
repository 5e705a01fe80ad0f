"""The reader's units: the one home of what a printed quantity is shown in.

All computing is metric. A study says `units` in study.toml; whoever prints sets them for a while
(`shown_in`, `in_own_units`; a reader may have said others, `reader_in`), and printed quantities go
through `told`, `amount` and `symbol`. Text that is finished gets the reader's unit beside the
metric one (`with_twins`), so that what a sentence leaves unsaid ("205 km placed, 201 used") stays
true.
"""

import math
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import wraps
from typing import Literal, ParamSpec, TypeGuard, TypeVar, get_args

from roadlog.quantities.units import UnitChoice, convert, mpg_imperial, mpg_us
from roadlog.wording.numbers import UNKNOWN, number, signed

P = ParamSpec("P")
R = TypeVar("R")
Metric = Literal["km", "m", "km/h", "L/100 km", "L", "L/h", "kg", "°C", "kPa"]
Use = Literal["L/100 km", "km/L", "MPG (US)", "MPG (imp)"]


@dataclass(frozen=True)
class Units:
    """What a reader is shown fuel use, distance, temperature and pressure in.

    Height, speed and mass follow the distance, amounts of fuel the gallon of the fuel use.
    """

    use: Use = "L/100 km"
    distance: Literal["km", "mi"] = "km"
    temperature: Literal["°C", "°F"] = "°C"
    pressure: Literal["kPa", "psi"] = "kPa"

    @property
    def gallon(self) -> Literal["US gal", "imp gal", ""]:
        """The gallon of the fuel use, "" where it has litres."""
        by_use: dict[str, Literal["US gal", "imp gal"]] = {
            "MPG (US)": "US gal", "MPG (imp)": "imp gal",
        }  # fmt: skip
        return by_use.get(self.use, "")


METRIC = Units()
SYSTEMS: dict[UnitChoice, Units] = {
    "metric": METRIC,
    "km_per_l": Units("km/L"),
    "us": Units("MPG (US)", "mi", "°F", "psi"),
    "imperial": Units("MPG (imp)", "mi", "°C", "psi"),
}
_CHOICE: ContextVar[Units] = ContextVar("units", default=METRIC)
_READER: ContextVar[Units | None] = ContextVar("reader", default=None)
_LONG = {"km": "mi", "m": "ft", "km/h": "mph", "kg": "lb"}
_DIGITS = {"L/100 km": -1, "kPa": 1, "L": 1}  # more or fewer than the metric number has


@contextmanager
def shown_in(choice: UnitChoice | Units) -> Iterator[None]:
    """Print in these units for a while."""
    token = _CHOICE.set(units_of(choice))
    try:
        yield
    finally:
        _CHOICE.reset(token)


@contextmanager
def reader_in(units: Units | None) -> Iterator[None]:
    """For a while, all that would be printed in a study's own units is for a reader in these."""
    token = _READER.set(units)
    try:
        yield
    finally:
        _READER.reset(token)


def units_of(choice: UnitChoice | Units) -> Units:
    """Units by the name of their system."""
    return SYSTEMS[choice] if isinstance(choice, str) else choice


def reader() -> Units | None:
    """What a reader said that he wants to be shown, None if nobody did."""
    return _READER.get()


def for_reader(own: UnitChoice | Units) -> Units:
    """The reader's units, where somebody said them; else the study's own."""
    return _READER.get() or units_of(own)


def show_in(choice: UnitChoice) -> None:
    """Print in these units from now on, in this context: for a command that ends soon."""
    _CHOICE.set(for_reader(choice))


def in_own_units(page: Callable[P, R]) -> Callable[P, R]:
    """A function that prints in the units of its first argument's study."""

    @wraps(page)
    def printed(*args: P.args, **kwargs: P.kwargs) -> R:
        study = getattr(args[0], "study", args[0])
        with shown_in(for_reader(getattr(study, "units", "metric"))):
            return page(*args, **kwargs)

    return printed


def page_with_twins(html: str) -> str:
    """A page whose text has the reader's unit beside each metric one; scripts and styles stay.

    >>> with shown_in("us"):
    ...     page_with_twins("<p title='8 km'>17 km</p><script>17 km</script>")
    "<p title='8 km'>17 km (11 mi)</p><script>17 km</script>"
    """
    if _CHOICE.get() == METRIC:
        return html
    parts = _TAGS.split(html)
    for i in range(0, len(parts), 2):
        parts[i] = with_twins(parts[i])
    return "".join(parts)


def choice() -> Units:
    """The units that are printed in now."""
    return _CHOICE.get()


def is_told(unit: str) -> TypeGuard[Metric]:
    """Whether a reader may be told it in another unit."""
    return unit in get_args(Metric)


def symbol(unit: Metric, *, change: bool = False) -> str:
    """What stands for a metric unit in the reader's units.

    Parameters
    ----------
    change : of fuel use, a difference: gallons for 100 miles, since MPG of a difference is none

    >>> with shown_in("us"):
    ...     print(symbol("km"), symbol("L/100 km"), symbol("L/100 km", change=True))
    mi MPG (US) US gal/100 mi
    """
    now = _CHOICE.get()
    if unit == "L/100 km":
        if not change:
            return now.use
        return f"{now.gallon}/100 mi" if now.gallon else unit
    if unit in ("L", "L/h"):
        return now.gallon + unit[1:] if now.gallon else unit
    return _other(unit, now)


def _other(unit: str, now: Units) -> str:
    """What stands for a metric unit of anything but fuel."""
    if unit == "°C":
        return now.temperature
    if unit == "kPa":
        return now.pressure
    return _LONG[unit] if now.distance == "mi" else unit


def amount(value: float, unit: Metric, *, change: bool = False) -> float:
    """A metric value in the reader's units; a change of temperature isn't shifted.

    >>> with shown_in("imperial"):
    ...     print(round(amount(6.0, "L/100 km"), 1), round(amount(160.9344, "km")))
    47.1 100
    """
    now = _CHOICE.get()
    if now == METRIC or not math.isfinite(value):
        return value
    if unit == "L/100 km":
        return _use(value, now, change=change)
    if unit in ("L", "L/h"):
        return value / _litres_a_gallon(now) if now.gallon else value
    other = _other(unit, now)
    if other == unit:
        return value
    return 1.8 * value if unit == "°C" and change else float(convert(value, unit, other))


def _use(l_per_100km: float, now: Units, *, change: bool) -> float:
    if now.use == "L/100 km":
        return l_per_100km
    if change:
        if not now.gallon:
            return l_per_100km
        return l_per_100km * float(convert(1.0, "mi", "km")) / _litres_a_gallon(now)
    if l_per_100km <= 0:
        return math.nan
    if now.use == "km/L":
        return 100 / l_per_100km
    return float(mpg_us(l_per_100km) if now.gallon == "US gal" else mpg_imperial(l_per_100km))


def told(
    value: float | None, unit: Metric, digits: int = 0, *, change: bool = False, sign: bool = False
) -> str:
    """A metric quantity as the reader is told it, with its unit.

    >>> told(206.2, "km"), told(None, "km")
    ('206 km', 'not known')
    >>> with shown_in("us"):
    ...     print(told(206.2, "km"), told(6.38, "L/100 km", 2))
    128 mi 36.9 MPG (US)
    """
    figure = in_figures(value, unit, digits, change=change, sign=sign)
    return figure if figure == UNKNOWN else f"{figure} {symbol(unit, change=change)}"


def in_figures(
    value: float | None, unit: Metric, digits: int = 0, *, change: bool = False, sign: bool = False
) -> str:
    """The number of `told`, without its unit."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    shown = symbol(unit, change=change)
    if shown != unit:
        value = amount(value, unit, change=change)
        digits += 1 if change and unit == "L/100 km" else _DIGITS.get(unit, 0)
        digits = max(digits, 0)
    return signed(value, digits) if sign else number(value, digits)


def economy_unit() -> str:
    """The miles per gallon that the reader knows: US, unless the study says imperial."""
    return "MPG imp" if _CHOICE.get().use == "MPG (imp)" else "MPG US"


def use_both_ways(l_per_100km: float) -> str:
    """A fuel use in the reader's unit, and as the other side of the sea says it.

    >>> use_both_ways(6.38)
    '6.38 L/100 km = 36.9 MPG (US)'
    >>> with shown_in("imperial"):
    ...     use_both_ways(6.38)
    '44.3 MPG (imp) = 6.38 L/100 km'
    """
    litres = f"{number(l_per_100km, 2)} L/100 km"
    if _CHOICE.get().use == "L/100 km":
        return f"{litres} = {number(mpg_us(l_per_100km))} MPG (US)"
    return f"{told(l_per_100km, 'L/100 km', 2)} = {litres}"


_TAGS = re.compile(r"(<(?:script|style)\b.*?</(?:script|style)>|<[^>]*>)", re.DOTALL)
_SPACE = r"(?:[ \u00a0]|&nbsp;)"
_NUMBER = r"[+\-−]?\d[\d,]*(?:\.\d+)?"
_AND = rf"{_SPACE}(?:to|and|or|of){_SPACE}"
_UNITS = rf"L/100{_SPACE}km|km/h|km|°C|kPa|L/h|L|kg"
_BOUNDS = rf"{_SPACE}\({_NUMBER}{_SPACE}to{_SPACE}{_NUMBER}\)"
_TWIN = rf"(?!(?:{_BOUNDS})?{_SPACE}?[(\[][^()\[\]]*(?:MPG|mph|mi|psi|°F|gal|lb|km/L)\b)"
_QUANTITY = re.compile(
    rf"(?<![\w.,/])({_NUMBER}(?:{_AND}{_NUMBER})*){_SPACE}({_UNITS})(?![\w/²³·]|, \d+ cyl){_TWIN}"
    rf"(?P<bounds>{_BOUNDS})?"
)
_READERS = re.compile(r"(?:MPG[ \u00a0]\((?:US|imp)\)|MPG \w+|mph|mi|psi|°F|gal|lb|ft|km/L)\s*$")


def with_twins(text: str) -> str:
    """Finished text with the reader's unit in brackets behind each metric quantity.

    Numbers keep as many significant digits as they had, two at the least. A fuel use with a sign or
    bounds is a change and gets gallons for 100 miles. What stands behind the reader's unit in the
    same brackets is its twin already.

    >>> with shown_in("us"):
    ...     print(with_twins("used 201 of 206 km, 6.38 L/100 km"))
    ...     print(with_twins("changed by -0.05 L/100 km"))
    used 201 of 206 km (125 of 128 mi), 6.38 L/100 km (36.9 MPG US)
    changed by -0.05 L/100 km (-0.021 US gal/100 mi)
    """
    if _CHOICE.get() == METRIC:
        return text
    return _QUANTITY.sub(_twin, text)


def _twin(found: re.Match[str]) -> str:
    if _is_twin(found.string[: found.start()]):
        return found[0]
    listed, unit, bounds = found[1], _metric(found[2]), found["bounds"] or ""
    signs = "+" if unit == "°C" else "+-−"  # below zero isn't colder by so much
    change = bool(bounds) or any(c in signs for c in listed)
    if symbol(unit, change=change) == unit:
        return found[0]
    plain = re.sub("[()]", "", symbol(unit, change=change))

    def other(text: str) -> str:
        return re.sub(_NUMBER, lambda m: _converted(m[0], unit, change), text)

    if bounds:
        return f"{found[0]} [{other(listed)} {plain}{other(bounds)}]"
    return f"{found[0]} ({other(listed)} {plain})"


def _is_twin(before: str) -> bool:
    """Whether a bracket is open that began behind one of the reader's units."""
    opened = before.rfind("(", max(before.rfind(")") + 1, 0))
    return opened >= 0 and _READERS.search(before[:opened]) is not None


def _metric(text: str) -> Metric:
    plain = re.sub(_SPACE, " ", text)
    found: dict[str, Metric] = {
        "km": "km", "km/h": "km/h", "L/100 km": "L/100 km", "L": "L", "L/h": "L/h", "kg": "kg",
        "°C": "°C", "kPa": "kPa",
    }  # fmt: skip
    return found[plain]


def _converted(text: str, unit: Metric, change: bool) -> str:
    bare = text.replace(",", "").replace("−", "-")
    value = amount(float(bare), unit, change=change)
    if not math.isfinite(value):
        return UNKNOWN
    digits = bare.lstrip("+-").replace(".", "").lstrip("0")
    if unit == "°C" and not change:
        decimals = len(bare.partition(".")[2])
    else:
        size = math.floor(math.log10(abs(value))) if value else 0
        known = len(digits) if "." in bare else min(len(digits), 3)
        decimals = max(max(known, 2) - 1 - size, 0)
    shown = f"{value:,.{decimals}f}"
    return f"+{shown}" if bare.startswith("+") and value else shown.replace("-", text[0])


def _litres_a_gallon(now: Units) -> float:
    return float(convert(1.0, "gal (us)" if now.gallon == "US gal" else "gal (imp)", "l"))
