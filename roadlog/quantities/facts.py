"""Facts as fields: what a stage found about a log, a pass or a run, before it is a sentence.

A room's catalogue is an enum of `Kind`: a code a member, its value the whole sentence with named
places, as gettext wants it. A member called with values is a `Fact`. Stages compare, count and
fold facts by code and value; `str` makes the sentence at the edge.
"""

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import Any

_COUNTED = re.compile(r"\[([^\[\]|]*)\|([^\[\]|]*)\]")


class Kind(Enum):
    """Codes of what can be told: `one` is the sentence where `n` is 1, `many` for all other counts.

    A code's value is both in one, `[row|rows]` where they differ.
    """

    def __init__(self, sentence: str) -> None:
        self.one = _COUNTED.sub(r"\1", sentence)
        self.many = _COUNTED.sub(r"\2", sentence)

    def __call__(self, **values: object) -> "Fact":
        """The fact of this kind with these values."""
        return Fact(self, tuple(values.items()))


@dataclass(frozen=True)
class Fact:
    """One thing found: its code and its values, by name; a value may be a fact itself."""

    code: Kind
    values: tuple[tuple[str, object], ...] = ()

    def value(self, name: str) -> Any:
        """One of its values."""
        return dict(self.values)[name]

    @property
    def sentence(self) -> str:
        """The code's sentence for this count, its places open."""
        return self.code.one if ("n", 1) in self.values else self.code.many

    def __str__(self) -> str:
        return self.sentence.format_map(dict(self.values))


def commonest(facts: Iterable[Fact | str]) -> Fact | str:
    """The fact that comes most often, of several the one that sorts first as a sentence."""
    return min(Counter(facts).items(), key=lambda each: (-each[1], str(each[0])))[0]


_LEFT = "undecided"  # the word that a veto leaves, at the head of its sentence


class Veto(str):
    """A sentence that forbids a firm word; `plain` says why as a clause without statistics."""

    __slots__ = ("plain",)
    plain: Fact | str

    def __new__(cls, sentence: str, plain: Fact | str) -> "Veto":
        """The sentence with its plain clause."""
        made = super().__new__(cls, sentence)
        made.plain = plain
        return made

    @property
    def bare(self) -> str:
        """The sentence without the word that it leaves, where that stands beside it.

        >>> Veto("undecided: the two tables differ", "they differ").bare
        'the two tables differ'
        """
        return self.removeprefix(f"{_LEFT}: ")

    def __reduce__(self) -> tuple[type["Veto"], tuple[str, Fact | str]]:
        return Veto, (str(self), self.plain)


@dataclass(frozen=True)
class Warned:
    """A warning: a stable code, what it says, and the log that it is about, if one."""

    code: str
    message: str | Fact
    log: str = ""
