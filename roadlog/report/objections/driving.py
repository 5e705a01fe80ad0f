"""Answers on how the car was driven: driven differently, air conditioning, the driver knew.

An `Analysed` goes in; facts, then objections with their answers, come out.
"""

import math
from dataclasses import dataclass

import pandas as pd

from roadlog.analysis.result import AccessoryTime, Analysed
from roadlog.report.blinded import who_knew
from roadlog.report.objections.objection import (
    Answered,
    Number,
    Objection,
    Source,
    change,
    counted,
    listed,
    unseen,
    with_bounds,
)
from roadlog.report.objections.stand import Stand, row_named, stand_of
from roadlog.wording.numbers import signed

KNEW = Source("Weather, and what the driver knew", anchor="weather")
DRIVING = Source("Did the driving change?", anchor="driving")
ESTIMATES = Source("All estimates beside one another", anchor="intervals")
_OUTCOMES = {"demand": "work asked at the wheels"}
_ARM = {"baseline": "without the add-on", "fitted": "with it"}
_WITH, _WITHOUT = "with accessory time", "without accessory time"


@dataclass(frozen=True)
class Driven:
    """The driving by arm: its rows, those beyond chance, and what holding it equal does."""

    rows: tuple[Number, ...]
    beyond_chance: tuple[str, ...]
    explains_pct: float | None
    margin_pct: float | None
    obstructed: bool


def driven(a: Analysed) -> Driven:
    """How the driving differed between the arms, and how far that was held equal."""
    table, held, once = a.effect.outcomes_by_arm, a.effect.held, stand_of(a).once
    rows, beyond = [], []
    for r in table.to_dict("records"):
        name = _OUTCOMES.get(str(r["outcome"]), str(r["outcome"]))
        ends = (None, None) if once else (r["low"], r["high"])
        rows.append(Number(name, r["estimate"], ends[0], ends[1], str(r["unit"])))
        if r["p"] < 0.05 / len(table) and not once:
            beyond.append(name)
    return Driven(
        rows=tuple(rows),
        beyond_chance=tuple(beyond),
        explains_pct=None if held is None else 100 * math.expm1(held.driving),
        margin_pct=None if held is None else 100 * held.margin,
        obstructed=held is not None and bool(held.obstacles),
    )


def driven_differently(a: Analysed) -> Objection:
    """You drove differently with it in."""
    s, facts = stand_of(a), driven(a)
    said = "You drove differently when it was in, and that's what you measured."
    if not facts.rows:
        return Objection(
            "driving", "sceptic", said, "can't tell",
            (
                "How the car was driven isn't known in this study"
                + (": only fuel and distance were measured." if s.measured_only else "."),
                _chance_for_driving(s),
                "Logs with speed and position would tell.",
            ),
        )  # fmt: skip
    total = change("without holding the driving equal", a.effect.total, a.baseline.l_per_100km)
    numbers = (*facts.rows, total)
    lines = [
        "The driving itself was compared between the arms: with the add-on in, "
        + listed([f"{n.what} differed by {with_bounds(n)}" for n in facts.rows])
        + ".",
        _beyond(facts),
        *_held_equal(facts, total, s),
        "Gear and pedal are not held equal, because an add-on may change them; a driver who shifts "
        "otherwise when it is in isn't told from the add-on by this.",
    ]
    return Objection(
        "driving", "sceptic", said, "partly", tuple(x for x in lines if x), numbers,
        (DRIVING, ESTIMATES),
    )  # fmt: skip


def _chance_for_driving(s: Stand) -> str:
    if s.once or not s.drawn:
        return "Chance didn't decide the order of arms, so nothing keeps the driving apart from it."
    return (
        "By the study, chance decided the order of arms, so driving that differs from one "
        f"{s.unit} to the next for other reasons is in the interval; driving that changed because "
        "the add-on was in is not told from the add-on."
    )


def _beyond(facts: Driven) -> str:
    told = [n for n in facts.rows if n.holds_zero is not None]
    if facts.beyond_chance:
        return f"More than chance explains: {listed(facts.beyond_chance)}."
    if not told:
        return "These differences have no interval, so chance isn't ruled out."
    text = "None of these rows differs by more than chance explains"
    missed = [n.what for n in told if not n.holds_zero]
    if missed:
        miss = "misses" if len(missed) == 1 else "miss"
        text += f"; {listed(missed)} {miss} zero alone, as one such row in twenty does by chance"
    blunt = unseen(told)
    return f"{text}. That isn't the same as no difference: {blunt}." if blunt else f"{text}."


def _held_equal(facts: Driven, total: Number, s: Stand) -> list[str]:
    if facts.obstructed:
        return [
            "The driving can't be held equal with confidence in this study, for the reason that "
            "stands under the finding, so no firm word rests on it."
        ]
    if facts.explains_pct is None:
        return []
    lines = [
        "The result holds road, time, idling, work at the wheels and cold start equal. What they "
        f"explain of the difference is estimated at {signed(facts.explains_pct)} % of fuel; "
        f"without holding them equal the estimate is {with_bounds(total)}."
    ]
    if facts.margin_pct is not None and s.claim_pct is not None and s.bounded:
        lines.append(
            "Because holding equal is itself uncertain, a firm word has to clear the claim by "
            f"{facts.margin_pct:.2f} percentage points more than the interval does."
        )
    return lines


@dataclass(frozen=True)
class Accessory:
    """What is known of accessory time: by which source, on how many drives, and what it does."""

    time: AccessoryTime | None
    drives: int
    answered: int
    noted_off: int
    difference: Number | None

    @property
    def by_notes(self) -> bool:
        """Whether the driver's notes answer for nearly every drive, and they alone."""
        return self.time is not None and not self.time.visible and self.answered > 0


def accessory(a: Analysed) -> Accessory:
    """What logs and notes tell of air conditioning."""
    time = a.accessory
    if time is None:
        return Accessory(None, 0, 0, 0, None)
    runs = time.runs
    answered = runs["answered"].astype(bool)
    noted = pd.to_numeric(runs["noted"], errors="coerce")
    d, difference = time.difference, None
    if d is not None and math.isfinite(d.estimate):
        bounded = d.low is not None and d.high is not None and d.high > d.low
        bounded = bounded and not stand_of(a).once
        low, high = (d.low, d.high) if bounded else (None, None)
        difference = Number("time with it on", d.estimate, low, high, "points of the time", 0)
    return Accessory(
        time, len(runs), int(answered.sum()), int((noted[answered] == 0).sum()), difference
    )


def air_conditioning(a: Analysed) -> Objection:
    """It was the air conditioning."""
    facts, time = accessory(a), a.accessory
    said = "The air conditioning ran more in one arm than in the other."
    tell = (
        "Noting it for each drive (on, off, automatic), or leaving it off throughout, would tell."
    )
    source = (Source("Did an accessory run?", anchor="accessory"),) if time is not None else ()
    if time is None or not (time.visible or facts.answered):
        return Objection(
            "air-conditioning", "sceptic", said, "can't tell",
            ("Neither logs nor notes say when it ran.", tell), (), source,
        )  # fmt: skip
    if facts.by_notes:
        return Objection(
            "air-conditioning", "sceptic", said, "partly", tuple(_by_notes(facts)),
            () if facts.difference is None or facts.noted_off == facts.drives
            else (facts.difference,), source,
        )  # fmt: skip
    numbers = [] if facts.difference is None else [facts.difference]
    lines = [
        "The engine's idle shows when a large accessory ran: by that it was on for "
        + listed([f"{100 * x:.0f} % of the time {_ARM[arm]}" for arm, x in time.share.items()])
        + "."
    ]
    if facts.difference is not None:
        lines.append(
            f"Compared by {stand_of(a).unit}, as the result is, the difference is "
            f"{with_bounds(facts.difference)}."
        )
        if facts.difference.holds_zero and math.isfinite(time.worth_pct):
            lines.append(
                "It holds zero, which isn't the same as none; as estimated it would be worth "
                f"{signed(time.worth_pct)} % of fuel."
            )
    other = row_named(a, _WITHOUT if time.enters else _WITH)
    if other is not None:
        how = "not " if time.enters else ""
        n = change(f"{how}allowing for its fuel", other.interval, a.baseline.l_per_100km)
        numbers.append(n)
        took = "The result allows for its fuel" if time.enters else "Its fuel stays in the result"
        lines.append(f"{took}; {n.what} the estimate is {with_bounds(n)}.")
        lines.append(stand_of(a).by_itself(other.interval))
    if not time.confirmed:
        lines.append("The driver didn't confirm when it ran, so this rests on the idle alone.")
    whole = time.enters and facts.difference is not None and bool(facts.difference.holds_zero)
    return Objection(
        "air-conditioning", "sceptic", said, "yes" if whole else "partly",
        tuple(x for x in lines if x), tuple(numbers), source,
    )  # fmt: skip


def _by_notes(facts: Accessory) -> list[str]:
    lines = [
        f"The logs don't show when it ran; the driver's notes answer for {facts.answered} of "
        f"{counted(facts.drives, 'drive')}."
    ]
    if facts.noted_off == facts.drives:
        lines.append("By the notes it was off on all of them.")
    elif facts.difference is not None:
        lines.append(
            f"By them the time with it on differs by {with_bounds(facts.difference)} between the "
            "arms; its fuel stays in the result."
        )
    return [*lines, "That is the driver's word; nothing in this study checks it."]


@dataclass(frozen=True)
class Blind:
    """Whether the driver was kept from knowing, and the guesses that bear it out, by arm."""

    kept: bool
    guessed: int
    indices: tuple[Number, ...]


def blinded(a: Analysed) -> Blind:
    """What seal and guesses tell, without a word of the study's own."""
    b = a.blinding
    if b is None:
        return Blind(False, 0, ())
    indices = tuple(
        Number(f"guesses {_ARM[arm]} (0 is chance)", g.index, g.low, g.high, "", 2)
        for arm, g in b.guesses
        if g.index is not None
    )
    return Blind(b.blind, b.guessed, indices)


def driver_knew(a: Analysed) -> Objection:
    """The tester knew when it was in."""
    s, facts, blind = stand_of(a), driven(a), blinded(a)
    said = "The tester knew when it was in, and saw what was hoped for."
    lines = [who_knew(a)]
    if s.measured_only:
        lines.append(
            "Fuel was weighed or filled by hand, so knowing the arm could bend both the driving "
            "and the reading."
        )
    else:
        lines.append(
            "Fuel is computed by a program from the car's signals, the same way for both arms, so "
            "knowing can't bend the sum. It can bend the driving."
        )
        if facts.rows:
            lines.append("How far the driving differed is under “You drove differently”.")
    if not blind.kept:
        lines.append(
            "A driver who can't know, by a schedule that somebody else keeps sealed until the last "
            "drive, would settle it."
        )
    answered: Answered = "partly" if facts.rows or blind.kept else "can't tell"
    if blind.kept and blind.guessed:
        answered = "yes"
    return Objection(
        "knew", "sceptic", said, answered, tuple(lines), (*blind.indices, *facts.rows),
        (KNEW, DRIVING) if facts.rows else (KNEW,),
    )  # fmt: skip
