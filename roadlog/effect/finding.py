"""How the effect and the seller's claim compare: one word and the reasons, in plain sentences.

The rule is on the fuel scale with the claim as a negative change c: `refuted` if the whole
interval falls short of the claim (low > c), `supported` if it reaches it (high <= c), otherwise
`undecided`. Reasons that forbid a firm word (driving changed, no interval, randomisation disagrees,
closure gap) turn it into `undecided`.
"""

from collections.abc import Sequence

import pandas as pd

from roadlog.results import Finding, FindingWord, Interval, Randomisation
from roadlog.study import Claim


def rule(low: float | None, high: float | None, claim_pct: float) -> FindingWord:
    """The bare rule for bounds [%] against a claimed change of fuel use [%].

    >>> rule(-2.0, 3.0, -10.7), rule(-14.0, -11.0, -10.7), rule(-14.0, -9.0, -10.7)
    ('refuted', 'supported', 'undecided')
    """
    if low is None or high is None:
        return "undecided"
    if low > claim_pct:
        return "refuted"
    return "supported" if high <= claim_pct else "undecided"


def driving_shifts(outcomes: pd.DataFrame) -> list[str]:
    """Outcomes whose arm difference excludes zero at 5 % shared over the outcomes (Bonferroni)."""
    if outcomes.empty:
        return []
    return [
        str(name)
        for name, p in zip(outcomes["outcome"], outcomes["p"], strict=True)
        if p < 0.05 / len(outcomes)
    ]


def decide(
    primary: Interval,
    total: Interval,
    randomisation: Randomisation | None,
    outcomes: pd.DataFrame,
    claim: Claim | None,
    blocking: Sequence[str] = (),
) -> Finding:
    """Hold the effect against the claim.

    Parameters
    ----------
    primary, total : Interval [% fuel use]
    outcomes : DataFrame
        Driving outcomes by arm with columns `outcome`, `p`.
    blocking : sequence of str
        Sentences that forbid a firm finding (a closure gap, a before/after design).

    Returns
    -------
    Finding
        `word` is None without a claim; the reasons then describe the effect alone.
    """
    shifts = driving_shifts(outcomes)
    moved = _moved(shifts)
    if claim is None:
        reasons = [_effect_sentence(primary), *moved, *blocking]
        return Finding(None, tuple(reasons))
    c = claim.fuel_use_change_pct
    word = rule(primary.low, primary.high, c)
    reasons = [_effect_sentence(primary), _rule_sentence(word, primary, claim)]
    against: list[str] = []
    total_word = rule(total.low, total.high, c)
    if moved and word != "undecided":
        against += moved
    if word != "undecided" and total_word != word:
        against.append(
            f"undecided: driving changed: at equal driving the claim is {word}, but with driving "
            f"left as it was ({_bounds(total)}) it is {total_word}"
        )
    if randomisation is not None and randomisation.low is not None and word != "undecided":
        by_chance = rule(randomisation.low, randomisation.high, c)
        if by_chance != word:
            against.append(
                "undecided: the randomisation interval "
                f"({randomisation.low:+.1f} to {randomisation.high:+.1f} %) gives {by_chance}, "
                f"the model {word}"
            )
    against += list(blocking)
    if against:
        return Finding("undecided", (*reasons[:1], *against))
    if word == "refuted":
        reasons.append(
            "'Refuted' means that the add-on doesn't do what was claimed; it doesn't mean that it "
            "does nothing: read the interval."
        )
    return Finding(word, tuple(reasons + (moved if word == "undecided" else [])))


def _moved(shifts: Sequence[str]) -> list[str]:
    if not shifts:
        return []
    return [
        f"undecided: driving changed: {' and '.join(shifts)} differed between the arms by more "
        "than chance, so part of the change may be the driver's"
    ]


def _bounds(i: Interval) -> str:
    if i.low is None or i.high is None:
        return f"{i.estimate:+.1f} %, no bounds"
    return f"{i.low:+.1f} to {i.high:+.1f} %"


def _effect_sentence(i: Interval) -> str:
    if i.low is None or i.high is None:
        return (
            f"Fuel use changed by {i.estimate:+.1f} % with the add-on fitted, but the switch units "
            "give no interval: nothing can be concluded."
        )
    return (
        f"Fuel use changed by {i.estimate:+.1f} % with the add-on fitted "
        f"({100 * i.level:.4g} % interval {i.low:+.1f} to {i.high:+.1f} %)."
    )


def claim_text(claim: Claim) -> str:
    """The claim in the seller's words and as a change of fuel use."""
    c = claim.fuel_use_change_pct
    if claim.economy_pct is not None:
        return f"{claim.economy_pct:+g} % fuel economy, which is {c:+.1f} % fuel use"
    return f"{c:+g} % fuel use"


def _rule_sentence(word: FindingWord, i: Interval, claim: Claim) -> str:
    text = claim_text(claim)
    if i.low is None:
        return f"The claim ({text}) can't be judged without an interval."
    if word == "refuted":
        return f"The whole interval falls short of the claim ({text})."
    if word == "supported":
        return f"The whole interval reaches the claim ({text})."
    return f"The interval holds values that meet the claim ({text}) and values that don't."
