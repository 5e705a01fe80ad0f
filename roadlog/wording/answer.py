"""The answer of a road test in plain words: typed facts in, a title and about three sentences out.

The sentences say where the range of the change lies, what that rules out of the claim, and what it
can't rule out; never a single number as if it were known, and no word of statistics. What is said
follows from the unrounded ends; where one decimal would print two things alike that aren't, a
second is shown.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from roadlog.stats.interval import FindingWord, Interval, rule
from roadlog.wording.numbers import ends_of, number
from roadlog.wording.screen import one_line

Outcome = Literal["ruled out", "borne out", "not settled", "no answer", "not decided yet"]
Shown = Literal["less", "more", "no change"]

LONGEST_NAME = 40
_DIGITS = (1, 2)
_LEAST_CLAIM = 0.01
_HERE = "in this car on these roads"
_THERE = "on average over these cars and roads"
_UNEQUAL = "if driving and air weren't held quite equal"
_UNITS = {"day": "days", "run": "drives", "stretch": "stretches"}
_ONE_CHANGE = (
    "the change was made only once, so nothing tells the add-on from whatever else changed then, "
    "such as weather, tyres or fuel"
)
_TOO_FEW = (
    "the add-on went in and out too few times to show how much the car's fuel use varies by itself"
)
_NO_FIGURE = "no change of fuel use could be computed from these data"


@dataclass(frozen=True)
class Claimed:
    """A claim: the seller's number [%], its quantity, and the same as a change of fuel use [%]."""

    quantity: Literal["economy", "fuel_use"]
    pct: float
    fuel_use_change_pct: float


@dataclass(frozen=True)
class Waiting:
    """A look before the test is over; `may_decide` where the plan lets this look decide."""

    units: int
    planned: int
    may_decide: bool


@dataclass(frozen=True)
class Facts:
    """What the answer is made of.

    Attributes
    ----------
    interval : Interval [% fuel use]
        At the level that decides.
    claim : Claimed or None
    word : {"refuted", "supported", "undecided"} or None
        The final word. A firm one that the interval doesn't bear out is told as unsettled.
    margin : float
        What driving and air, not held quite equal, may be worth: log of fuel use.
    against : tuple of str
        What forbids a firm word, each a clause in plain words.
    against_change : tuple of str
        What forbids to say that fuel use changed, where the range leaves zero out; likewise.
    waiting : Waiting or None
        None once the test is over.
    one_change : bool
        Whether the arm changed but once.
    only_measured : bool
        Whether fuel was only weighed or filled, so that nothing was held equal.
    switched_by : str
        "day", "run" or "stretch".
    synthetic : bool
    device : str
    tests : int
        How many tests the interval is pooled from.
    """

    interval: Interval
    claim: Claimed | None
    word: FindingWord | None
    margin: float = 0.0
    against: tuple[str, ...] = ()
    against_change: tuple[str, ...] = ()
    waiting: Waiting | None = None
    one_change: bool = False
    only_measured: bool = False
    switched_by: str = "day"
    synthetic: bool = False
    device: str = "add-on"
    tests: int = 1


@dataclass(frozen=True)
class Answer:
    """The answer, to be shown first everywhere.

    `title` fits a card. `outcome` is of the claim (None without one), `shows` of zero (None where
    nothing may be concluded). `range_pct` and `claim_pct` are what is drawn [% fuel use], and
    `range_sides` and `claim_side` the same in words, as '6.0 % less' ('' without a claim).
    """

    title: str
    sentences: tuple[str, ...]
    outcome: Outcome | None
    shows: Shown | None
    range_pct: tuple[float, float] | None
    range_sides: tuple[str, str] | None
    claim_pct: float | None
    claim_side: str
    claim: str
    synthetic: bool

    @property
    def doubted(self) -> bool:
        """Whether nothing may be concluded from the range."""
        return self.shows is None

    @property
    def text(self) -> str:
        """All sentences in one paragraph."""
        return " ".join(self.sentences)


def answer(facts: Facts) -> Answer:
    """The answer in plain words.

    >>> twelve = Claimed("economy", 12, -10.714)
    >>> found = answer(Facts(Interval(2.0, -6.0, 10.2), twelve, "refuted"))
    >>> found.title
    'The claimed 12 % better mileage: ruled out by this test'
    >>> for sentence in found.sentences:
    ...     print(sentence)
    Between 6.0 % less and 10.2 % more fuel: this test shows no change.
    It rules out the claimed 12 % better mileage (10.7 % less fuel), in this car on these roads.
    It can't rule out a saving under 6.0 %, nor extra fuel under 10.2 %.
    """
    ends = ends_of(facts.interval) if math.isfinite(facts.interval.estimate) else None
    shows: Shown | None = None
    outcome: Outcome | None
    if facts.waiting is not None and (ends is None or not facts.waiting.may_decide):
        outcome, said = "not decided yet", _too_early(facts, ends)
    elif ends is None:
        outcome, said = "no answer", _no_range(facts)
    elif facts.against:
        outcome, said = "no answer", _forbidden(facts, ends)
    else:
        shows = _shown(facts, ends)
        outcome = _outcome(facts, ends)
        said = [_of_zero(facts, ends), *_of_claim(facts, ends, outcome), *_left(facts, ends)]
    return Answer(
        title=_title(facts, outcome, shows),
        sentences=tuple(s for s in said if s),
        outcome=None if facts.claim is None else outcome,
        shows=shows,
        range_pct=ends,
        range_sides=None if ends is None else _sides(facts, ends),
        claim_pct=None if facts.claim is None else facts.claim.fuel_use_change_pct,
        claim_side=_claim_side(facts, ends),
        claim="" if facts.claim is None else claim_words(facts.claim),
        synthetic=facts.synthetic,
    )


def claim_words(claim: Claimed, digits: int = 1) -> str:
    """The claim in the seller's quantity and, where that isn't fuel, in fuel too.

    >>> claim_words(Claimed("economy", 12, -10.714)), claim_words(Claimed("fuel_use", 10, -10))
    ('12 % better mileage (10.7 % less fuel)', '10 % less fuel')
    >>> claim_words(Claimed("fuel_use", -5, 5))
    'at most 5 % more fuel'
    """
    own, c = _own_words(claim), claim.fuel_use_change_pct
    if claim.quantity == "fuel_use" or c == 0:
        return own
    return f"{own} ({_amount(c, digits)} {'less' if c < 0 else 'more'} fuel)"


def _own_words(claim: Claimed) -> str:
    pct, what = claim.pct, "mileage" if claim.quantity == "economy" else "fuel"
    if pct == 0:
        return "no worse mileage" if what == "mileage" else "no extra fuel"
    size = f"{abs(pct):.4g} %" if abs(pct) >= _LEAST_CLAIM else f"under {_LEAST_CLAIM:g} %"
    if pct > 0:
        return f"{size} {'better mileage' if what == 'mileage' else 'less fuel'}"
    return f"at most {size} {'worse mileage' if what == 'mileage' else 'more fuel'}"


def _the_claim(claim: Claimed, words: str) -> str:
    return f"the claimed {words}" if claim.pct > 0 else f"the claim of {words}"


def _named(facts: Facts, ends: tuple[float, float] | None = None) -> str:
    assert facts.claim is not None
    digits = _DIGITS[0] if ends is None else _digits(facts, ends)
    return _the_claim(facts.claim, claim_words(facts.claim, digits))


def _title(facts: Facts, outcome: Outcome | None, shows: Shown | None) -> str:
    test = _test(facts)
    if facts.claim is None:
        name = one_line(facts.device)
        if len(name) > LONGEST_NAME:
            name = name[: LONGEST_NAME - 1].rstrip() + "…"
        told = "shows no change" if shows == "no change" else f"shows {shows} fuel"
        if shows is None:
            told = "is not over yet" if outcome == "not decided yet" else "gives no answer"
        return f"Fuel with the {name}: {test} {told}"
    claim = _the_claim(facts.claim, _own_words(facts.claim))
    told = {
        "ruled out": f"ruled out by {test}",
        "borne out": f"borne out by {test}, {_where(facts)}",
        "not settled": f"not settled by {test}",
        "no answer": f"no answer from {test}",
        "not decided yet": f"not decided yet, {test} is still running",
        None: "",
    }[outcome]
    return f"{claim[0].upper()}{claim[1:]}: {told}"


def _test(facts: Facts) -> str:
    kind = "synthetic " if facts.synthetic else ""
    return f"this pool of {facts.tests} {kind}tests" if facts.tests > 1 else f"this {kind}test"


def _where(facts: Facts) -> str:
    return _THERE if facts.tests > 1 else _HERE


def _outcome(facts: Facts, ends: tuple[float, float]) -> Outcome | None:
    if facts.claim is None:
        return None
    cleared = rule(*_widened(ends, facts.margin), facts.claim.fuel_use_change_pct)
    if facts.word == cleared == "refuted":
        return "ruled out"
    return "borne out" if facts.word == cleared == "supported" else "not settled"


def _shown(facts: Facts, ends: tuple[float, float]) -> Shown:
    if facts.against_change and not _saving_borne_out(facts, ends):
        return "no change"
    low, high = _widened(ends, facts.margin)
    if high < 0:
        return "less"
    return "more" if low > 0 else "no change"


def _saving_borne_out(facts: Facts, ends: tuple[float, float]) -> bool:
    claim = facts.claim
    return claim is not None and claim.pct > 0 and _outcome(facts, ends) == "borne out"


def _widened(ends: tuple[float, float], margin: float) -> tuple[float, float]:
    """The ends with the margin beyond each [% fuel use]; without one, as they are."""
    if margin <= 0:
        return ends
    by = math.exp(max(margin, 0.0))
    return (100 + ends[0]) / by - 100, (100 + ends[1]) * by - 100


def _of_zero(facts: Facts, ends: tuple[float, float]) -> str:
    span, test = _span(facts, ends), _test(facts)
    shows = _shown(facts, ends)
    if shows != "no change":
        return f"{span}: {test} shows {shows} fuel, {_where(facts)}."
    if ends[0] <= 0 <= ends[1]:
        return f"{span}: {test} shows no change."
    low, high = _widened(ends, facts.margin)
    if low > 0 or high < 0:
        why = facts.against_change[0]
        return f"{span}, but {why}: {test} doesn't show that fuel use changed."
    return (
        f"{span}, at the least no more than unequal driving or air could make: {test} shows no "
        "change."
    )


def _of_claim(facts: Facts, ends: tuple[float, float], outcome: Outcome | None) -> list[str]:
    if facts.claim is None:
        return []
    named, shows = _named(facts, ends), _shown(facts, ends)
    where = f", {_where(facts)}" if shows == "no change" else ""
    c = facts.claim.fuel_use_change_pct
    if outcome == "not settled":
        parts = "part of that range reaches it, part doesn't"
        why = parts if rule(*ends, c) == "undecided" else "what stands against it is told below"
        return [f"It neither rules out nor bears out {named}: {why}."]
    near = ends[0] if outcome == "ruled out" else ends[1]
    just = "only just " if near != c and _same(near, c, _DIGITS[-1]) else ""
    if outcome == "ruled out":
        more = ", and any saving" if shows == "more" and c < 0 else ""
        return [f"It {just}rules out {named}{more}{where}."]
    return [f"It {just}bears out {named}{where}."]


def _left(facts: Facts, ends: tuple[float, float]) -> list[str]:
    """What the range can't rule out, and what else a reader must know."""
    shows = _shown(facts, ends)
    digits = _digits(facts, ends)
    wide = _widened(ends, facts.margin)
    said = []
    if shows == "no change":
        parts, wider = [], []
        for end, beyond, what in zip(ends, wide, ("a saving", "extra fuel"), strict=True):
            outside = end < 0 if what == "a saving" else end > 0
            if outside:
                parts.append(f"{what} {_under(end, digits)}")
                wider.append((_amount(end, digits), _amount(beyond, digits)))
        if ends[0] > 0 or ends[1] < 0:
            parts.append("that nothing changed")
        if parts:
            also = ""
            if any(a != b for a, b in wider):
                also = f" ({' and '.join(b for _, b in wider)} {_UNEQUAL})"
            said.append(f"It can't rule out {', nor '.join(parts)}{also}.")
    else:
        size = "the saving" if shows == "less" else "the extra fuel"
        apart = [_amount(end, digits) for end in sorted(wide, key=abs)]
        same = apart == [_amount(end, digits) for end in sorted(ends, key=abs)]
        also = "" if same else f" ({apart[0]} to {apart[1]} {_UNEQUAL})"
        said.append(f"It can't tell how large {size} is within that range{also}.")
    if facts.claim is None:
        said.append("No claim was given to hold it against.")
    if facts.only_measured:
        said.append(
            "Only fuel and distance were measured, so weather and traffic are part of the range."
        )
    if facts.waiting is not None:
        said.append(f"{_progress(facts)}; its plan lets this look decide.")
    return said


def _forbidden(facts: Facts, ends: tuple[float, float]) -> list[str]:
    more = len(facts.against) - 2
    reasons = "; and ".join(facts.against[:2])
    if more > 0:
        reasons += f"; and {more} more reason{'s' * (more > 1)}, told below"
    said = [
        f"{_gives_no_answer(facts)}: {reasons}.",
        f"Its figures run {_from_to(facts, ends)}, but no conclusion may rest on them.",
        _neither(facts),
    ]
    if facts.waiting is not None:
        said.append(f"{_progress(facts)}.")
    return said


def _no_range(facts: Facts) -> list[str]:
    if not math.isfinite(facts.interval.estimate):
        why, then = _NO_FIGURE, ""
    elif facts.one_change:
        why = _ONE_CHANGE
        then = "To tell, switch it in and out again, in an order that chance draws."
    else:
        why = _TOO_FEW
        then = "To tell, switch it in and out more often, in an order that chance draws."
    return [f"{_gives_no_answer(facts)}: {why}.", _neither(facts), then]


def _too_early(facts: Facts, ends: tuple[float, float] | None) -> list[str]:
    waiting = facts.waiting
    assert waiting is not None
    if waiting.may_decide or ends is None:
        now = "Nothing may be said so early."
    else:
        now = f"So far its figures run {_from_to(facts, ends)}, and they can still move either way."
    named = "" if facts.claim is None else f" on {_named(facts, ends)}"
    return [f"{_progress(facts)}.", now, f"Nothing is decided{named} before it is over."]


def _progress(facts: Facts) -> str:
    assert facts.waiting is not None
    w, what = facts.waiting, _UNITS.get(facts.switched_by, "switch units")
    test = _test(facts)
    return f"{test[0].upper()}{test[1:]} isn't over: {w.units} of {w.planned} planned {what} are in"


def _gives_no_answer(facts: Facts) -> str:
    test = _test(facts)
    on = f" on {_named(facts)}" if facts.claim is not None else ""
    return f"{test[0].upper()}{test[1:]} gives no answer{on}"


def _neither(facts: Facts) -> str:
    if facts.claim is None:
        return "It tells neither that fuel use changed nor that it didn't."
    return "It neither rules the claim out nor bears it out."


def _span(facts: Facts, ends: tuple[float, float]) -> str:
    """'Between 6.0 % less and 10.2 % more fuel', by the unrounded ends."""
    low, high = ends
    digits = _digits(facts, ends)
    if low == high == 0:
        return "No change"
    if low == high or (low * high > 0 and _same(low, high, digits)):
        size = _side(low, digits)
        near = abs(low) < 10.0**-digits
        return size.capitalize() if near else f"Within {10.0**-digits:g} % of {size}"
    if low < 0 < high:
        return f"Between {_amount(low, digits)} less and {_amount(high, digits)} more fuel"
    if low >= 0:
        first = "no change" if low == 0 else _amount(low, digits)
        return f"Between {first} and {_amount(high, digits)} more fuel"
    if high == 0:
        return f"Between {_amount(low, digits)} less fuel and no change"
    return f"Between {_amount(high, digits)} and {_amount(low, digits)} less fuel"


def _from_to(facts: Facts, ends: tuple[float, float]) -> str:
    digits = _digits(facts, ends)
    return f"from {_side(ends[0], digits)} to {_side(ends[1], digits)}"


def _sides(facts: Facts, ends: tuple[float, float]) -> tuple[str, str]:
    digits = _digits(facts, ends)
    return _way(ends[0], digits), _way(ends[1], digits)


def _claim_side(facts: Facts, ends: tuple[float, float] | None) -> str:
    if facts.claim is None:
        return ""
    digits = _DIGITS[0] if ends is None else _digits(facts, ends)
    return _way(facts.claim.fuel_use_change_pct, digits)


def _side(end: float, digits: int) -> str:
    return _way(end, digits) if end == 0 else f"{_way(end, digits)} fuel"


def _way(end: float, digits: int) -> str:
    if end == 0:
        return "no change"
    return f"{_amount(end, digits)} {'less' if end < 0 else 'more'}"


def _amount(pct: float, digits: int) -> str:
    """A size in percent; one that the decimals can't show is 'under' the smallest that they can."""
    size = abs(pct)
    if size > 0 and float(f"{size:.{digits}f}") == 0:
        return f"under {10.0**-digits:g} %"
    return f"{number(size, digits)} %"


def _under(pct: float, digits: int) -> str:
    amount = _amount(pct, digits)
    return amount if amount.startswith("under ") else f"under {amount}"


def _digits(facts: Facts, ends: tuple[float, float]) -> int:
    """Decimals that keep apart, with their signs, what isn't the same; at most two."""
    told: list[tuple[float, ...]] = [(*ends, 0.0)]
    if facts.claim is not None:
        c = facts.claim.fuel_use_change_pct
        told = [(*ends, 0.0, c), *((end, c) for end in _widened(ends, facts.margin))]
    few, most = _DIGITS
    return few if all(_told_apart(group, few) for group in told) else most


def _told_apart(values: Sequence[float], digits: int) -> bool:
    kinds = set(values)
    return len({round(v, digits) + 0.0 for v in kinds}) == len(kinds)


def _same(a: float, b: float, digits: int) -> bool:
    return round(a, digits) == round(b, digits)
