"""What an objection and its answer are made of: frozen data classes, and words that answers share.

Nothing here knows a subject; the modules beside it gather facts and put them into sentences.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from roadlog.stats.interval import Interval
from roadlog.wording.numbers import ends_of, number, signed

Who = Literal["seller", "sceptic"]
Answered = Literal["yes", "partly", "can't tell"]


@dataclass(frozen=True)
class Number:
    """One figure with its 95 % bounds, None where there are none.

    `litres` is what one unit of it is in L/100 km, None for all but changes of fuel use.
    """

    what: str
    value: float
    low: float | None = None
    high: float | None = None
    unit: str = "%"
    digits: int = 1
    litres: float | None = None
    with_sign: bool = True

    @property
    def holds_zero(self) -> bool | None:
        """Whether its bounds hold zero; None without bounds."""
        ends = ends_of(Interval(self.value, self.low, self.high))
        return None if ends is None else ends[0] <= 0 <= ends[1]


@dataclass(frozen=True)
class Source:
    """Where numbers come from: a place in the report (`anchor`) or a file beside it."""

    name: str
    anchor: str = ""
    file: str = ""


@dataclass(frozen=True)
class Objection:
    """What somebody will say, and what this study's data say to it.

    `answered` is "yes" where the data answer it within the bounds given, "partly" where a named
    part stays open, "can't tell" where they say nothing; `answer` then says what would tell.
    """

    key: str
    who: Who
    said: str
    answered: Answered
    answer: tuple[str, ...]
    numbers: tuple[Number, ...] = ()
    sources: tuple[Source, ...] = ()


def change(what: str, i: Interval, baseline_l_per_100km: float) -> Number:
    """A change of fuel use, in percent and L/100 km."""
    ends = ends_of(i)
    low, high = (None, None) if ends is None else ends
    use = baseline_l_per_100km
    return Number(what, i.estimate, low, high, "%", 1, use / 100 if use > 0 else None)


def with_bounds(n: Number) -> str:
    """A number and its bounds in words.

    >>> with_bounds(Number("", -1.24, -3.0, 0.5)), with_bounds(Number("", 2.0, unit="°C"))
    ('-1.2 % (-3.0 to +0.5)', '+2.0 °C (no interval)')
    """
    ends = ends_of(Interval(n.value, n.low, n.high))
    value = f"{signed(n.value, n.digits)} {n.unit}".strip()
    if ends is None:
        return f"{value} (no interval)"
    return f"{value} ({signed(ends[0], n.digits)} to {signed(ends[1], n.digits)})"


def listed(parts: Sequence[str], last: str = "and") -> str:
    """Parts in a row of words.

    >>> listed(["a"]), listed(["a", "b", "c"])
    ('a', 'a, b and c')
    """
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}"


def counted(n: int, one: str, many: str | None = None) -> str:
    """A count with its noun.

    >>> counted(1, "day"), counted(3, "day")
    ('1 day', '3 days')
    """
    return f"{n:,} {one if n == 1 else many or one + 's'}"


def most(n: Number) -> str:
    """The end of its bounds that is farther from zero, without its sign.

    >>> most(Number("load", -5.0, -13.6, 3.6, "kg"))
    '13.6 kg'
    """
    farther = max(abs(n.low or 0.0), abs(n.high or 0.0))
    return f"{number(farther, n.digits)} {n.unit}".strip()


def unseen(numbers: Sequence[Number]) -> str:
    """How much a check that holds zero could have missed, '' where no number has bounds.

    >>> unseen([Number("mean speed", 0.4, -0.2, 1.0)])
    'mean speed could differ by up to 1.0 % unseen'
    """
    parts = [
        f"{n.what} could differ by up to {most(n)}"
        for n in numbers
        if n.holds_zero and n.low is not None and n.high is not None
    ]
    return "" if not parts else f"{listed(parts)} unseen"
