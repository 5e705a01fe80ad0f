"""Sizes of a change in words: '6.0 % less', with as many decimals as keep apart what differs."""

import math
from collections.abc import Sequence

from roadlog.quantities.facts import Fact
from roadlog.wording.facts import Told
from roadlog.wording.numbers import number

DIGITS = (1, 2)


def widened(ends: tuple[float, float], margin: float) -> tuple[float, float]:
    """The ends with the margin beyond each [% fuel use]; without one, as they are."""
    if margin <= 0:
        return ends
    by = math.exp(margin)
    return (100 + ends[0]) / by - 100, (100 + ends[1]) * by - 100


def side(end: float, digits: int) -> Fact:
    """A size as a change of fuel, '6.0 % less fuel'."""
    if end == 0:
        return Told.NONE()
    return (Told.LESS_FUEL if end < 0 else Told.MORE_FUEL)(size=amount(end, digits))


def way(end: float, digits: int) -> Fact:
    """The same without its last word, '6.0 % less'."""
    if end == 0:
        return Told.NONE()
    return (Told.LESS if end < 0 else Told.MORE)(size=amount(end, digits))


def amount(pct: float, digits: int) -> Fact | str:
    """A size in percent; one that the decimals can't show is 'under' the smallest that they can."""
    size = abs(pct)
    if size > 0 and float(f"{size:.{digits}f}") == 0:
        return Told.UNDER(size=f"{10.0**-digits:g} %")
    return f"{number(size, digits)} %"


def under(pct: float, digits: int) -> Fact:
    """'under 6.0 %'."""
    size = amount(pct, digits)
    return size if isinstance(size, Fact) else Told.UNDER(size=size)


def digits_for(ends: tuple[float, float], claim: float | None, margin: float = 0.0) -> int:
    """Decimals that keep apart, with their signs, what isn't the same; at most two.

    Parameters
    ----------
    ends, claim : [% fuel use]
    margin : log of fuel use
    """
    told: list[tuple[float, ...]] = [(*ends, 0.0)]
    if claim is not None:
        told = [(*ends, 0.0, claim), *((end, claim) for end in widened(ends, margin))]
    few, most = DIGITS
    return few if all(_told_apart(group, few) for group in told) else most


def _told_apart(values: Sequence[float], digits: int) -> bool:
    kinds = set(values)
    return len({round(v, digits) + 0.0 for v in kinds}) == len(kinds)


def same(a: float, b: float, digits: int) -> bool:
    """Whether two print alike."""
    return round(a, digits) == round(b, digits)
