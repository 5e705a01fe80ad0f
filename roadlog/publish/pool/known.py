"""What is known of an add-on: entries in, the pooled answer with all that stands around it out.

The word obeys the same rule as a single study's, and more: studies of at least `LEAST_STUDIES`
cars, and the same without any one car; small studies that tell the word more loudly than large
ones forbid it (docs/pool.md).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.errors import DesignError
from roadlog.publish.pool.entry import Entry, Refused
from roadlog.publish.pool.influence import Influence, influence_of, pool_of
from roadlog.stats.interval import FindingWord, Interval, percent, rule
from roadlog.stats.meta_analysis import Mean, Pooled, Slant, slant, why_no_slant
from roadlog.wording.answer import Answer, Claimed, Facts, answer, first_large

LEAST_STUDIES = 4
SLANT_P = 0.05  # two-sided, of a slant that forbids the word it favours
PARTS = {
    "registered before the first drive, vouched for": ("vouched for",),
    "registered, by the author's own word": ("by its own word",),
    "not registered, or not kept to": ("none", "late", "changed since", "of several"),
}
_WITHOUT_ONE = "without one of the tests the range would reach no change"
_SLANTED = "the less exact tests tell more of it than the exact ones, as if others were never shown"


@dataclass(frozen=True)
class Part:
    """Studies of one kind: how many, and their own pool (None under two)."""

    name: str
    entries: tuple[Entry, ...]
    pooled: Pooled | None


@dataclass(frozen=True)
class Known:
    """What is known so far.

    `entries` are those that were pooled, the heaviest first; `word` and `reasons` the finding;
    `slant` is None where `no_slant` says why it isn't told. `unheard` are fingerprints of plans
    that the user gave and no archive has.
    """

    device: str
    claim: Claimed | None
    entries: tuple[Entry, ...]
    refused: tuple[Refused, ...]
    pooled: Pooled
    interval: Interval
    margin: float
    word: FindingWord | None
    reasons: tuple[str, ...]
    answer: Answer
    parts: tuple[Part, ...]
    influence: Influence
    slant: Slant | None
    no_slant: str
    unheard: tuple[str, ...]

    @property
    def synthetic(self) -> bool:
        """Whether programs made all of it."""
        return self.entries[0].synthetic


def known(
    device: str,
    claim: Claimed | None,
    entries: Sequence[Entry],
    refused: Sequence[Refused],
    plans: Sequence[str] = (),
) -> Known:
    """Combine studies of one add-on.

    Parameters
    ----------
    plans : sequence of str
        Fingerprints of plans that were shown in public.

    Raises
    ------
    DesignError
        If fewer than two are left to be pooled.
    """
    if len(entries) < 2:
        if not refused:
            raise DesignError("one archive is no pool: name those of other tests beside it")
        left, others = ("only one", "the others") if entries else ("none", "them")
        raise DesignError(
            f"{left} of {len(entries) + len(refused)} archives can be pooled, and it takes two: "
            f"what stands against {others} is listed above"
        )
    order = _in_order(entries)
    pooled = pool_of(order)
    influence = influence_of(order, pooled)
    interval = in_percent(pooled.mean)
    margin = float(pooled.mean.weights @ [e.margin for e in order])
    se = np.sqrt(pooled.variances)
    no_slant = why_no_slant(se)
    tilt = None if no_slant else slant(np.array([e.change for e in order]), se)
    on = _Against(pooled.mean, influence, margin, tilt)
    word, reasons = _finding(on, claim, order)
    heard = {e.fingerprint for e in order} | {r.fingerprint for r in refused}
    return Known(
        device=device,
        claim=claim,
        entries=tuple(order),
        refused=tuple(sorted(refused, key=lambda r: (r.path, r.why))),
        pooled=pooled,
        interval=interval,
        margin=margin,
        word=word,
        reasons=reasons,
        answer=answer(
            Facts(
                interval=interval,
                claim=claim,
                word=word,
                margin=margin,
                against=_few(influence),
                against_change=_against_change(on),
                only_measured=all(e.only_measured for e in order),
                synthetic=order[0].synthetic,
                device=device,
                tests=len(order),
                following=None
                if pooled.ahead is None
                else (percent(pooled.ahead[0]), percent(pooled.ahead[1])),
            )
        ),
        parts=tuple(_part(name, kinds, order) for name, kinds in PARTS.items()),
        influence=influence,
        slant=tilt,
        no_slant=no_slant,
        unheard=tuple(sorted(set(plans) - heard)),
    )


def firm(
    mean: Mean, without: Sequence[Mean | None], margin: float, claim: float, word: FindingWord
) -> bool:
    """Whether a word holds for the mean, and for the mean without any one car (None: none is left).

    Parameters
    ----------
    margin, claim : float
        Log of fuel use.
    """
    return all(m is not None and _cleared(m, margin, claim) == word for m in (mean, *without))


def in_percent(mean: Mean) -> Interval:
    """The mean's interval as a change of fuel use [%]."""
    return Interval(
        estimate=percent(mean.mean),
        low=percent(mean.low),
        high=percent(mean.high),
        df=float(mean.df),
        method=f"random effects over {mean.df + 1} studies",
        level=mean.level,
    )


def _in_order(entries: Sequence[Entry]) -> list[Entry]:
    """Heaviest first, and the same whatever order the archives were named in."""
    plain = sorted(entries, key=lambda e: e.sha256)
    weights = pool_of(plain).mean.weights
    at = sorted(range(len(plain)), key=lambda i: (-round(float(weights[i]), 9), plain[i].sha256))
    return [plain[i] for i in at]


def _part(name: str, kinds: Sequence[str], entries: Sequence[Entry]) -> Part:
    mine = tuple(e for e in entries if e.registered in kinds)
    return Part(name, mine, pool_of(mine) if len(mine) > 1 else None)


def _cleared(mean: Mean, margin: float, claim: float) -> FindingWord:
    return rule(mean.low - margin, mean.high + margin, claim)


@dataclass(frozen=True)
class _Against:
    """What a word has to stand: without each car, wider by the margin, and no slant towards it."""

    mean: Mean
    influence: Influence
    margin: float
    tilt: Slant | None

    def favours(self, word: FindingWord) -> bool:
        """Whether the less exact studies tell more of a word than the exact ones."""
        t = self.tilt
        return t is not None and t.p < SLANT_P and (t.slope < 0) == (word == "supported")

    def firm(self, claim: float, word: FindingWord) -> bool:
        return firm(self.mean, self.influence.without, self.margin, claim, word)


def _finding(
    on: _Against, claim: Claimed | None, entries: Sequence[Entry]
) -> tuple[FindingWord | None, tuple[str, ...]]:
    if claim is None:
        return None, ("No claim was given to hold the pool against.",)
    c = math.log1p(claim.fuel_use_change_pct / 100)
    word = _cleared(on.mean, on.margin, c)
    if word == "undecided":
        what = "Part of the pooled range reaches the claim, part doesn't."
        if rule(on.mean.low, on.mean.high, c) != "undecided":
            what = (
                f"The pooled range clears the claim, but not by the {100 * on.margin:.1f} points "
                "that holding driving and air equal may be off."
            )
        return word, (what,)
    against = [first_large(f"{few}.") for few in _few(on.influence)]
    cars = on.influence.cars
    swing = [
        " and ".join(entries[i].label for i in car)
        for car, m in zip(cars, on.influence.without, strict=True)
        if m is not None and not firm(m, (), on.margin, c, word)
    ]
    if swing:
        more = f" and {len(swing) - 3} more" if len(swing) > 3 else ""
        one = "study" if len(cars) == len(entries) else "car"
        against.append(
            f"The range of all is '{word}'; without {' or '.join(swing[:3])}{more} it isn't: one "
            f"{one} may not decide for all."
        )
    if on.favours(word):
        assert on.tilt is not None
        against.append(
            f"The less exact studies tell more of it than the exact ones (p = {on.tilt.p:.3f}), as "
            "where others were never shown."
        )
    if against:
        return "undecided", tuple(against)
    short = "falls short of" if word == "refuted" else "reaches"
    return word, (f"The whole pooled range {short} the claim, whichever study is left out.",)


def _few(influence: Influence) -> tuple[str, ...]:
    """Why these are too few to decide together, as a clause."""
    if len(influence.cars) >= LEAST_STUDIES:
        return ()
    if influence.of_one_car:
        return (
            f"it takes tests of {LEAST_STUDIES} cars at least before they may decide together, and "
            f"by what the archives say these are {len(influence.cars)}",
        )
    return (f"it takes {LEAST_STUDIES} tests at least before they may decide together",)


def _against_change(on: _Against) -> tuple[str, ...]:
    """What forbids to say that fuel use changed, where the range leaves zero out."""
    way = rule(on.mean.low - on.margin, on.mean.high + on.margin, 0.0)
    if way == "undecided":
        return ()
    # of zero, "refuted" means more fuel for certain; less must be strict, which `rule` isn't
    against = () if on.firm(0.0, way) else (_WITHOUT_ONE,)
    return (*against, _SLANTED) if on.favours(way) else against
