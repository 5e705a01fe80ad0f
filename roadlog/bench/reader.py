"""Who reads a page: the units that this browser chose, as a word that goes into cookies and forms.

A form carries the word of the units that it was made in, and what is typed is read in those,
whatever was chosen in another tab since. Nothing of it is stored in a study.
"""

from collections.abc import Mapping
from typing import cast, get_args

from roadlog.quantities.units import UnitChoice
from roadlog.wording.units import SYSTEMS, Units

COOKIE = "roadlog_units"
OWN = "own"  # the study's own units: nothing chosen
LONGEST = 60
PARTS: dict[str, dict[str, str]] = {
    "use": {"l100": "L/100 km", "kml": "km/L", "mpgus": "MPG (US)", "mpgimp": "MPG (imp)"},
    "distance": {"km": "km", "mi": "mi"},
    "temperature": {"c": "°C", "f": "°F"},
    "pressure": {"kpa": "kPa", "psi": "psi"},
}


def word_of(units: Units) -> str:
    """Units as one word.

    >>> word_of(SYSTEMS["imperial"])
    'mpgimp.mi.c.psi'
    """
    return ".".join(
        next(w for w, shown in PARTS[part].items() if shown == getattr(units, part))
        for part in PARTS
    )


def units_in(word: str | None) -> Units | None:
    """The units that a word says, None for one that says none.

    >>> units_in("kml.km.c.psi").pressure, units_in("us").use, units_in("stones")
    ('psi', 'MPG (US)', None)
    """
    if not word or len(word) > LONGEST:
        return None
    if word in get_args(UnitChoice):
        return SYSTEMS[cast(UnitChoice, word)]
    words = word.split(".")
    if len(words) != len(PARTS):
        return None
    told = {p: PARTS[p].get(w) for p, w in zip(PARTS, words, strict=True)}
    return None if None in told.values() else Units(**told)  # type: ignore[arg-type]


def chosen(form: Mapping[str, str]) -> str | None:
    """The word of what the switch's form says: a whole system, or each part; None if neither."""
    system = form.get("system", "")
    if system == OWN:
        return OWN
    parts = ".".join(form.get(part, "") for part in PARTS)
    units = units_in(system) if system else units_in(parts)
    return None if units is None else word_of(units)
