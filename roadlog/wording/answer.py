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

from roadlog.quantities.facts import Fact
from roadlog.stats.interval import FindingWord, Interval, rule
from roadlog.wording.facts import Told, ToldOfMany
from roadlog.wording.numbers import ends_of
from roadlog.wording.screen import one_line
from roadlog.wording.sizes import DIGITS, amount, digits_for, same, side, under, way, widened

Outcome = Literal["ruled out", "borne out", "not settled", "no answer", "not decided yet"]
Shown = Literal["less", "more", "no change"]

LONGEST_NAME = 40
_LEAST_CLAIM = 0.01
_PROGRESS = {"day": Told.DAYS, "run": Told.DRIVES, "stretch": Told.STRETCHES}
_TITLES: dict[Outcome, Told] = {
    "ruled out": Told.RULED_OUT,
    "not settled": Told.NOT_SETTLED,
    "no answer": Told.NO_ANSWER,
    "not decided yet": Told.NOT_DECIDED,
}


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
    against : tuple of Fact or str
        What forbids a firm word, each a clause in plain words.
    against_change : tuple of Fact or str
        What forbids to say that fuel use changed, where the range leaves zero out; likewise.
    waiting : Waiting or None
        None once the test is over.
    one_change : bool
        Whether the arm changed but once.
    stays : bool
        Whether the add-on, once it was in, stays or leaves something behind for good.
    few_together : bool
        Whether there is no range because a control car drove on too few days of a period.
    only_measured : bool
        Whether fuel was only weighed or filled, so that nothing was held equal.
    switched_by : str
        "day", "run" or "stretch".
    synthetic : bool
    device : str
    tests : int
        How many tests the interval is pooled from.
    vehicles : int
        How many vehicles one test had, if the interval is of their mean.
    following : tuple of (low, high), optional [% fuel use]
        Where the next car's own change may lie; asked only over many tests or vehicles.
    """

    interval: Interval
    claim: Claimed | None
    word: FindingWord | None
    margin: float = 0.0
    against: tuple[Fact | str, ...] = ()
    against_change: tuple[Fact | str, ...] = ()
    waiting: Waiting | None = None
    one_change: bool = False
    stays: bool = False
    few_together: bool = False
    only_measured: bool = False
    switched_by: str = "day"
    synthetic: bool = False
    device: str = "add-on"
    tests: int = 1
    vehicles: int = 1
    following: tuple[float, float] | None = None

    @property
    def of_many(self) -> bool:
        """Whether it is of a mean over many, so that the next one is another question."""
        return max(self.tests, self.vehicles) > 1


@dataclass(frozen=True)
class Answer:
    """The answer, to be shown first everywhere.

    `title` fits a card. `said` are the facts that title and sentences are made of, in order.
    `outcome` is of the claim (None without one), `shows` of zero (None where nothing may be
    concluded). `range_pct` and `claim_pct` are what is drawn [% fuel use], and `range_sides` and
    `claim_side` the same in words, as '6.0 % less' ("" without a claim). `next_pct` and
    `next_sides` are the next car's, where the range is of a mean over many.
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
    said: tuple[Fact, ...] = ()
    next_pct: tuple[float, float] | None = None
    next_sides: tuple[str, str] | None = None

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
    title = _title(facts, outcome, shows)
    if facts.of_many:
        said = [*said, _of_next(facts, outcome, shows)]
    following = facts.following if facts.of_many else None
    return Answer(
        title=first_large(str(title)),
        sentences=tuple(first_large(str(s)) for s in said),
        outcome=None if facts.claim is None else outcome,
        shows=shows,
        range_pct=ends,
        range_sides=None if ends is None else _sides(facts, ends),
        claim_pct=None if facts.claim is None else facts.claim.fuel_use_change_pct,
        claim_side=_claim_side(facts, ends),
        claim="" if facts.claim is None else claim_words(facts.claim),
        synthetic=facts.synthetic,
        said=(title, *said),
        next_pct=following,
        next_sides=None if following is None else _sides(facts, following),
    )


def first_large(sentence: str) -> str:
    """A sentence that begins with a capital.

    >>> first_large("this test isn't over.")
    "This test isn't over."
    """
    return sentence[:1].upper() + sentence[1:]


def claim_words(claim: Claimed, digits: int = 1) -> str:
    """The claim in the seller's quantity and, where that isn't fuel, in fuel too.

    >>> claim_words(Claimed("economy", 12, -10.714)), claim_words(Claimed("fuel_use", 10, -10))
    ('12 % better mileage (10.7 % less fuel)', '10 % less fuel')
    >>> claim_words(Claimed("fuel_use", -5, 5))
    'at most 5 % more fuel'
    """
    return str(_in_words(claim, digits))


def _in_words(claim: Claimed, digits: int) -> Fact:
    own, c = _own_words(claim), claim.fuel_use_change_pct
    if claim.quantity == "fuel_use" or c == 0:
        return own
    return Told.IN_FUEL(own=own, change=side(c, digits))


def _own_words(claim: Claimed) -> Fact:
    pct, economy = claim.pct, claim.quantity == "economy"
    if pct == 0:
        return Told.NO_WORSE_MILEAGE() if economy else Told.NO_EXTRA_FUEL()
    size: Fact | str = f"{abs(pct):.4g} %"
    if abs(pct) < _LEAST_CLAIM:
        size = Told.UNDER(size=f"{_LEAST_CLAIM:g} %")
    if pct > 0:
        return Told.BETTER_MILEAGE(size=size) if economy else Told.LESS_FUEL(size=size)
    return Told.WORSE_MILEAGE(size=size) if economy else Told.AT_MOST_MORE_FUEL(size=size)


def _the_claim(claim: Claimed, words: Fact) -> Fact:
    return Told.CLAIMED(claim=words) if claim.pct > 0 else Told.CLAIM_OF(claim=words)


def _named(facts: Facts, ends: tuple[float, float] | None = None) -> Fact:
    assert facts.claim is not None
    digits = DIGITS[0] if ends is None else _digits(facts, ends)
    return _the_claim(facts.claim, _in_words(facts.claim, digits))


def _title(facts: Facts, outcome: Outcome | None, shows: Shown | None) -> Fact:
    test = _test(facts)
    if facts.claim is None:
        name = one_line(facts.device)
        if len(name) > LONGEST_NAME:
            name = name[: LONGEST_NAME - 1].rstrip() + "…"
        if shows is None and outcome == "not decided yet":
            return Told.TITLE_RUNNING(name=name, test=test)
        if shows is None:
            return Told.TITLE_NO_ANSWER(name=name, test=test)
        if shows == "no change":
            return Told.TITLE_NO_CHANGE(name=name, test=test)
        less = shows == "less"
        return (Told.TITLE_LESS if less else Told.TITLE_MORE)(name=name, test=test)
    claim = _the_claim(facts.claim, _own_words(facts.claim))
    if outcome == "borne out":
        return Told.BORNE_OUT(claim=claim, test=test, where=_where(facts))
    assert outcome is not None
    return _TITLES[outcome](claim=claim, test=test)


def _test(facts: Facts) -> Fact:
    if facts.tests > 1:
        kind = Told.SYNTHETIC_POOL if facts.synthetic else Told.POOL
        return kind(tests=facts.tests)
    if facts.vehicles > 1:
        fleet = ToldOfMany.SYNTHETIC_FLEET if facts.synthetic else ToldOfMany.FLEET
        return fleet(vehicles=f"{facts.vehicles:,}")
    return Told.SYNTHETIC_TEST() if facts.synthetic else Told.TEST()


def _where(facts: Facts) -> Fact:
    if facts.tests > 1:
        return Told.THERE()
    if facts.vehicles > 1:
        return ToldOfMany.IN_FLEET(vehicles=f"{facts.vehicles:,}")
    return Told.HERE()


def _outcome(facts: Facts, ends: tuple[float, float]) -> Outcome | None:
    if facts.claim is None:
        return None
    cleared = rule(*widened(ends, facts.margin), facts.claim.fuel_use_change_pct)
    if facts.word == cleared == "refuted":
        return "ruled out"
    return "borne out" if facts.word == cleared == "supported" else "not settled"


def _shown(facts: Facts, ends: tuple[float, float]) -> Shown:
    if facts.against_change and not _saving_borne_out(facts, ends):
        return "no change"
    low, high = widened(ends, facts.margin)
    if high < 0:
        return "less"
    return "more" if low > 0 else "no change"


def _saving_borne_out(facts: Facts, ends: tuple[float, float]) -> bool:
    claim = facts.claim
    return claim is not None and claim.pct > 0 and _outcome(facts, ends) == "borne out"


def _of_zero(facts: Facts, ends: tuple[float, float]) -> Fact:
    span, test = _span(facts, ends), _test(facts)
    shows = _shown(facts, ends)
    if shows == "less":
        return Told.SHOWS_LESS(span=span, test=test, where=_where(facts))
    if shows == "more":
        return Told.SHOWS_MORE(span=span, test=test, where=_where(facts))
    if ends[0] <= 0 <= ends[1]:
        return Told.SHOWS_NO_CHANGE(span=span, test=test)
    low, high = widened(ends, facts.margin)
    if low > 0 or high < 0:
        return Told.CHANGE_FORBIDDEN(span=span, why=facts.against_change[0], test=test)
    return Told.WITHIN_MARGIN(span=span, test=test)


def _of_claim(facts: Facts, ends: tuple[float, float], outcome: Outcome | None) -> list[Fact]:
    if facts.claim is None:
        return []
    named, shows = _named(facts, ends), _shown(facts, ends)
    at: Fact | str = Told.AT(where=_where(facts)) if shows == "no change" else ""
    c = facts.claim.fuel_use_change_pct
    if outcome == "not settled":
        open_yet = rule(*ends, c) == "undecided"
        return [(Told.PARTLY if open_yet else Told.AGAINST_BELOW)(claim=named)]
    near = ends[0] if outcome == "ruled out" else ends[1]
    just: Fact | str = ""
    if near != c and same(near, c, DIGITS[-1]):
        just = Told.ONLY_JUST()
    if outcome == "ruled out":
        more: Fact | str = Told.ANY_SAVING() if shows == "more" and c < 0 else ""
        return [Told.RULES_OUT(just=just, claim=named, more=more, at=at)]
    return [Told.BEARS_OUT(just=just, claim=named, at=at)]


def _left(facts: Facts, ends: tuple[float, float]) -> list[Fact]:
    """What the range can't rule out, and what else a reader must know."""
    shows = _shown(facts, ends)
    said = []
    if shows == "no change":
        said += _not_ruled_out(facts, ends)
    else:
        also = _wider(facts, ends)
        kind = Told.HOW_MUCH_LESS if shows == "less" else Told.HOW_MUCH_MORE
        said.append(kind(also=also))
    if facts.claim is None:
        said.append(Told.NO_CLAIM())
    if facts.only_measured:
        said.append(Told.ONLY_MEASURED())
    if facts.waiting is not None:
        said.append(Told.LOOK_DECIDES(progress=_progress(facts)))
    return said


def _not_ruled_out(facts: Facts, ends: tuple[float, float]) -> list[Fact]:
    """The one sentence of what is possible beside no change, where anything is."""
    low, high = ends
    digits = _digits(facts, ends)
    beyond = widened(ends, facts.margin)
    saving = under(low, digits) if low < 0 else None
    extra = under(high, digits) if high > 0 else None
    pairs = tuple(zip(ends, beyond, strict=True))
    also = _also([*(pairs[:1] if low < 0 else ()), *(pairs[1:] if high > 0 else ())], digits)
    if saving is not None and extra is not None:
        return [Told.LEFT_BOTH(saving=saving, extra=extra, also=also)]
    if saving is not None:
        none_too = high < 0
        kind = Told.LEFT_SAVING_OR_NONE if none_too else Told.LEFT_SAVING
        return [kind(saving=saving, also=also)]
    if extra is not None:
        kind = Told.LEFT_EXTRA_OR_NONE if low > 0 else Told.LEFT_EXTRA
        return [kind(extra=extra, also=also)]
    return []


def _also(pairs: Sequence[tuple[float, float]], digits: int) -> Fact | str:
    """The ends as unequal driving may stretch them, "" where that prints the same."""
    sizes = [(amount(e, digits), amount(w, digits)) for e, w in pairs]
    if all(a == b for a, b in sizes):
        return ""
    if len(sizes) == 1:
        return Told.ALSO_ONE(one=sizes[0][1])
    return Told.ALSO_TWO(one=sizes[0][1], two=sizes[1][1])


def _wider(facts: Facts, ends: tuple[float, float]) -> Fact | str:
    """A shown change's range as unequal driving may stretch it, "" where that prints the same."""
    digits = _digits(facts, ends)
    wide = sorted(widened(ends, facts.margin), key=abs)
    apart = [amount(end, digits) for end in wide]
    if apart == [amount(end, digits) for end in sorted(ends, key=abs)]:
        return ""
    return Told.ALSO_RANGE(low=apart[0], high=apart[1])


def _forbidden(facts: Facts, ends: tuple[float, float]) -> list[Fact]:
    gives, why, more = _gives_no_answer(facts), facts.against, len(facts.against) - 2
    if more < 0:
        first = Told.FOR_ONE(gives=gives, why=why[0])
    elif more == 0:
        first = Told.FOR_TWO(gives=gives, why=why[0], and_why=why[1])
    else:
        first = Told.FOR_MORE(gives=gives, why=why[0], and_why=why[1], n=more)
    low, high = _both_sides(facts, ends)
    said = [first, Told.FIGURES(low=low, high=high), _neither(facts)]
    if facts.waiting is not None:
        said.append(Told.PROGRESS(progress=_progress(facts)))
    return said


def _no_range(facts: Facts) -> list[Fact]:
    then = []
    if not math.isfinite(facts.interval.estimate):
        why = Told.NO_FIGURE()
    elif facts.one_change:
        why, then = Told.ONE_CHANGE(), [Told.SECOND_CAR() if facts.stays else Told.SWITCH_AGAIN()]
    elif facts.few_together:
        why, then = Told.FEW_TOGETHER(), [Told.DRIVE_TOGETHER()]
    elif facts.vehicles > 1:
        why, then = ToldOfMany.TOO_FEW(), [ToldOfMany.TEST_MORE()]
    else:
        why, then = Told.TOO_FEW(), [Told.SWITCH_MORE()]
    return [Told.FOR_ONE(gives=_gives_no_answer(facts), why=why), _neither(facts), *then]


def _too_early(facts: Facts, ends: tuple[float, float] | None) -> list[Fact]:
    waiting = facts.waiting
    assert waiting is not None
    if waiting.may_decide or ends is None:
        now = Told.TOO_EARLY()
    else:
        low, high = _both_sides(facts, ends)
        now = Told.MAY_MOVE(low=low, high=high)
    last = Told.UNDECIDED()
    if facts.claim is not None:
        last = Told.UNDECIDED_ON(claim=_named(facts, ends))
    return [Told.PROGRESS(progress=_progress(facts)), now, last]


def _of_next(facts: Facts, outcome: Outcome | None, shows: Shown | None) -> Fact:
    """What the next car may get, which a mean over many doesn't tell; never firmer than that."""
    one = ToldOfMany.NEXT_CAR() if facts.tests > 1 else ToldOfMany.NEXT_VEHICLE()
    if facts.following is None:
        return ToldOfMany.NEXT_UNKNOWN(one=one, test=_test(facts))
    low, high = facts.following
    if shows is None or (shows == "no change" and not low <= 0 <= high):
        less, more = _both_sides(facts, facts.following)
        return ToldOfMany.NEXT_FIGURES(one=one, low=less, high=more)
    span = _span(facts, facts.following)
    if facts.claim is None:
        return ToldOfMany.NEXT(span=span, one=one)
    c = facts.claim.fuel_use_change_pct
    bare = rule(*facts.following, c)
    firm = bare == "undecided" or outcome in ("ruled out", "borne out")
    if not firm or rule(*widened(facts.following, facts.margin), c) != bare:
        return ToldOfMany.NEXT(span=span, one=one)
    claim = _the_claim(facts.claim, _own_words(facts.claim))
    if bare == "refuted":
        return ToldOfMany.NEXT_NONE(span=span, one=one, claim=claim)
    if bare == "supported":
        return ToldOfMany.NEXT_ALL(span=span, one=one, claim=claim)
    return ToldOfMany.NEXT_PART(span=span, one=one, claim=claim)


def _progress(facts: Facts) -> Fact:
    w = facts.waiting
    assert w is not None
    kind = _PROGRESS.get(facts.switched_by, Told.UNITS)
    return kind(test=_test(facts), units=w.units, planned=w.planned)


def _gives_no_answer(facts: Facts) -> Fact:
    test = _test(facts)
    if facts.claim is None:
        return Told.GIVES_NONE(test=test)
    return Told.GIVES_NONE_ON(test=test, claim=_named(facts))


def _neither(facts: Facts) -> Fact:
    return Told.NEITHER_CHANGE() if facts.claim is None else Told.NEITHER_CLAIM()


def _span(facts: Facts, ends: tuple[float, float]) -> Fact:
    """'Between 6.0 % less and 10.2 % more fuel', by the unrounded ends."""
    low, high = ends
    digits = _digits(facts, ends)
    if low == high == 0:
        return Told.SPAN_NONE()
    if low == high or (low * high > 0 and same(low, high, digits)):
        if abs(low) < 10.0**-digits:
            return side(low, digits)
        return Told.SPAN_WITHIN(step=f"{10.0**-digits:g} %", side=side(low, digits))
    near, far = amount(low, digits), amount(high, digits)
    if low < 0 < high:
        return Told.SPAN_BOTH(low=near, high=far)
    if low == 0:
        return Told.SPAN_NONE_TO_MORE(high=far)
    if low > 0:
        return Told.SPAN_MORE(low=near, high=far)
    if high == 0:
        return Told.SPAN_LESS_TO_NONE(low=near)
    return Told.SPAN_LESS(low=near, high=far)


def _both_sides(facts: Facts, ends: tuple[float, float]) -> tuple[Fact, Fact]:
    digits = _digits(facts, ends)
    return side(ends[0], digits), side(ends[1], digits)


def _sides(facts: Facts, ends: tuple[float, float]) -> tuple[str, str]:
    digits = _digits(facts, ends)
    return str(way(ends[0], digits)), str(way(ends[1], digits))


def _claim_side(facts: Facts, ends: tuple[float, float] | None) -> str:
    if facts.claim is None:
        return ""
    digits = DIGITS[0] if ends is None else _digits(facts, ends)
    return str(way(facts.claim.fuel_use_change_pct, digits))


def _digits(facts: Facts, ends: tuple[float, float]) -> int:
    return digits_for(
        ends, None if facts.claim is None else facts.claim.fuel_use_change_pct, facts.margin
    )
