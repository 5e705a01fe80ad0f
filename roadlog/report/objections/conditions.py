"""Answers on what the car met: weather, a cold engine, fuel, tyres and load.

An `Analysed` goes in; facts, then objections with their answers, come out.
"""

import math
from dataclasses import dataclass

import pandas as pd

from roadlog.analysis.result import Analysed
from roadlog.effect.design import plain_name
from roadlog.quantities.arms import ARMS
from roadlog.quantities.tables import NOTE, REMARK
from roadlog.quantities.units import canonical_unit
from roadlog.report.objections.objection import (
    Answered,
    Number,
    Objection,
    Source,
    counted,
    listed,
    unseen,
    with_bounds,
)
from roadlog.report.objections.stand import Stand, stand_of

CONDITIONS = Source("conditions_by_arm in results.json", file="results.json")
ALONG = Source("Was anything else switched along with the arm?", anchor="units")
WEATHER = Source("Weather, and what the driver knew", anchor="weather")
CLOSURE = Source("Checked against fuel weighed or filled", anchor="closure")
_WEATHER = {
    "ambient_c": "the air's temperature",
    "headwind_m_s": "headwind over all drives",
    "wet_road": "rain",
}
_SHORT = {"ambient_c": "temperature", "headwind_m_s": "wind", "wet_road": "rain"}
_WRITTEN = {"kpa": "kPa", "mpa": "MPa", "°c": "°C", "°f": "°F"}  # units as pages write them
_RAIN_NOTES = ("wet", "rain")  # in the names of noted columns, yes or no
_TYRES = ("tyre", "tire", "pressure")  # in the names of noted columns
_LOAD = ("load", "passenger", "mass", "weight", "luggage")
LISTED_BATCHES = 6


@dataclass(frozen=True)
class Met:
    """One quantity by arm: in words, its column, and whether its bounds miss zero beyond 5 %."""

    column: str
    number: Number
    missed: bool
    same: bool  # in every switch unit

    @property
    def told(self) -> str:
        """How the arms compare, in words."""
        if self.same:
            return f"{self.number.what} was the same"
        return f"{self.number.what} differed by {with_bounds(self.number)}"


def met(a: Analysed, columns: dict[str, str]) -> list[Met]:
    """The quantities among these columns that both arms' switch units tell."""
    table = a.effect.conditions
    found = []
    for r in table.to_dict("records") if len(table) else ():
        name = columns.get(str(r["what"]))
        if name is None:
            continue
        unit, factor = str(r["unit"]), 1.0
        if not unit:
            unit, factor = _unit_of_note(str(r["what"]))
        low, high = factor * r["low"], factor * r["high"]
        bounded = math.isfinite(low) and math.isfinite(high)
        ends = (low, high) if bounded else (None, None)
        digits = 2 if unit == "MJ/kg" else 1
        n = Number(name, factor * r["difference"], ends[0], ends[1], unit, digits)
        same = n.value == 0 and not bounded and not stand_of(a).once
        found.append(Met(str(r["what"]), n, n.holds_zero is False, same))
    return found


def _unit_of_note(column: str) -> tuple[str, float]:
    """Unit of a noted number, by its column's last word, and its factor; a yes or no is a share."""
    if any(w in column for w in _RAIN_NOTES):
        return "% of the days", 100.0
    unit = canonical_unit(column.split("_")[-1]) or ""
    return _WRITTEN.get(unit, unit), 1.0


def in_order(s: Stand) -> str:
    """What the order of arms does against anything that changes from day to day."""
    if s.once:
        return (
            "The add-on was switched once, so whatever changed at that time can't be told from it."
        )
    if not s.drawn:
        return (
            "Chance didn't decide the order of arms, so what changed over the weeks may go with "
            "the add-on; a smooth change over time is kept out as far as there are switches enough "
            "to tell it, a sudden one isn't."
        )
    if not s.bounded:
        return "Chance decided the order of arms, but there are too few switches for an interval."
    return (
        "By the study, chance decided the order of arms, so whatever differs from one "
        f"{s.unit} to the next, known or not, was as likely in either arm; how far that can move "
        "the estimate is in the interval."
    )


def weather(a: Analysed) -> Objection:
    """It was the weather."""
    s, facts = stand_of(a), met(a, _WEATHER | _noted_rain(a))
    said = "It was the weather: warmer days, less wind, a dry road."
    if s.measured_only or not facts:
        answered: Answered = "partly" if s.drawn and s.bounded and not s.once else "can't tell"
        return Objection(
            "weather", "sceptic", said, answered,
            (
                "The weather of the drives isn't known in both arms, and nothing is allowed for.",
                in_order(s),
                "Logs of the drives, and the weather of a nearby station beside them, would tell.",
            ),
            (), (WEATHER,),
        )  # fmt: skip
    known = {m.column if m.column in _WEATHER else "wet_road" for m in facts}
    numbers = tuple(m.number for m in facts)
    lines = [
        "With the add-on in, " + listed([m.told for m in facts]) + ".",
        _alike(facts),
        _allowed(a, known),
        _met_by_both(a),
        in_order(s),
    ]
    whole = s.drawn and s.bounded and not s.once and not any(m.missed for m in facts)
    return Objection(
        "weather", "sceptic", said,
        "yes" if whole and known == set(_WEATHER) else "partly",
        tuple(x for x in lines if x), numbers, (CONDITIONS, ALONG),
    )  # fmt: skip


def _met_by_both(a: Analysed) -> str:
    """What a control car says of the weather; empty without one."""
    c = a.control
    if c is None or c.difference is None:
        return ""
    own = c.difference.control_alone
    return (
        "A second car without the add-on drove on the same days and road: between the arms its "
        f"fuel use changed by {own.estimate:+.1f} %, and that is taken off the test car's change."
    )


def _noted_rain(a: Analysed) -> dict[str, str]:
    """Noted columns that say whether the road was wet, in words."""
    return {
        str(c): f"{plain_name(str(c))} (noted)"
        for c in a.passes.columns
        if str(c).startswith((NOTE, REMARK)) and any(w in str(c) for w in _RAIN_NOTES)
    }


def _alike(facts: list[Met]) -> str:
    missed = [m.number.what for m in facts if m.missed]
    if missed:
        return f"{_capital(listed(missed))} differed by more than one comparison in twenty does."
    blunt = unseen([m.number for m in facts])
    told = [m for m in facts if m.number.holds_zero]
    holds = "That holds" if len(told) == 1 else "These hold"
    return f"{holds} zero, which isn't the same as alike: {blunt}." if blunt else ""


def _allowed(a: Analysed, known: set[str]) -> str:
    parts = []
    if "ambient_c" in known:
        parts.append("temperature is allowed for by fixed rules of physics")
    if "headwind_m_s" in known:
        parts.append("a station's wind is part of the work at the wheels")
    lacking = [name for column, name in _SHORT.items() if column not in known]
    if "wet_road" in known:
        parts.append("rain is known and not allowed for")
    text = f"{_capital('; '.join(parts))}." if parts else ""
    if lacking:
        text += f" Not known for all drives: {listed(lacking)}."
    margin = a.finding.margin_pct
    if margin is not None and "ambient_c" in known:
        text += (
            " What the rules may be off by is in the margin that a firm word has to clear "
            f"({margin:.2f} points)."
        )
    return text.strip()


def cold_engine(a: Analysed) -> Objection:
    """The engine was cold in one arm."""
    s, facts = stand_of(a), met(a, {"coolant_start_c": "coolant at the start"})
    said = "The engine was colder in one arm than in the other."
    if not facts:
        return Objection(
            "cold-engine", "sceptic", said,
            "partly" if s.drawn and s.bounded and not s.once else "can't tell",
            (
                "How warm the engine was at the start isn't known in both arms.",
                in_order(s),
                "Coolant temperature in the logs would tell.",
            ),
        )  # fmt: skip
    one = facts[0]
    terms = a.effect.coefficients["term"].astype(str) if len(a.effect.coefficients) else ()
    allowed = "cold start" in set(terms)
    lines = [
        f"With the add-on in, the coolant at the start of a drive differed by "
        f"{with_bounds(one.number)}.",
        _alike(facts),
        "Fuel for warming up is part of expected fuel, by the temperature at the start alone."
        if allowed
        else "Fuel for warming up isn't allowed for by itself.",
    ]
    ok = allowed and not one.missed and s.bounded and not s.once
    return Objection(
        "cold-engine", "sceptic", said, "yes" if ok else "partly",
        tuple(x for x in lines if x), (one.number,),
        (CONDITIONS, Source("The model", anchor="model")),
    )  # fmt: skip


@dataclass(frozen=True)
class Tanks:
    """What is known of the fuel: batches by arm, their energy, and tanks that both arms burned."""

    declared: str
    by_batch: tuple[tuple[str, int, int], ...]  # batch, switch units of baseline and fitted
    described: int
    energy: Number | None
    tanks: int
    shared_tanks: int

    @property
    def batch_of_one_arm(self) -> bool:
        """Whether no batch was burned in both arms."""
        return bool(self.by_batch) and all(0 in (b, f) for _, b, f in self.by_batch)


def tanks(a: Analysed) -> Tanks:
    """Which fuel each arm burned, as far as notes, fills and study say."""
    used = a.passes[a.passes["used"].astype(bool)]
    column = next((c for c in used.columns if "batch" in str(c)), None)
    by_batch: list[tuple[str, int, int]] = []
    if column is not None:
        batch = used[column].astype(object)
        named = used.assign(of=batch.where(batch.notna(), "").astype(str).str.strip())
        for name, mine in named[named["of"] != ""].groupby("of"):
            counts = mine.groupby("arm")["switch_unit"].nunique()
            by_batch.append((str(name), *(int(counts.get(arm, 0)) for arm in ARMS)))  # type: ignore[arg-type]
    energy = next(iter(met(a, {"fuel_lhv_mj_kg": "the fuel's energy"})), None)
    table = pd.DataFrame() if a.closed is None else a.closed.tanks
    both = 0
    if len(table):
        both = int(((table["computed_baseline_l"] > 0) & (table["computed_fitted_l"] > 0)).sum())
    return Tanks(
        a.study.vehicle.fuel, tuple(by_batch), len(a.study.batches),
        None if energy is None else energy.number, len(table), both,
    )  # fmt: skip


def other_fuel(a: Analysed) -> Objection:
    """It was another tank, or the wrong fuel."""
    s, facts = stand_of(a), tanks(a)
    said = "It was another tank of fuel, or the wrong fuel."
    said_so = "fuel" in a.study.vehicle.model_fields_set
    lines = [f"The study {'declares' if said_so else 'assumes'} {facts.declared} for all drives."]
    if facts.by_batch:
        lines.append(
            "By the notes, "
            + listed(
                [
                    f"batch {n} was in the tank on {b} + {f} {s.many}"
                    for n, b, f in facts.by_batch[:LISTED_BATCHES]
                ]
            )
            + " (without + with the add-on)."
        )
    if facts.tanks:
        lines.append(
            f"{facts.shared_tanks} of {counted(facts.tanks, 'tank')} between full fills "
            f"{'was' if facts.shared_tanks == 1 else 'were'} burned in both arms."
        )
    lines.append(_energy(facts))
    if facts.batch_of_one_arm:
        lines.append("No batch was burned in both arms, so batch and add-on can't be told apart.")
    else:
        lines.append(in_order(s))
    lines.append("Octane isn't known to this study: the fuel's receipts would tell.")
    shared = bool(facts.shared_tanks) or any(b and f for _, b, f in facts.by_batch)
    answered: Answered = "partly" if shared or (s.drawn and s.bounded) else "can't tell"
    if facts.batch_of_one_arm or s.once:
        answered = "can't tell"
    return Objection(
        "fuel", "seller", said, answered, tuple(lines),
        () if facts.energy is None or not facts.described else (facts.energy,),
        (CLOSURE, ALONG) if facts.tanks else (ALONG,),
    )  # fmt: skip


def _energy(facts: Tanks) -> str:
    if not facts.described:
        return (
            "No batch's energy is described, so all fuel counts as the same; one delivery may hold "
            "a percent or two more energy than another."
        )
    if facts.energy is None or facts.energy.value == 0:
        return "The batches are described, and fuel is counted by its energy."
    return (
        "The batches are described, and fuel is counted by its energy, which differed between the "
        f"arms by {with_bounds(facts.energy)}."
    )


def tyres_and_load(a: Analysed) -> Objection:
    """The tyres or the load were different."""
    s = stand_of(a)
    names = {
        str(c): plain_name(str(c))
        for c in a.passes.columns
        if str(c).startswith((NOTE, REMARK)) and any(w in str(c) for w in (*_TYRES, *_LOAD))
    }
    facts = met(a, names)
    said = "The tyres or the load were different."
    if not facts:
        return Objection(
            "tyres", "sceptic", said,
            "partly" if s.drawn and s.bounded and not s.once else "can't tell",
            (
                "No tyre pressure and no load was noted for all drives.",
                in_order(s),
                "Noting both each morning would tell.",
            ),
        )  # fmt: skip
    numbers = tuple(m.number for m in facts)
    lines = [
        "By the driver's notes, with the add-on in " + listed([m.told for m in facts]) + ".",
        _alike(facts),
        f"Expected fuel doesn't allow for them.{_not_noted(facts)}",
        in_order(s),
    ]
    return Objection(
        "tyres", "sceptic", said, "partly", tuple(x for x in lines if x), numbers,
        (CONDITIONS, ALONG),
    )  # fmt: skip


def _not_noted(facts: list[Met]) -> str:
    """Which of tyres and load wasn't noted for all drives."""
    lacking = [
        name
        for name, words in (("tyre pressure", _TYRES), ("load", _LOAD))
        if not any(w in m.column for m in facts for w in words)
    ]
    return f" Not noted for all drives: {lacking[0]}." if lacking else ""


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
