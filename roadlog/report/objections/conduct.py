"""Answers on how the test was run: stopped when it suited, chosen days, too few days, drives thrown
away, fitted properly, who paid.

An `Analysed` goes in; facts, then objections with their answers, come out.
"""

import math
from dataclasses import dataclass

from roadlog.analysis.result import Analysed
from roadlog.effect.estimate import NOTHING_SET_ASIDE
from roadlog.plan.result import FULL_LEVEL, Oversight
from roadlog.quantities.arms import ARMS
from roadlog.report.objections.objection import (
    Answered,
    Number,
    Objection,
    Source,
    change,
    counted,
    with_bounds,
)
from roadlog.report.objections.stand import Stand, row_named, stand_of
from roadlog.report.registration import each_once, existed
from roadlog.report.tabulate import reason_counts
from roadlog.wording.numbers import ends_of

PLAN = Source("What was fixed beforehand", anchor="plan")
UNITS = Source("Unit by unit", anchor="units")
SET_ASIDE = Source("What was set aside, and why", anchor="excluded")
RUNS = Source("Every run", anchor="runs")
ESTIMATES = Source("All estimates beside one another", anchor="intervals")
DATA = Source("In numbers", anchor="numbers")


def stopped_early(a: Analysed) -> Objection:
    """You stopped when the number suited you."""
    s, o = stand_of(a), a.oversight
    said = "You stopped when the number suited you."
    key: Answered = "can't tell"
    if o is None:
        lines = [
            "These are logs without a study folder: nothing says when the test was to end, or how "
            "often the numbers were looked at.",
            "A plan with a last day, registered before the first drive with the add-on in, would.",
        ]
        return Objection("stopped", "sceptic", said, key, tuple(lines), (), (DATA,))
    lines = []
    if o.stop_date is None or not o.look.planned:
        lines.append("No last day was planned, so nothing says when the test was to end.")
    else:
        lines.append(f"The last planned day is {o.stop_date}; {_planned(o, s)}.")
        lines.append(_registered(o))
        key = "partly"
        whole = o.look.units == o.look.planned and not o.look.interim
        if beforehand(o) and whole:
            key = "yes"
    lines.append(_looks(o))
    if s.interim:
        lines.append(_interim(o))
    elif o.stop_date is not None and 0 < o.look.units < o.look.planned:
        lines.append(
            "Planned days without a usable drive are a way to stop early; why each is missing only "
            "the notes can say."
        )
    return Objection("stopped", "sceptic", said, key, tuple(x for x in lines if x), (), (PLAN,))


def _planned(o: Oversight, s: Stand) -> str:
    """How many of the planned switch units are in."""
    look = o.look
    if look.units > look.planned:
        return (
            f"{s.units(look.units)} are in and {look.planned:,} switch units were planned, which "
            "aren't counted alike"
        )
    have = "has" if look.units == 1 else "have"
    return f"of {look.planned:,} planned {s.many} {look.units:,} {have} drives that count"


def _registered(o: Oversight) -> str:
    if o.registered_at is None:
        return (
            "It wasn't registered before the first drive with the add-on in, so that it was fixed "
            "beforehand is the author's word."
        )
    if o.registered_late:
        return (
            "It was registered only after the first drive with the add-on in, so that it was fixed "
            "beforehand is the author's word."
        )
    if o.changes:
        changed = counted(len(o.changes), "choice")
        return (
            f"It was registered before the first drive with the add-on in; {changed} "
            f"{'was' if len(o.changes) == 1 else 'were'} changed since, listed in the report."
        )
    return (
        f"It was registered before the first drive with the add-on in, {_clock(o)}; nothing was "
        "changed since."
    )


def _clock(o: Oversight) -> str:
    """By whose clock the registration came before the data."""
    if o.stamped is not None and not o.stamp_late:
        return f"by a fingerprint {existed(o.stamped)}"
    return "by the clock of the computer that planned it, which its owner can set"


def beforehand(o: Oversight | None) -> bool:
    """Whether an authority that the study named shows what was fixed before the data."""
    if o is None or o.registered_at is None or o.registered_late or o.changes:
        return False
    return o.stamped is not None and not o.stamp_late and o.stamped.root_from == "given"


def _looks(o: Oversight) -> str:
    looks = each_once(o)
    early = sum(k.interim for k in looks[:-1])
    text = f"The program has logged {counted(len(looks), 'look')} at these data, this one counted"
    if early:
        text += f", {early} of them before the last day"
    return f"{text}; looks by other means it can't know of."


def _interim(o: Oversight) -> str:
    if not o.spends_alpha:
        return "This look comes before the last day, so it decides nothing."
    if o.look.level >= 1:
        return "This look comes too early for the plan to let it decide anything."
    if o.look.level > FULL_LEVEL:
        return (
            f"This look comes before the last day; the plan lets it decide by a wider interval "
            f"({100 * o.look.level:.4g} %), so that all looks together are wrong at most 5 times "
            "in 100."
        )
    return "This look comes before the last day."


def chosen_days(a: Analysed) -> Objection:
    """You chose the days on which it was in."""
    s = stand_of(a)
    said = "You chose on which days it was in."
    n = a.baseline.switch_units + a.fitted.switch_units
    if s.once:
        return Objection(
            "chosen-days", "sceptic", said, "can't tell",
            (
                "It was switched once: before and after. Whatever else changed at that time can't "
                "be told from the add-on, so there is no interval and no finding.",
                "Switching it in and out again, in an order that chance draws, would tell.",
            ),
            (), (UNITS,),
        )  # fmt: skip
    if not s.drawn:
        return Objection(
            "chosen-days", "sceptic", said, "partly" if s.bounded else "can't tell",
            (
                f"Chance didn't decide the order of the {s.units(n)}. A smooth change over time is "
                "held equal as far as the data allow; a sudden one, or choosing by the day, isn't.",
                "An order that chance draws beforehand would settle it.",
            ),
            (), (UNITS,),
        )  # fmt: skip
    test = a.effect.randomisation
    lines = [f"By the study's own word, chance decided the order of the {s.units(n)}."]
    if test is not None:
        lines.append(
            f"Of {'' if test.exact else 'a random sample of '}{test.assignments:,} orders that "
            f"chance could have drawn, {100 * test.p:.2g} % "
            "would have shown a difference at least as large as this one if the add-on did nothing."
        )
    o = a.oversight
    lines.append(
        "That it was drawn beforehand is the author's word: no registration shows it."
        if o is None
        else _registered(o)
    )
    return Objection(
        "chosen-days", "sceptic", said,
        "yes" if beforehand(o) and s.bounded else "partly", tuple(lines),
        (), (UNITS, PLAN) if o is not None else (UNITS,),
    )  # fmt: skip


@dataclass(frozen=True)
class Width:
    """How narrow the result came out, and what it could find."""

    half_pct: float | None
    detectable_pct: float | None
    promised_pct: float | None


def width(a: Analysed) -> Width:
    """The result's half-width, and the plan's promise, in percent of fuel use."""
    ends = ends_of(stand_of(a).effect)
    promised = a.oversight.promised if a.oversight is not None else None
    smallest = a.effect.smallest_detectable_pct
    return Width(
        None if ends is None else (ends[1] - ends[0]) / 2,
        smallest if math.isfinite(smallest) else None,
        None if promised is None else promised.half_width_pct,
    )


def too_few_days(a: Analysed) -> Objection:
    """A few days prove nothing."""
    s, facts = stand_of(a), width(a)
    n = a.baseline.switch_units + a.fitted.switch_units
    said = f"{s.units(n).capitalize()} prove nothing."
    if facts.half_pct is None:
        return Objection(
            "too-few-days", "seller", said, "can't tell",
            (
                "This study gives no interval, so nothing says how far chance alone could have "
                "moved the number.",
                "More switches in and out, in an order that chance draws, would tell.",
            ),
            (), (UNITS,),
        )  # fmt: skip
    name = "the result"
    if s.effect.level != FULL_LEVEL:
        name += f" ({100 * s.effect.level:.4g} % bounds, by which this look decides)"
    effect = change(name, s.effect, a.baseline.l_per_100km)
    lines = [
        f"How many are enough depends on how far they scatter. From {a.baseline.switch_units} "
        f"without and {a.fitted.switch_units} with the add-on the estimate is "
        f"{with_bounds(effect)}: the {s.many}' own scatter leaves it uncertain by about "
        f"{facts.half_pct:.1f} % either way.",
        _against_claim(s),
    ]
    if facts.detectable_pct is not None:
        lines.append(
            f"A true change of {facts.detectable_pct:.1f} % would be found 4 times out of 5 by "
            "such a study; a smaller one it will often miss."
        )
    if facts.promised_pct is not None:
        lines.append(
            f"The plan promised about {facts.promised_pct:.1f} % either way; half of such studies "
            "come out wider."
        )
    settled = s.word in ("refuted", "supported")
    numbers = [effect]
    if facts.detectable_pct is not None:
        numbers.append(
            Number("smallest change found 4 times out of 5", facts.detectable_pct, with_sign=False)
        )
    return Objection(
        "too-few-days", "seller", said, "yes" if settled and not s.interim else "partly",
        tuple(x for x in lines if x), tuple(numbers), (UNITS, ESTIMATES),
    )  # fmt: skip


def _against_claim(s: Stand) -> str:
    ends, claim = ends_of(s.effect), s.claim_pct
    if ends is None or claim is None:
        return "No claim was given that it could be too few for." if claim is None else ""
    word = s.bare(s.effect)
    if word == "undecided":
        return (
            f"The claim ({claim:+.1f} % fuel) lies inside: for settling this claim they were too "
            "few, or too scattered."
        )
    gap = ends[0] - claim if word == "refuted" else claim - ends[1]
    side = "falls short of" if word == "refuted" else "reaches"
    text = (
        f"The whole interval {side} the claim ({claim:+.1f} % fuel), its nearer end by "
        f"{'under 0.1' if gap < 0.05 else f'{gap:.1f}'} points."
    )
    if s.interim:
        return f"{text} The test isn't finished, though."
    if s.word not in ("refuted", "supported"):
        return f"{text} That alone is no finding here; the report says why."
    return text


@dataclass(frozen=True)
class SetAside:
    """What was driven and not used, by arm."""

    runs: dict[str, int]
    all_runs: dict[str, int]
    passes: dict[str, int]
    all_passes: dict[str, int]
    used_share: dict[str, float]
    reasons: tuple[str, ...]


def set_aside(a: Analysed) -> SetAside:
    """Runs and passes by arm that a rule set aside, and the commonest reasons."""
    gone_r = a.runs[~a.runs["used"].astype(bool)]
    gone_p = a.passes[~a.passes["used"].astype(bool)]
    reasons = [*reason_counts(a.runs), *reason_counts(a.passes)][:4]
    share = {} if a.road_use is None else {k: u.share for k, u in a.road_use.arms.items()}
    return SetAside(
        runs={x: int((gone_r["arm"] == x).sum()) for x in ARMS},
        all_runs={x: int((a.runs["arm"] == x).sum()) for x in ARMS},
        passes={x: int((gone_p["arm"] == x).sum()) for x in ARMS},
        all_passes={x: int((a.passes["arm"] == x).sum()) for x in ARMS},
        used_share=share,
        reasons=tuple(f"{r} ({n})" for r, n in reasons),
    )


def thrown_away(a: Analysed) -> Objection:
    """You threw away the drives that didn't fit."""
    s, facts = stand_of(a), set_aside(a)
    said = "You threw away the drives that didn't fit."
    what = "tank or can" if s.measured_only else "drive"
    many = "tanks or cans" if s.measured_only else "drives"
    lines = []
    if sum(facts.runs.values()) == 0:
        lines.append(
            f"Of the {sum(facts.all_runs.values())} {many} in the study none was left out."
        )
    else:
        lines.append(
            f"{facts.runs['baseline']} of {facts.all_runs['baseline']} {many} without the add-on "
            f"and {facts.runs['fitted']} of {facts.all_runs['fitted']} with it were left out, each "
            "named in the report with why."
        )
    if not s.measured_only:
        lines.append(
            f"Of what was driven, {facts.passes['baseline']} of {facts.all_passes['baseline']} "
            f"passes without and {facts.passes['fitted']} of {facts.all_passes['fitted']} with the "
            "add-on were set aside by rules that are the same for both arms and don't look at how "
            "much fuel a pass burned."
        )
    row = row_named(a, NOTHING_SET_ASIDE)
    numbers = []
    if row is not None:
        n = change("with the passes put back that have fuel", row.interval, a.baseline.l_per_100km)
        numbers.append(n)
        lines.append(f"Computed {row.note}, the effect is estimated at {with_bounds(n)}.")
        lines.append(s.by_itself(row.interval))
    lines.append(f"A {what} that never reached the program it can't know of.")
    o = a.oversight
    if o is not None and o.look.planned:
        text = _planned(o, s)
        lines.append(f"{text[0].upper()}{text[1:]}.")
    none = not any((*facts.runs.values(), *facts.passes.values()))
    same = row is not None and s.bounded and s.bare(row.interval) == s.bare(s.effect)
    answered: Answered = "partly"
    if none or (same and not any(facts.runs.values())):
        answered = "yes"
    return Objection(
        "thrown-away", "sceptic", said, answered, tuple(x for x in lines if x), tuple(numbers),
        (SET_ASIDE, RUNS),
    )  # fmt: skip


def fitted_properly(a: Analysed) -> Objection:
    """It wasn't fitted properly, or wasn't switched on."""
    looked = any(t.trial == "inspection" for t in a.trials)
    lines = [
        "This study can't tell from its numbers: an add-on that isn't fitted and one that does "
        "nothing look alike in them.",
        "A blind inspection of pictures stands in the report; it tells of what can be seen on "
        "parts, not of how the add-on was fitted."
        if looked
        else "",
        "Pictures of it fitted, taken on each day that it was in, or the seller fitting it, would "
        "tell.",
    ]
    return Objection(
        "fitted", "seller", "It wasn't fitted properly, or wasn't switched on.", "can't tell",
        tuple(x for x in lines if x), (),
        (Source("Blind inspection", anchor="trial-inspection"),) if looked else (),
    )  # fmt: skip


def who_paid(a: Analysed) -> Objection:
    """Who paid for this test?"""
    lines = (
        "Nothing in the study says who paid for the test, the add-on or the fuel; ask the author.",
        "What doesn't depend on it: the logs, whose SHA-256 stand in the report, and the program, "
        "which gives the same numbers from them to anybody.",
    )
    return Objection(
        "who-paid", "sceptic", "Who paid for this test?", "can't tell", lines, (),
        (Source("Check it yourself", anchor="check"),),
    )  # fmt: skip
