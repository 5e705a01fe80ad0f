"""Sentences that differ in numbers alone, told once: the one home of that folding.

Texts go in, each with a weight; out come the different ones with the sum of their weights, the
heaviest first. Reports use it at their edge; what was found stays one entry each until then.
"""

import re
from collections.abc import Sequence

_NUMBER = re.compile(r"\d+(?:\.\d+)?")


def kind_of(text: str) -> str:
    """The text with its numbers masked.

    >>> kind_of("only 51 % of the segment driven")
    'only # % of the segment driven'
    """
    return _NUMBER.sub("#", text)


def alike(texts: Sequence[str], weights: Sequence[float] | None = None) -> list[tuple[str, float]]:
    """Texts that differ in numbers only, told together.

    Parameters
    ----------
    texts : sequence of str
    weights : sequence of float, optional
        By default 1 each, so that the sum is a count.

    >>> alike(["gap of 3 s", "gap of 5 s", "no fix"])
    [('gap of 3 to 5 s', 2.0), ('no fix', 1.0)]
    """
    told: dict[str, list[str]] = {}
    sums: dict[str, float] = {}
    for text, weight in zip(texts, weights or [1.0] * len(texts), strict=True):
        kind = kind_of(text)
        told.setdefault(kind, []).append(text)
        sums[kind] = sums.get(kind, 0.0) + weight
    return sorted(
        ((together(told[kind]), total) for kind, total in sums.items()), key=lambda c: -c[1]
    )


def together(texts: Sequence[str]) -> str:
    """One sentence for texts of one kind: with the range of their number if there is but one.

    >>> together(["the clock was +3 s off", "the clock was +12 s off"])
    'the clock was +3 to 12 s off'
    """
    kind = kind_of(texts[0])
    if len(set(texts)) == 1:
        return texts[0]
    if kind.count("#") != 1:
        return kind.replace("#", "…")
    values = sorted({_NUMBER.findall(text)[0] for text in texts}, key=float)
    return kind.replace("#", " to ".join(dict.fromkeys((values[0], values[-1]))))
