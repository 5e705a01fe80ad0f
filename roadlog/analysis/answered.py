"""The answer of a finished analysis: an `Analysed` in, its plain words out.

Here the facts that the words are made of are gathered; the words stand in `roadlog.wording.answer`.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from roadlog.effect.finding import effect_sentence
from roadlog.quantities.against import Against
from roadlog.quantities.facts import Fact, Veto
from roadlog.stats.interval import Interval, at_level
from roadlog.study.car import Claim
from roadlog.wording.answer import Answer, Claimed, Facts, Waiting, answer

if TYPE_CHECKING:
    from roadlog.analysis.result import Analysed

BEFORE_AFTER = "before-after"


def answer_of(analysed: "Analysed") -> Answer:
    """What the analysis answers, in plain words.

    >>> import roadlog
    >>> found = answer_of(roadlog.analyse(*roadlog.open_study("sample_logs")))
    >>> found.title
    'The claimed 12 % better mileage: ruled out by this synthetic test'
    """
    return answer(answer_facts(analysed))


def answer_facts(analysed: "Analysed") -> Facts:
    """What the answer is made of, off a finished analysis."""
    a = analysed
    held = a.effect.held
    return Facts(
        interval=deciding_interval(a),
        claim=None if a.study.claim is None else claimed(a.study.claim),
        word=a.finding.word,
        margin=0.0 if held is None else held.margin,
        against=plain_reasons(a.finding.vetoes),
        against_change=() if a.of_change is None else plain_reasons(a.of_change.vetoes),
        waiting=_waiting(a),
        one_change=any(w.code == BEFORE_AFTER for w in a.effect.warnings),
        stays=a.study.device.carry_over == "permanent",
        few_together=_few_together(a),
        only_measured=a.fuel_estimator == "ledger",
        switched_by=a.switched_by,
        synthetic=a.study.synthetic,
        device=a.study.device.name,
    )


def _few_together(a: "Analysed") -> bool:
    """Whether two cars' periods gave no interval, for want of days that both drove."""
    found = None if a.control is None else a.control.difference
    return found is not None and found.design != "switched" and found.primary.low is None


def deciding_interval(analysed: "Analysed") -> Interval:
    """The interval by which this look decides: wider than 95 % where the plan shares its 5 %."""
    seen, primary = analysed.oversight, analysed.effect.primary
    return primary if seen is None else at_level(primary, seen.look.level)


def claimed(claim: Claim) -> Claimed:
    """The claim as the words need it."""
    change = claim.fuel_use_change_pct
    if claim.economy_pct is not None:
        return Claimed("economy", claim.economy_pct, change)
    return Claimed("fuel_use", -change, change)


def plain_reasons(vetoes: Sequence[str]) -> tuple[Fact | str, ...]:
    """What forbids a firm word, as clauses in plain words, each once."""
    return tuple(
        dict.fromkeys(v.plain if isinstance(v, Veto) else Against.TOLD_BELOW() for v in vetoes)
    )


def further_reasons(analysed: "Analysed") -> list[str]:
    """The finding's reasons, but for the one that only says the interval."""
    said = {effect_sentence(i) for i in (analysed.effect.primary, deciding_interval(analysed))}
    return [reason for reason in analysed.finding.reasons if reason not in said]


def _waiting(a: "Analysed") -> Waiting | None:
    if a.oversight is None or not a.oversight.look.interim:
        return None
    look = a.oversight.look
    return Waiting(look.units, look.planned, may_decide=a.oversight.spends_alpha)
