"""Words that every trial prints alike: an interval with its unit, the finding, a short screen."""

import re
import textwrap
from collections.abc import Sequence

from roadlog.wording.numbers import signed
from roadlog.wording.units import with_twins

WIDTH = 88
LABEL = 13
_UNIT_SPACE = re.compile(
    r"(?<=\d) (?=(?:%|L/100 km|L/h|MPG|kPa|km/h|km|kW|mL/min|MJ/kg|kJ/mol|g/kWh|g/s|g/L|°C|°F|mi|"
    r"mph|psi|lb|ft|US gal|imp gal|[ALVWgs])(?!\w))|(?<=L/100) (?=km)|(?<=/100) (?=mi)|"
    r"(?<=US) (?=gal)|(?<=imp) (?=gal)|(?<=MPG) (?=US|\(US|imp|\(imp)"
)
FIXED_SPACE = "\u00a0"


def interval_words(
    estimate: float, low: float | None, high: float | None, unit: str, digits: int = 1
) -> str:
    """The interval of a change, the estimate named as one.

    >>> interval_words(-1.24, -3.0, 0.5, "%")
    '-3.0 to +0.5 % (95 % interval; estimate -1.2 %)'
    >>> interval_words(-1.24, None, None, "%")
    'an unknown amount (no interval: too few switch units; estimate -1.2 %)'
    """
    first = f"estimate {signed(estimate, digits)} {unit}".strip()
    if low is None or high is None:
        return f"an unknown amount (no interval: too few switch units; {first})"
    ends = f"{signed(low, digits)} to {signed(high, digits)} {unit}".strip()
    return f"{ends} (95 % interval; {first})"


def grid(headings: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> list[str]:
    """A table for a terminal: text to the left, numbers to the right."""
    cells = [headings, *rows]
    widths = [max(len(r[i]) for r in cells) for i in range(len(headings))]
    right = [all(r[i][:1] in "+-0123456789" for r in rows if r[i]) for i in range(len(headings))]
    return [
        "  ".join(
            c.rjust(w) if r else c.ljust(w) for c, w, r in zip(row, widths, right, strict=True)
        ).rstrip()
        for row in cells
    ]


def one_line(text: str) -> str:
    """Text without line breaks or control characters (a name from a file may hold any)."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def with_units(text: str) -> str:
    """Text in the reader's units, a number staying with its unit by spaces that don't break."""
    return _UNIT_SPACE.sub(FIXED_SPACE, with_twins(text))


def typeset(text: str) -> str:
    r"""Minus signs for negative numbers and unbroken spaces before units, for pages.

    >>> ascii(typeset("-0.8 % on 2024-03-05"))
    "'\\u22120.8\\xa0% on 2024-03-05'"
    """
    return with_units(re.sub(r"(?<![\w-])-(?=\d)", "−", text.replace("+/-", "±")))


def paragraph(label: str, text: str, *, hang: int = 0) -> list[str]:
    """A label and its wrapped text, further lines `hang` columns further in.

    Numbers stay with their units; without a label the text begins at the margin.
    """
    lines = textwrap.wrap(
        with_units(one_line(text)),
        WIDTH,
        initial_indent=label.ljust(LABEL) if label else "",
        subsequent_indent=" " * ((LABEL if label else 0) + hang),
        break_on_hyphens=False,
    )
    return [line.replace(FIXED_SPACE, " ") for line in lines]
