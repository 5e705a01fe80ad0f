"""What is known of an add-on: entries in, the pooled answer with all that stands around it out.

The word obeys the same rule as a single study's, and more: at least `LEAST_STUDIES` studies, and
the same without any one of them; small studies that tell the word more loudly than large ones
forbid it (docs/pool.md).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.errors import DesignError
from roadlog.publish.pool.entry import Entry, Refused
from roadlog.stats.interval import FindingWord, Interval, percent, rule
from roadlog.stats.meta_analysis import Mean, Pooled, Slant, pool, slant, why_no_slant
from roadlog.wording.answer import Answer, Claimed, Facts, answer

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
        left = "none" if not entries else "only one"
        raise DesignError(
            f"{left} of {len(entries) + len(refused)} archives can be pooled, and it takes two: "
            "what stands against the others is listed above"
        )
    order = _in_order(entries)
    pooled = _pool(order)
    interval = in_percent(pooled.mean)
    margin = float(pooled.mean.weights @ [e.margin for e in order])
    se = np.sqrt(pooled.variances)
    no_slant = why_no_slant(se)
    tilt = None if no_slant else slant(_changes(order), se)
    word, reasons = _finding(pooled, claim, margin, tilt, order)
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
        answer=answer(_facts(device, claim, pooled, interval, margin, word, tilt, order)),
        parts=tuple(_part(name, kinds, order) for name, kinds in PARTS.items()),
        slant=tilt,
        no_slant=no_slant,
        unheard=tuple(sorted(set(plans) - heard)),
    )


def firm(
    mean: Mean, without: Sequence[Mean], margin: float, claim: float, word: FindingWord
) -> bool:
    """Whether a word holds for the mean, and for the mean without any one of the studies.

    Parameters
    ----------
    margin, claim : float
        Log of fuel use.
    """
    return all(_cleared(m, margin, claim) == word for m in (mean, *without))


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
    weights = _pool(plain).mean.weights
    at = sorted(range(len(plain)), key=lambda i: (-round(float(weights[i]), 9), plain[i].sha256))
    return [plain[i] for i in at]


def _changes(entries: Sequence[Entry]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array([e.change for e in entries])


def _pool(entries: Sequence[Entry]) -> Pooled:
    se, df = (np.array([getattr(e, k) for e in entries]) for k in ("se", "df"))
    return pool(_changes(entries), se, df)


def _part(name: str, kinds: Sequence[str], entries: Sequence[Entry]) -> Part:
    mine = tuple(e for e in entries if e.registered in kinds)
    return Part(name, mine, _pool(mine) if len(mine) > 1 else None)


def _cleared(mean: Mean, margin: float, claim: float) -> FindingWord:
    return rule(mean.low - margin, mean.high + margin, claim)


def _finding(
    pooled: Pooled,
    claim: Claimed | None,
    margin: float,
    tilt: Slant | None,
    entries: Sequence[Entry],
) -> tuple[FindingWord | None, tuple[str, ...]]:
    if claim is None:
        return None, ("No claim was given to hold the pool against.",)
    c = math.log1p(claim.fuel_use_change_pct / 100)
    word = _cleared(pooled.mean, margin, c)
    if word == "undecided":
        bare = rule(pooled.mean.low, pooled.mean.high, c)
        what = "Part of the pooled range reaches the claim, part doesn't."
        if bare != "undecided":
            what = (
                f"The pooled range clears the claim, but not by the {100 * margin:.1f} points that "
                "holding driving and air equal may be off."
            )
        return word, (what,)
    against = []
    if len(entries) < LEAST_STUDIES:
        against.append(f"It takes at least {LEAST_STUDIES} studies for a firm word.")
    swing = [
        e.label
        for e, m in zip(entries, pooled.without, strict=False)  # none of two
        if not firm(m, (), margin, c, word)
    ]
    if swing:
        more = f" and {len(swing) - 3} more" if len(swing) > 3 else ""
        against.append(
            f"The range of all is '{word}'; without {' or '.join(swing[:3])}{more} it isn't: one "
            "study may not decide for all."
        )
    if tilt is not None and _favours(tilt, word):
        against.append(
            f"The less exact studies tell more of it than the exact ones (p = {tilt.p:.3f}), as "
            "where others were never shown."
        )
    if against:
        return "undecided", tuple(against)
    short = "falls short of" if word == "refuted" else "reaches"
    return word, (f"The whole pooled range {short} the claim, whichever study is left out.",)


def _favours(tilt: Slant, word: FindingWord) -> bool:
    return tilt.p < SLANT_P and (tilt.slope < 0) == (word == "supported")


def _facts(
    device: str,
    claim: Claimed | None,
    pooled: Pooled,
    interval: Interval,
    margin: float,
    word: FindingWord | None,
    tilt: Slant | None,
    entries: Sequence[Entry],
) -> Facts:
    few: tuple[str, ...] = ()
    if len(entries) < LEAST_STUDIES:
        few = (f"it takes {LEAST_STUDIES} tests at least before they may decide together",)
    against_change = []
    way = rule(pooled.mean.low - margin, pooled.mean.high + margin, 0.0)
    # of zero, "refuted" means more fuel for certain; less must be strict, which `rule` isn't
    if way != "undecided" and not firm(pooled.mean, pooled.without, margin, 0.0, way):
        against_change.append(_WITHOUT_ONE)
    if tilt is not None and way != "undecided" and _favours(tilt, way):
        against_change.append(_SLANTED)
    return Facts(
        interval=interval,
        claim=claim,
        word=word,
        margin=margin,
        against=few,
        against_change=tuple(against_change),
        synthetic=entries[0].synthetic,
        device=device,
        tests=len(entries),
        following=None
        if pooled.ahead is None
        else (percent(pooled.ahead[0]), percent(pooled.ahead[1])),
    )
