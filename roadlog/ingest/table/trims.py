"""Fuel trims in percent, whatever form a logger writes them in.

In come the columns that claim a trim; out come the same columns in percent. Loggers write a trim
of five percent as 5, as 1.05 or as 0.05, often without a unit, and the values tell which: those of
a working loop in percent cross zero in steps of 100/128 (SAE J1979, PIDs 06 to 09).
"""

import dataclasses
from collections.abc import Sequence
from typing import Literal

import numpy as np

from roadlog.ingest import shelf
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import shown
from roadlog.ingest.text.rivals import Claim
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Fact
from roadlog.quantities.signals import TRIM_STEP_PCT, TRIMS

Form = Literal["percent", "factor", "fraction"]

_SHORT = frozenset(short for short, _ in TRIMS)
TRIM_SIGNALS = frozenset(name for bank in TRIMS for name in bank)
FACTOR_RANGE = (0.5, 1.5)  # ± 50 %: beyond what any controller corrects
LARGEST_FRACTION = 0.3  # common practice, no source: controllers give up near ± 25 to 30 %
FACTOR_SHARE = 0.95  # of the values, to be taken for factors about 1
LEAST_DISTINCT = 3  # values other than zero, to be taken for fractions without a word
STILL = 0.05  # a constant so close to a step of percent may be percent


def trims_in_percent(claims: Sequence[Claim], notes: list[Fact]) -> list[Claim]:
    """The claims with every trim in percent, and a note for each column that was converted.

    Trims with the same unit written are judged together, since one logger writes them in one form
    and a learned trim that stands still tells nothing by itself.
    """
    units = {_unit(c) for c in claims} - {None}
    forms = {
        unit: form_of(
            [c.values for c in claims if _unit(c) == unit and c.signal in _SHORT],
            [c.values for c in claims if _unit(c) == unit and c.signal not in _SHORT],
            str(unit),
        )
        for unit in units
    }
    out = []
    for claim in claims:
        unit = _unit(claim)
        out.append(claim if unit is None else _converted(claim, forms[unit], notes))
    return out


def form_of(short: Sequence[Floats], long: Sequence[Floats], unit: str) -> Form:
    """What trims are written as, from their values and the unit that their headers give.

    Parameters
    ----------
    short, long : sequence of array
        Values of short and long term trims as written. A short term trim moves while the loop
        works, so it tells the form beyond doubt; one that stands still, and a learned trim, don't.
    unit : {"%", "ratio", "none"}

    >>> form_of([np.array([1.02, 0.97, 1.0])], [np.array([1.05, 1.05, 1.05])], "none")
    'factor'
    >>> form_of([np.array([0.78, -1.56, 0.0])], [np.array([0.78, 0.78, 0.78])], "none")
    'percent'
    """
    told = [_near_one(v) for v in (*short, *long)]
    shares = [near / n for near, n, _ in told if n]
    factors = all(share >= FACTOR_SHARE for share in shares)
    largest = max((largest for _, n, largest in told if n), default=0.0)
    if not shares or not (factors or largest <= LARGEST_FRACTION):
        return "percent"
    each = [_distinct(v) for v in (*short, *long)]
    distinct = np.unique(np.concatenate(each))
    if factors:
        moves = any(len(values) > 1 for values in each[: len(short)])
        steps = np.round(distinct / TRIM_STEP_PCT) * TRIM_STEP_PCT
        maybe_percent = bool((np.abs(distinct - steps) <= STILL).all())
        if moves or unit == "ratio" or (unit == "none" and not maybe_percent):
            return "factor"
        return "percent"
    if unit == "ratio" or (distinct != 0).sum() >= LEAST_DISTINCT:
        return "fraction"
    return "percent"


def _near_one(values: Floats) -> tuple[int, int, float]:
    """How many readings lie where factors do, how many there are, and the largest by size."""
    near, n, largest = 0, 0, 0.0
    for part in shelf.parts(len(values)):
        some = values[part][np.isfinite(values[part])]
        near += int(np.count_nonzero((some >= FACTOR_RANGE[0]) & (some <= FACTOR_RANGE[1])))
        n += len(some)
        largest = max(largest, float(np.abs(some).max(initial=0.0)))
    return near, n, largest


def _distinct(values: Floats) -> Floats:
    """The distinct readings of a column."""
    parts = shelf.parts(len(values))
    return np.unique(np.concatenate([np.unique(values[p][np.isfinite(values[p])]) for p in parts]))


def _unit(claim: Claim) -> str | None:
    """The unit that a trim's header gives, "none" without one; None for other signals."""
    if claim.signal not in TRIM_SIGNALS:
        return None
    return "none" if claim.meaning.assumed else claim.meaning.unit or "none"


def _converted(claim: Claim, form: Form, notes: list[Fact]) -> Claim:
    meaning = dataclasses.replace(claim.meaning, unit="%")
    name = shown(claim.meaning.header)
    if form == "percent":
        if claim.meaning.unit == "ratio":
            notes.append(Repair.TRIM_PERCENT(header=name))
        return dataclasses.replace(claim, meaning=meaning)
    if form == "fraction":
        notes.append(Repair.TRIM_FRACTION(header=name))
        return dataclasses.replace(claim, meaning=meaning, values=shelf.kept(100 * claim.values))
    wrong = (claim.values < FACTOR_RANGE[0]) | (claim.values > FACTOR_RANGE[1])
    notes.append(
        Repair.TRIM_FACTOR_BLANKED(header=name, n=int(wrong.sum()))
        if wrong.any()
        else Repair.TRIM_FACTOR(header=name)
    )
    percent = np.where(wrong, np.nan, 100 * (claim.values - 1))
    return dataclasses.replace(claim, meaning=meaning, values=shelf.kept(percent))
