"""Facts that differ in numbers alone, told once: the one home of that folding.

Facts go in, each with a weight; out come the different sentences with the sum of their weights, the
heaviest first. Reports use it at their edge; what was found stays one entry each until then.
"""

import datetime as dt
from collections.abc import Hashable, Iterator, Sequence
from numbers import Real

from roadlog.quantities.facts import Fact

_NUMBERS = (Real, dt.date)


def kind_of(fact: Fact | str) -> Hashable:
    """What facts that are told together have in common: all but their numbers, and those' signs."""
    if isinstance(fact, str):
        return fact
    return fact.sentence, tuple((name, _without_number(v)) for name, v in fact.values)


def alike(facts: Sequence[Fact], weights: Sequence[float] | None = None) -> list[tuple[str, float]]:
    """Facts that differ in numbers only, told together.

    Parameters
    ----------
    facts : sequence of Fact
    weights : sequence of float, optional
        By default 1 each, so that the sum is a count.

    >>> from roadlog.quantities.facts import Kind
    >>> Met = Kind("Met", {"GAP": "gap of {s} s", "FIX": "no fix"})
    >>> alike([Met.GAP(s=3), Met.GAP(s=5), Met.FIX()])
    [('gap of 3 to 5 s', 2.0), ('no fix', 1.0)]
    """
    told: dict[Hashable, list[Fact | str]] = {}
    sums: dict[Hashable, float] = {}
    for fact, weight in zip(facts, weights or [1.0] * len(facts), strict=True):
        kind = kind_of(fact)
        told.setdefault(kind, []).append(fact)
        sums[kind] = sums.get(kind, 0.0) + weight
    return sorted(
        ((together(told[kind]), total) for kind, total in sums.items()), key=lambda c: -c[1]
    )


def together(texts: Sequence[Fact | str]) -> str:
    """One sentence for facts of one kind: with the range of the number that differs, if one does.

    >>> from roadlog.quantities.facts import Kind
    >>> off = Kind("Clock", {"OFF": "the clock was {s:+.0f} s off"}).OFF
    >>> together([off(s=3.2), off(s=12)])
    'the clock was +3 to 12 s off'
    >>> rare = Kind("Rare", {"OUT": "outside {low:g} to {high:g} for {share:.0%}"}).OUT
    >>> together([rare(low=0.6, high=1.6, share=0.02), rare(low=0.6, high=1.6, share=0.04)])
    'outside 0.6 to 1.6 for 2% to 4%'
    """
    facts = [fact for fact in texts if isinstance(fact, Fact)]
    if len(set(map(str, texts))) == 1:
        return str(texts[0])
    of_place = [sorted(set(n)) for n in zip(*map(_numbers, facts), strict=True)]
    one_differs = sum(len(ends) > 1 for ends in of_place) == 1
    shown = [_Ends(ends if one_differs or len(ends) == 1 else ()) for ends in of_place]
    return _told(facts[0], iter(shown))


class _Ends:
    """What stands in a number's place: the least and the greatest, or a mark of omission."""

    def __init__(self, ends: Sequence[object]) -> None:
        self.ends = ends

    def __format__(self, style: str) -> str:
        if not self.ends:
            return "…"
        least, most = (format(end, style) for end in (self.ends[0], self.ends[-1]))
        return least if least == most else f"{least} to {most.removeprefix('+')}"


def _without_number(value: object) -> object:
    if isinstance(value, Fact):
        return kind_of(value)
    if isinstance(value, Real):
        return Real, value < 0
    return dt.date if isinstance(value, dt.date) else value


def _numbers(fact: Fact) -> Iterator[object]:
    for _, value in fact.values:
        if isinstance(value, Fact):
            yield from _numbers(value)
        elif isinstance(value, _NUMBERS):
            yield value


def _told(fact: Fact, numbers: Iterator[_Ends]) -> str:
    def shown(value: object) -> object:
        if isinstance(value, Fact):
            return _told(value, numbers)
        return next(numbers) if isinstance(value, _NUMBERS) else value

    return fact.sentence.format_map({name: shown(v) for name, v in fact.values})
