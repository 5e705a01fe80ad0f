"""How the effect and the seller's claim compare: one word and the reasons, in plain sentences.

The rule is on the scale of log fuel use, with the claim as a change c: `refuted` if the whole
interval and a margin for what driving and air explain fall short of the claim (low - m > c),
`supported` if they reach it (high + m <= c), otherwise `undecided`. Where chance drew the order, a
firm word also needs the orders' one-sided p to be 5 % or less at the claim with its margin (method
section 5.4). Reasons that forbid a firm word (driving that can't be held equal, no interval, the
mixed model of the other word, a closure gap) turn it into `undecided`.
"""

import math
from collections.abc import Sequence

from roadlog.effect.result import HeldEqual
from roadlog.quantities.against import Against
from roadlog.quantities.facts import Fact, Veto
from roadlog.stats.interval import Finding, FindingWord, Interval, Obstacle, rule
from roadlog.stats.unit_randomisation import Orders
from roadlog.study.car import Claim
from roadlog.wording.numbers import percent, signed

LEAST_P_FOR_GATE = 1 / 20  # orders that can't go as low say nothing one-sided

# Clauses of vetoes that only an interval which would have given a firm word can get: they speak of
# how firm it is, not against the study's numbers.
OF_THE_WORD = frozenset(
    {
        Against.ON_MARGIN(), Against.ON_ORDERS(), Against.ON_MODELS(), Against.OTHER_CAR_CHANGED(),
        Against.ONE_MOMENT(),
    }
)  # fmt: skip

_ONE_MOMENT = Veto(
    "undecided: the interval reaches the claim, but the add-on came once, to one car: what was "
    "done to that car at the same time (service, tyres, oil, who drove) can't be told from it, and "
    "a control car doesn't tell that either; take the add-on out again, or try more pairs of cars "
    "(roadlog fleet)",
    Against.ONE_MOMENT(),
)
_OBSTACLES: dict[Obstacle, tuple[str, Fact]] = {
    "no-work": (
        "undecided: driving can't be held equal: what the road and the driver asked (work at the "
        "wheels) isn't known or goes together with time and distance: log speed at 1 Hz, on more "
        "than one kind of road",
        Against.NOT_COMPARABLE(),
    ),
    "weak-work": (
        "undecided: driving can't be held equal: fuel hardly rose with the work at the wheels, so "
        "that work is badly measured here: check speed, positions and altitude (roadlog check)",
        Against.NOT_COMPARABLE(),
    ),
    "driving-moved": (
        "undecided: driving changed: it explains {driving:+.1f} % of fuel use, more than can be "
        "held equal with confidence: drive alike in both arms",
        Against.DROVE_OTHERWISE(),
    ),
}


def decide(
    primary: Interval,
    claim: Claim | None,
    *,
    held: HeldEqual | None = None,
    orders: Orders | None = None,
    one_stage: Interval | None = None,
    blocking: Sequence[str] = (),
) -> Finding:
    """Hold the effect against the claim.

    Parameters
    ----------
    primary : Interval [% fuel use]
        At the level of this look.
    claim : Claim, optional
    held : HeldEqual, optional
        What holding the driving equal rests on; None where only fuel and distance were measured.
    orders : UnitRandomisation or its like, optional
        Of the primary, if chance drew the order of arms.
    one_stage : Interval, optional
        The mixed model beneath.
    blocking : sequence of str
        Sentences that forbid a firm finding (a closure gap, a before/after design).

    Returns
    -------
    Finding
        `word` is None without a claim; the reasons then describe the effect alone.

    >>> decide(Interval(-0.2, -2.3, 1.8), Claim(economy_pct=12)).word
    'refuted'
    """
    obstacles = [] if held is None else _obstacle_sentences(held)
    if claim is None:
        said = (effect_sentence(primary), *obstacles, *blocking)
        return Finding(None, said, vetoes=(*obstacles, *blocking))
    c = math.log1p(claim.fuel_use_change_pct / 100)
    margin = 0.0 if held is None else held.margin
    margin_pct = None if held is None else 100 * margin
    word = rule(primary.low, primary.high, claim.fuel_use_change_pct)
    against = [*obstacles, *blocking]
    if word == "undecided":
        said = (effect_sentence(primary), _rule_sentence(word, primary, claim))
        return Finding(word, (*said, *against), margin_pct, vetoes=tuple(against))
    against += _margin_vetoes(primary, c, word, held)
    p = None
    if orders is not None:
        p = orders.p_at_most(c + margin) if word == "refuted" else orders.p_at_least(c - margin)
        if orders.least_p <= LEAST_P_FOR_GATE and p > _gate(primary.level, orders) + 1e-12:
            against.append(_gate_sentence(word, p, orders, primary.level))
    beneath = "undecided" if one_stage is None else rule(
        one_stage.low, one_stage.high, claim.fuel_use_change_pct
    )  # fmt: skip
    if beneath not in ("undecided", word):
        against.append(
            Veto(
                f"undecided: by the interval the claim is {word}, by the mixed model beneath it "
                f"{beneath}: the two hold the driving equal in different ways",
                Against.ON_MODELS(),
            )
        )
    if against:
        return Finding(
            "undecided",
            (effect_sentence(primary), *against),
            margin_pct,
            p,
            None if p is None else word,
            tuple(against),
        )
    reasons = [effect_sentence(primary), _rule_sentence(word, primary, claim)]
    if margin:
        reasons.append(_cleared_sentence(margin, held))
    if word == "refuted":
        reasons.append(
            "'Refuted' means that the add-on doesn't do what was claimed; it doesn't mean that it "
            "does nothing: read the interval."
        )
    return Finding(word, tuple(reasons), margin_pct, p, None if p is None else word)


def _margin_vetoes(
    primary: Interval, c: float, word: FindingWord, held: HeldEqual | None
) -> list[str]:
    """What stands between an interval beyond the claim and its word."""
    if held is None:
        return []
    found: list[str] = []
    alone = held.below if word == "refuted" else held.above
    if not _clears(primary, c, held.margin, word):
        found.append(_margin_sentence(word, held.margin, held))
    elif not _clears(primary, c, held.margin + alone, word):
        found.append(_alone_sentence(word, held))
    if held.never_supports and word == "supported":
        found.append(_ONE_MOMENT)
    return found


def _clears(primary: Interval, c: float, margin: float, word: FindingWord) -> bool:
    assert primary.low is not None and primary.high is not None  # noqa: PT018
    if word == "refuted":
        return math.log1p(primary.low / 100) - margin > c
    return math.log1p(primary.high / 100) + margin <= c


def _gate(level: float, orders: Orders) -> float:
    """Largest one-sided p that a firm word may have at a look of this confidence.

    Where the orders can't go as low, the real one has to be the most extreme of all.
    """
    return max(1 - level, orders.least_p)


def _obstacle_sentences(held: HeldEqual) -> list[str]:
    driving = 100 * math.expm1(held.driving)
    return [
        Veto(_OBSTACLES[o][0].format(driving=driving), _OBSTACLES[o][1])
        for o in dict.fromkeys(held.obstacles)
    ]


def _margin_sentence(word: FindingWord, margin: float, held: HeldEqual) -> Veto:
    parts = [f"driving explains {100 * math.expm1(held.driving):+.1f} % of fuel use"]
    if held.cars > 1:
        parts = [f"how the cars were driven explains {100 * math.expm1(held.driving):+.1f} %"]
        if held.one_car:
            parts.append(
                f"what happens to one car alone may be worth {100 * held.one_car:.1f} points"
            )
    elif math.isfinite(held.warmer_k):
        parts.append(f"the air was {held.warmer_k:+.1f} °C warmer with the add-on")
    else:
        parts.append("the air's temperature isn't known in both arms")
    what = "falls short of the claim" if word == "refuted" else "reaches the claim"
    return Veto(
        f"undecided: the interval {what}, but not by the {100 * margin:.1f} points that holding "
        f"driving and air equal may be off ({', '.join(parts)})",
        Against.ON_MARGIN(),
    )


def _alone_sentence(word: FindingWord, held: HeldEqual) -> Veto:
    own = 100 * math.expm1(held.above - held.below)
    what = "falls short of the claim" if word == "refuted" else "reaches the claim"
    return Veto(
        f"undecided: the interval {what}, but the control car changed by {own:+.1f} % by itself, "
        "and had that been its own doing instead of weather and traffic that both cars met, the "
        "test car alone wouldn't tell the same",
        Against.OTHER_CAR_CHANGED(),
    )


def _cleared_sentence(margin: float, held: HeldEqual | None) -> str:
    if held is not None and held.cars > 1:
        return (
            f"It does so by more than the {100 * margin:.1f} points that the two cars' driving, "
            "and what happens to one of them alone, may be worth."
        )
    return (
        f"It does so by more than the {100 * margin:.1f} points that holding driving and air equal "
        "may be off."
    )


def _gate_sentence(word: FindingWord, p: float, orders: Orders, level: float) -> Veto:
    return Veto(
        f"undecided: of the {orders.orders:,} orders that chance could have drawn, {100 * p:.0f} % "
        f"would look {word} as clearly if the claim were just so (at most "
        f"{100 * _gate(level, orders):.2g} % may)",
        Against.ON_ORDERS(),
    )


def effect_sentence(i: Interval) -> str:
    """The interval of the change in one sentence, the estimate named as one."""
    if i.low is None or i.high is None:
        return (
            "The switch units give no interval for the change of fuel use with the add-on fitted "
            f"(estimate {percent(i.estimate)}): nothing can be concluded."
        )
    return (
        f"The {100 * i.level:.4g} % interval of the change of fuel use with the add-on fitted is "
        f"{signed(i.low)} to {percent(i.high)} (estimate {percent(i.estimate)})."
    )


def _rule_sentence(word: FindingWord, i: Interval, claim: Claim) -> str:
    text = claim.as_change
    if i.low is None:
        return f"The claim ({text}) can't be judged without an interval."
    if word == "refuted":
        return f"The whole interval falls short of the claim ({text})."
    if word == "supported":
        return f"The whole interval reaches the claim ({text})."
    return f"The interval holds values that meet the claim ({text}) and values that don't."
