"""Words that every trial prints alike: an interval with its unit, the finding, a short screen."""

import re
import textwrap
from collections.abc import Sequence

WIDTH = 88
_LABEL = 13
_UNIT_SPACE = re.compile(
    r"(?<=\d) (?=(?:%|L/100 km|L/h|kPa|km/h|kW|mL/min|MJ/kg|kJ/mol|g/kWh|g/s|g/L|°C|[ALVWgs])"
    r"(?!\w))"
)


LABEL = 13


def interval_words(
    estimate: float, low: float | None, high: float | None, unit: str, digits: int = 1
) -> str:
    """A signed change with its interval.

    >>> interval_words(-1.24, -3.0, 0.5, "%")
    '-1.2 % (95 % interval -3.0 to +0.5 %)'
    >>> interval_words(-1.24, None, None, "%")
    '-1.2 % (no interval: too few switch units)'
    """
    first = f"{_signed(estimate, digits)} {unit}".strip()
    if low is None or high is None:
        return f"{first} (no interval: too few switch units)"
    ends = f"{_signed(low, digits)} to {_signed(high, digits)} {unit}".strip()
    return f"{first} (95 % interval {ends})"


def claim_words(change_pct: float) -> str:
    """A claimed change of fuel as a seller says it.

    >>> claim_words(-10.0), claim_words(-10.714)
    ('10 % less fuel', '10.7 % less fuel')
    """
    return f"{round(abs(change_pct), 1):g} % {'less' if change_pct <= 0 else 'more'} fuel"


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


def _under(label: str, text: str) -> list[str]:
    lines = textwrap.wrap(
        _UNIT_SPACE.sub("\u00a0", " ".join(text.split(" "))),
        width=WIDTH,
        initial_indent=label.ljust(_LABEL),
        subsequent_indent=" " * (_LABEL + 2 * text.startswith("- ")),
        break_on_hyphens=False,
    )
    return [line.replace("\u00a0", " ") for line in lines]


def _signed(value: float, digits: int) -> str:
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0 else text


def paragraph(label: str, text: str) -> list[str]:
    """A label and its wrapped text."""
    return textwrap.wrap(
        text, WIDTH, initial_indent=label.ljust(LABEL), subsequent_indent=" " * LABEL
    )
