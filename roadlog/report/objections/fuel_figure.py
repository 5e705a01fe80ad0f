"""Answers on the fuel figure: the logger can't see it, the add-on bends a sensor.

An `Analysed` goes in; facts, then objections with their answers, come out.
"""

import math
from dataclasses import dataclass

from roadlog.analysis.result import Analysed
from roadlog.fuel.sight import Sight, sight_of
from roadlog.report.objections.objection import (
    Answered,
    Number,
    Objection,
    Source,
    counted,
    listed,
    with_bounds,
)
from roadlog.report.objections.stand import stand_of
from roadlog.wording.numbers import ends_of, signed

FIGURE = Source("The fuel figure", anchor="fuel")
CLOSURE = Source("Checked against fuel weighed or filled", anchor="closure")
EVIDENCE = Source("Do the car's own signals look bent?", anchor="evidence")
_PLACES = {
    "intake": "the intake",
    "fuel": "the fuel",
    "oxygen-sensor": "an oxygen sensor",
    "electrical": "the electrical system",
    "aero-or-rolling": "air drag or rolling",
    "other": "neither intake nor fuel nor sensors",
}


@dataclass(frozen=True)
class Figure:
    """What the fuel figure is worth for this add-on.

    `verdict` is how it compares with fuel weighed or filled, None where none was held against it;
    `gap` the arms' difference by that; `beside` what other figures of the same logs say.
    """

    name: str
    place: str | None
    sight: Sight | None
    trims_logged: bool
    verdict: str | None
    gap: Number | None
    beside: tuple[Number, ...]
    ambiguity_pct: float


def figure(a: Analysed) -> Figure:
    """What is known of the fuel figure."""
    name, place = a.fuel_estimator, a.study.device.acts_on
    measured = name == "ledger"
    gap = None
    if a.closed is not None and math.isfinite(a.closed.gap.estimate):
        ends = ends_of(a.closed.gap)
        low, high = (None, None) if ends is None else ends
        gap = Number("fuel burned per fuel computed", a.closed.gap.estimate, low, high)
    clues = set() if a.evidence is None else set(a.evidence.table.get("name", ()))
    others = a.estimators[a.estimators["available"].astype(bool) & (a.estimators["name"] != name)]
    return Figure(
        name=name,
        place=place,
        sight=None if measured else sight_of(place, name),
        trims_logged="trim1" in clues,
        verdict=None if a.closed is None else a.closed.verdict,
        gap=gap,
        beside=tuple(
            Number(f"by {r['name']}, as driven", float(r["change_pct"]))
            for r in others.to_dict("records")
            if math.isfinite(float(r["change_pct"]))
        ),
        ambiguity_pct=a.ambiguity_pct,
    )


def logger_cannot_see(a: Analysed) -> Objection:
    """Your logger can't see the saving."""
    facts = figure(a)
    said = "Your logger can't see the saving; only the pump can."
    if facts.sight is None:
        return Objection(
            "logger", "seller", said, "yes",
            (
                "No logger was asked: the fuel was weighed or filled, and divided by the distance "
                "driven. A saving of fuel has to show there, within the interval.",
            ),
            (), (FIGURE,),
        )  # fmt: skip
    answered, lines = _sees(a, facts, facts.sight)
    if math.isfinite(facts.ambiguity_pct):
        lines.append(
            "Moments in which fuel may have been cut or flowing are counted half-way; counted "
            f"wholly one way or the other they move the effect by {facts.ambiguity_pct:.2f} "
            "percentage points."
        )
    numbers = [] if facts.gap is None else [facts.gap]
    if facts.beside:
        numbers += facts.beside
        lines.append(
            "Other ways to compute fuel from the same logs, nothing else held equal, give "
            + listed(
                [f"{signed(n.value)} % {n.what.removesuffix(', as driven')}" for n in facts.beside]
            )
            + "; they have no bounds of their own."
        )
    return Objection(
        "logger", "seller", said, answered, tuple(lines), tuple(numbers), (FIGURE, CLOSURE)
    )


def _sees(a: Analysed, facts: Figure, sight: Sight) -> tuple[Answered, list[str]]:
    """Whether the figure follows real fuel for this add-on, and by what that is shown."""
    where = (
        "the study doesn't say where the add-on acts"
        if facts.place is None
        else f"the add-on is declared to act on {_PLACES[facts.place]}"
    )
    lines = [f"Fuel is computed from the car's signals ({facts.name}), and {where}."]
    by_fuel = _by_measured_fuel(facts)
    if facts.verdict == "agrees":
        return "yes", [*lines, by_fuel]
    diesel = a.study.vehicle.fuel == "diesel" and sight.diesel_follows
    if facts.verdict == "gap":
        lines += [by_fuel, "So the computed figure isn't to be trusted here, and no firm word is."]
        return "partly", lines
    if sight.follows == "yes" or diesel:
        lines.append(
            "An add-on that acts there leaves the signals alone that this figure is made of, so a "
            "saving of fuel would show in it; that rests on the declaration being right."
        )
        return "partly", [*lines, by_fuel]
    if sight.follows == "with trims" or sight.trims_close:
        lines.append(
            f"{_capital(sight.why)}."
            if sight.why
            else "The figure alone may not show what such an add-on does."
        )
        lines.append(
            "The trims are in the logs and are part of what the finding is held to; they show what "
            "the engine's controller corrects, not what it neither sees nor corrects."
            if facts.trims_logged
            else "The trims that would show it aren't in the logs."
        )
        return ("partly" if facts.trims_logged else "can't tell"), [*lines, by_fuel]
    if sight.why:
        lines.append(f"{_capital(sight.why)}.")
    lines.append("This figure can't show what such an add-on does.")
    return "can't tell", [*lines, by_fuel]


def _by_measured_fuel(facts: Figure) -> str:
    if facts.verdict is None:
        return "No fuel was weighed or filled against it; weighed cans in each arm would tell."
    gap = "" if facts.gap is None else f" by {with_bounds(facts.gap)}"
    if facts.verdict == "agrees":
        return (
            f"Held against fuel weighed or filled, the arms differ{gap}: it agrees, within these "
            "bounds."
        )
    if facts.verdict == "gap":
        return f"Held against fuel weighed or filled, the arms differ{gap}: they don't agree."
    if facts.verdict == "uninformative":
        return (
            f"Fuel weighed or filled is too little to check it: by it the arms differ{gap}, which "
            "is no agreement. Weighed cans in each arm would tell."
        )
    return (
        "No fill or can could be held against it; weighed cans in each arm, or fills at each "
        "switch, would tell."
    )


@dataclass(frozen=True)
class Clues:
    """The car's own signals by arm: all of them, and those that differ beyond chance."""

    rows: tuple[Number, ...]
    flagged: tuple[str, ...]
    explained: tuple[str, ...]


def clues(a: Analysed) -> Clues:
    """Evidence of a bent signal; `explained` are those that such an add-on may move anyway."""
    if a.evidence is None or not len(a.evidence.table):
        return Clues((), (), ())
    sight = None if a.fuel_estimator == "ledger" else sight_of(
        a.study.device.acts_on, a.fuel_estimator
    )  # fmt: skip
    rows, flagged, explained = [], [], []
    once = stand_of(a).once
    for r in a.evidence.table.to_dict("records"):
        low, high = float(r["low"]), float(r["high"])
        bounded = math.isfinite(low) and math.isfinite(high) and not once
        name, unit = str(r["clue"]), str(r["unit"])
        ends = (low, high) if bounded else (None, None)
        rows.append(Number(name, float(r["difference"]), ends[0], ends[1], unit, 2))
        if r["flagged"] and not once:
            flagged.append(str(r["clue"]))
            if sight is not None and r["name"] in sight.explained:
                explained.append(str(r["clue"]))
    return Clues(tuple(rows), tuple(flagged), tuple(explained))


def sensor_bent(a: Analysed) -> Objection:
    """The add-on bends a sensor, and the saving is in the signals alone."""
    s, facts, fuel = stand_of(a), clues(a), figure(a)
    said = "The add-on bends a sensor: the car's signals change, the fuel doesn't."
    if s.measured_only:
        return Objection(
            "bent", "sceptic", said, "yes",
            ("The fuel was weighed or filled, so no sensor of the car's is in the result.",),
            (), (FIGURE,),
        )  # fmt: skip
    closes = fuel.verdict == "agrees"
    if not facts.rows:
        return Objection(
            "bent", "sceptic", said, "yes" if closes else "can't tell",
            (
                "The logs hold no trims, mixture or air signals to look at.",
                _by_measured_fuel(fuel),
            ),
            () if fuel.gap is None else (fuel.gap,), (CLOSURE,),
        )  # fmt: skip
    lines = [
        f"{counted(len(facts.rows), 'signal')} that a bent sensor would move "
        f"{'was' if len(facts.rows) == 1 else 'were'} compared between the arms.",
        _flagged(facts),
        "What they can't show is a bend that the engine's controller neither sees nor corrects, or "
        "one that sensor and correction share; measured fuel shows those.",
        _by_measured_fuel(fuel),
    ]
    numbers = (*facts.rows, *(() if fuel.gap is None else (fuel.gap,)))
    return Objection(
        "bent", "sceptic", said, "yes" if closes and not facts.flagged else "partly",
        tuple(lines), numbers, (EVIDENCE, CLOSURE),
    )  # fmt: skip


def _flagged(facts: Clues) -> str:
    if not facts.flagged:
        told = [n for n in facts.rows if n.holds_zero is not None]
        if not told:
            return "None of them has bounds, so chance isn't ruled out."
        return (
            "None differs by more than chance explains, which isn't the same as no difference: how "
            "far each could differ unseen stands below."
        )
    text = f"More than chance explains: {listed(facts.flagged)}."
    odd = [c for c in facts.flagged if c not in facts.explained]
    if not odd:
        return (
            f"{text} An add-on that acts where this one is declared to act may move that without "
            "bending the fuel figure."
        )
    return f"{text} That the fuel figure was bent with it can't be ruled out by these signals."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
