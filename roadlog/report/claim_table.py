"""The whole claim in one table: the road test and every trial beside it.

An `Analysed` goes in, rows of text come out: what was claimed, what was measured, the interval,
the finding, how strong the evidence is, and the cautions and notes that belong to each trial.
"""

import math
from dataclasses import dataclass

from roadlog.analysis.answered import answer_of
from roadlog.analysis.result import Analysed
from roadlog.analysis.summary import compared_how
from roadlog.trials.result import TrialResult
from roadlog.trials.road_test import RoadTest, under_road_test
from roadlog.wording.numbers import UNKNOWN, ends_of, number, signed

NAMES = {
    "standing-start": "Standing start",
    "runout": "Run-out of a small engine",
    "ceiling": "Energy ceiling",
    "inspection": "Blind inspection",
    "payback": "Payback",
    "engine-signals": "Engine signals",
}
STALE_PCT = 0.05


@dataclass(frozen=True)
class Part:
    """One part of the claim: a row of the table and, for a trial, what stands below it."""

    name: str
    question: str
    claimed: str
    measured: str
    interval: str
    finding: str
    strength: str
    anchor: str
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    method: str = ""


def parts_of_claim(analysed: Analysed) -> list[Part]:
    """The road test first, then each trial that the study holds."""
    order = list(NAMES)
    trials = sorted(trials_of(analysed), key=lambda t: order.index(t.trial))
    return [_road_test(analysed), *(_trial(t, analysed) for t in trials)]


def trials_of(analysed: Analysed) -> tuple[TrialResult, ...]:
    """The study's trials, those that use the road test's number no firmer than it is now."""
    road = RoadTest(analysed.finding.word, analysed.finding.vetoes)
    return tuple(under_road_test(t, road) for t in analysed.trials)


def interval_cell(trial: TrialResult) -> str:
    """A trial's bounds in words; a payback's may be never, a ceiling's aren't chance."""
    if trial.trial == "payback":
        return _payback_cell(trial)
    if trial.low is None or trial.high is None:
        return "no one number" if trial.estimate is None else "none can be given"
    digits = 2 if trial.trial in ("ceiling", "inspection") else 1
    ends = f"{signed(trial.low, digits)} to {signed(trial.high, digits)} {trial.unit}"
    return f"{ends} (assumptions, not chance)" if trial.trial == "ceiling" else ends


def _road_test(a: Analysed) -> Part:
    i, claim = a.effect.primary, a.study.claim
    ends = ends_of(i)
    units = f"{a.baseline.switch_units} + {a.fitted.switch_units} switch units"
    if ends is None:
        strength = f"Weak: {units} give no interval."
    elif vetoes := a.finding.vetoes:
        strength = f"Weak, {vetoes[0]}."
    elif not a.study.randomised:
        strength = f"Moderate: {units}, but chance didn't decide the order."
    else:
        strength = f"Good: {units}, in random order, on the road."
    return Part(
        name="Road test",
        question="Does the car use less fuel on the road?",
        claimed="" if claim is None else claim.words,
        measured="no range" if ends is None else f"{_sides(a)} fuel, {compared_how(a)}",
        interval=f"{signed(ends[0])} to {signed(ends[1])} %" if ends else "none can be given",
        finding=a.finding.word or "",
        strength=strength,
        anchor="finding",
    )


def _sides(a: Analysed) -> str:
    """'1.0 % less to 1.9 % more', by the interval that decides."""
    sides = answer_of(a).range_sides
    return "no range yet:" if sides is None else " to ".join(sides)


def _trial(t: TrialResult, a: Analysed) -> Part:
    notes = t.notes
    if t.trial == "payback" and _is_stale(t, a):
        notes = (
            "Computed from an earlier analysis whose effect or finding was another: run 'roadlog "
            "payback' again.",
            *notes,
        )
    return Part(
        name=NAMES[t.trial],
        question=t.question,
        claimed=t.claimed,
        measured=t.measured,
        interval=interval_cell(t),
        finding=t.finding or "",
        strength=t.strength,
        anchor=f"trial-{t.trial}",
        cautions=t.cautions,
        notes=notes,
        method=t.method,
    )


def _is_stale(t: TrialResult, a: Analysed) -> bool:
    used = t.details.get("effect_pct")
    now = a.effect.primary.estimate
    if t.details.get("road_test", a.finding.word) != a.finding.word:
        return True
    return isinstance(used, int | float) and math.isfinite(now) and abs(used - now) > STALE_PCT


def _payback_cell(t: TrialResult) -> str:
    never = t.details.get("never")
    if not isinstance(never, dict) or never.get("best") is None:
        return "none can be given"
    ends = []
    for end, years in (("best", t.low), ("worst", t.high)):
        ends.append("never" if never.get(end) else number(years))
    if ends[0] == ends[1] == "never":
        return "never"
    text = f"{ends[0]} years to {ends[1]}"
    return text if ends[1] in ("never", UNKNOWN) else f"{ends[0]} to {ends[1]} years"
