"""Answers on time: the add-on needs more kilometres, or leaves something behind.

An `Analysed` goes in; facts, then objections with their answers, come out. A row that doesn't hold
zero is explained: what it may mean, how many such rows chance alone makes, and what it would do to
the finding.
"""

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from roadlog.analysis.result import Analysed
from roadlog.effect.carry_over import AFTER_FITTED, AT_THE_END, BY_DISTANCE, PER_100_KM
from roadlog.effect.design import plain_name
from roadlog.report.objections.objection import (
    Answered,
    Number,
    Objection,
    Source,
    change,
    counted,
    listed,
    with_bounds,
)
from roadlog.report.objections.stand import Stand, row_named, stand_of
from roadlog.stats.interval import Interval
from roadlog.wording.numbers import number

OUTLAST = Source("Does its effect outlast taking it out?", anchor="units")
BUILD_UP = Source("build_up_pct in results.json", file="results.json")
ESTIMATES = Source("All estimates beside one another", anchor="intervals")
PREVIOUS = "previous arm held equal"
ONE_IN = 20  # comparisons whose 95 % bounds miss zero by chance


@dataclass(frozen=True)
class Kilometres:
    """How far the car went with the add-on in, by the logs, and how the effect went with it.

    `at_once_km` is the longest stretch between two drives without it, NaN where a drive has no
    date.
    """

    logged_km: float
    at_once_km: float
    washout_km: float
    within: Number | None
    over_study: Number | None
    at_the_end: Interval | None
    end_km: float


def kilometres(a: Analysed) -> Kilometres:
    """Distance with the add-on in, and the effect against it."""
    dated = bool(a.runs["start"].notna().all())
    runs = a.runs.sort_values("start", kind="stable") if dated else a.runs
    fitted = (runs["arm"] == "fitted").to_numpy()
    km = runs["km"].fillna(0.0).to_numpy(dtype=float)
    stretch = pd.Series(fitted).ne(pd.Series(fitted).shift()).cumsum().to_numpy()
    at_once = pd.Series(km[fitted]).groupby(stretch[fitted]).sum()
    rows = _rows(a)
    end = rows.get(AT_THE_END)
    return Kilometres(
        logged_km=float(km[fitted].sum()),
        at_once_km=float(at_once.max()) if len(at_once) and dated else math.nan,
        washout_km=a.study.device.washout_km,
        within=_number(rows.get(BY_DISTANCE), "for each 10 km since the switch"),
        over_study=_number(rows.get(PER_100_KM), "for each 100 km with the add-on in"),
        at_the_end=None if end is None or _interval(end).low is None else _interval(end),
        end_km=float("nan") if end is None else float(end["km"]),
    )


def _rows(a: Analysed) -> dict[str, Mapping[Hashable, Any]]:
    """Rows of carry-over and build-up by name; without bounds where the arm changed but once."""
    once = stand_of(a).once
    tables = [
        t.assign(low=math.nan, high=math.nan) if once else t
        for t in (a.effect.carry_over, a.effect.build_up)
        if len(t)
    ]
    return {str(r["what"]): r for t in tables for r in t.to_dict("records")}


def _number(row: Mapping[Hashable, Any] | None, what: str) -> Number | None:
    if row is None:
        return None
    i = _interval(row)
    return Number(what, i.estimate, i.low, i.high, "% of fuel")


def _interval(row: Mapping[Hashable, Any]) -> Interval:
    estimate, low, high = (float(str(row[k])) for k in ("estimate", "low", "high"))
    if not (math.isfinite(low) and math.isfinite(high)):
        return Interval(estimate, None, None)
    return Interval(estimate, low, high)


def needs_more_kilometres(a: Analysed) -> Objection:
    """It needs more kilometres before it works."""
    s, facts = stand_of(a), kilometres(a)
    said = "It needs more kilometres before it works; the engine has to learn it."
    lines = [
        f"The study holds {facts.logged_km:,.0f} km with the add-on in{_at_once(facts)}; what "
        "wasn't logged or written down comes on top."
    ]
    if facts.washout_km > 0:
        lines.append(
            f"The first {facts.washout_km:g} km of each {s.unit} were set aside, as declared."
        )
    numbers = [n for n in (facts.within, facts.over_study) if n is not None]
    told = [n for n in numbers if n.holds_zero is not None]
    lines += [f"The effect is estimated to change by {with_bounds(n)} {n.what}." for n in numbers]
    if told:
        lines.append(_growing(told))
    if facts.at_the_end is not None:
        end = change(
            f"effect after {facts.end_km:,.0f} km compared", facts.at_the_end,
            a.baseline.l_per_100km,
        )  # fmt: skip
        numbers.append(end)
        lines.append(
            f"On a straight line through the {s.many}, the effect at the end, after "
            f"{facts.end_km:,.0f} km compared with the add-on in, is estimated at "
            f"{with_bounds(end)}."
        )
        lines.append(s.by_itself(facts.at_the_end))
    if not numbers:
        lines.append("Whether the effect grows with distance can't be told from these drives.")
    lines.append(
        f"What comes after more than {_in_a_row(facts)} this study can't tell. "
        "If the seller names a distance, driving it with the add-on in before the first compared "
        "drive would tell."
    )
    return Objection(
        "kilometres", "seller", said, "partly" if told else "can't tell",
        tuple(x for x in lines if x), tuple(numbers), (OUTLAST, BUILD_UP),
    )  # fmt: skip


def _at_once(facts: Kilometres) -> str:
    if not math.isfinite(facts.at_once_km):
        return ""
    return f", at most {facts.at_once_km:,.0f} km of them between two drives without it"


def _in_a_row(facts: Kilometres) -> str:
    if not math.isfinite(facts.at_once_km):
        return "that"
    return f"{facts.at_once_km:,.0f} km in a row"


def _growing(told: list[Number]) -> str:
    savings = [n for n in told if n.high is not None and n.high < 0]
    against = [n for n in told if n.low is not None and n.low > 0]
    if savings:
        text = f"A saving that grows {listed([n.what for n in savings])} shows beyond zero here"
    elif against:
        text = (
            "No saving that grows shows here; the other way, more fuel "
            f"{listed([n.what for n in against])}, does beyond zero"
        )
    else:
        return (
            "These hold zero, which isn't the same as no growth: the bounds leave room for a "
            "saving that grows by up to "
            + listed([f"{number(-float(n.low or 0.0), 2)} % of fuel {n.what}" for n in told])
            + "."
        )
    return f"{text}; chance alone makes one such row in {ONE_IN}."


@dataclass(frozen=True)
class Checks:
    """The comparisons beside the result that ought to hold zero, and those that don't."""

    made: int
    missed: tuple[str, ...]

    @property
    def by_chance(self) -> float:
        """How many chance alone makes miss zero."""
        return self.made / ONE_IN

    @property
    def beyond_chance(self) -> bool:
        """Whether chance makes so many in under one study of twenty, were they independent."""
        n, p = self.made, 1 / ONE_IN
        fewer = sum(math.comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(len(self.missed)))
        return 1 - fewer < p


def checks(a: Analysed) -> Checks:
    """Every comparison with bounds that is made beside the result and should hold zero."""
    if stand_of(a).once:
        return Checks(0, ())
    tables = [
        (a.effect.carry_over, "what", ""),
        (a.effect.build_up.iloc[:1], "what", ""),
        (a.effect.outcomes_by_arm, "outcome", " (driving)"),
        (a.effect.conditions, "what", " (conditions)"),
    ]
    if a.evidence is not None:
        tables.append((a.evidence.table, "clue", " (signals)"))
    if len(a.effect.road_speed) > 1:
        tables.append((a.effect.road_speed.iloc[-1:], "road", " (road)"))
    made, missed = 0, []
    for table, name, kind in tables:
        for r in table.to_dict("records") if len(table) else ():
            low, high = float(r["low"]), float(r["high"])
            if not (math.isfinite(low) and math.isfinite(high)):
                continue
            made += 1
            if not low <= 0 <= high:
                missed.append(plain_name(str(r[name])) + kind)
    return Checks(made, tuple(missed))


def carry_over(a: Analysed) -> Objection:
    """It leaves something behind, so the drives without it gained too."""
    s = stand_of(a)
    said = "It leaves something behind, so the drives without it gained from it too."
    rows = _rows(a)
    after, within = rows.get(AFTER_FITTED), rows.get(BY_DISTANCE)
    said_so = "carry_over" in a.study.device.model_fields_set
    verb = "declares" if said_so else "doesn't say otherwise, so it is assumed"
    declared = {
        "none": "that nothing stays behind when it is taken out",
        "washes out": "that what stays behind when it is taken out washes out",
        "permanent": "that what it does stays when it is taken out",
    }[a.study.device.carry_over]
    lines = [f"The study {verb} {declared}."]
    numbers: list[Number] = []
    if after is None:
        lines.append(
            "The order of arms can't tell the arm before from the arm itself, or there are too few "
            f"{s.many} for it."
        )
    else:
        numbers.append(change("after the add-on was in", _interval(after), a.baseline.l_per_100km))
        lines.append(
            f"After a {s.unit} with the add-on in, fuel use changed by an estimated "
            f"{with_bounds(numbers[0])}, whatever the arm then."
        )
    if within is not None:
        n = _number(within, "for each 10 km since the switch")
        assert n is not None
        numbers.append(n)
        lines.append(f"The effect is estimated to change by {with_bounds(n)} {n.what}.")
    lines += _explained(a, s, numbers, after is not None)
    if a.study.device.carry_over == "permanent" or after is None:
        lines.append(
            "Driving without it from before it was first fitted, or beside a car that never had "
            "it, would tell."
        )
    told = [n for n in numbers if n.holds_zero is not None]
    return Objection(
        "carry-over", "seller", said,
        "partly" if after is not None and told and a.study.device.carry_over != "permanent"
        else "can't tell",
        tuple(x for x in lines if x), tuple(numbers), (OUTLAST, ESTIMATES),
    )  # fmt: skip


def _explained(a: Analysed, s: Stand, numbers: list[Number], previous: bool) -> list[str]:
    """What a row beyond zero may mean and would do; what rows that hold zero may have missed."""
    told = [n for n in numbers if n.holds_zero is not None]
    missed = [n for n in told if not n.holds_zero]
    lines = []
    if missed:
        lines.append(
            f"{_these(missed)} beyond zero. It may be chance; it may be an effect that stays in "
            "the car or builds up; or something else that changes along a drive and differed "
            "between the arms, such as traffic or warming up. If it stays in the car, both arms "
            "hold part of it, and the result shows less of it than there is."
        )
    elif told:
        lines.append(
            "That holds zero, which isn't the same as nothing left behind: "
            + listed(
                [f"up to {max(abs(n.low or 0.0), abs(n.high or 0.0)):.1f} % {n.what}" for n in told]
            )
            + " could have gone unseen."
        )
    found = checks(a)
    if told and found.made:
        lines.append(
            f"{counted(found.made, 'such comparison')} "
            f"{'is' if found.made == 1 else 'are'} made beside the result; chance alone makes "
            f"about {found.by_chance:.1f} of them miss zero, and {_missing(found)}."
            f"{_too_many(found)}"
        )
    row = row_named(a, PREVIOUS) if previous else None
    if row is not None:
        n = change("with the arm before held equal", row.interval, a.baseline.l_per_100km)
        numbers.append(n)
        lines.append(f"With the arm before held equal, the effect is {with_bounds(n)}.")
        lines.append(s.by_itself(row.interval))
    if missed:
        lines.append(_straight_line(a))
    return lines


def _missing(found: Checks) -> str:
    """How many miss zero, and which."""
    n = len(found.missed)
    if not n:
        return "none does"
    return f"{n} {'does' if n == 1 else 'do'}: {listed(found.missed)}"


def _too_many(found: Checks) -> str:
    """That chance hardly explains so many, '' where it does."""
    if not found.beyond_chance:
        return ""
    return (
        " That is more than chance alone is likely to make, although such comparisons hang "
        "together: something besides the add-on differed between the arms, or the add-on moved "
        "what was compared."
    )


def _these(missed: list[Number]) -> str:
    names = listed([n.what for n in missed])
    return f"The row “{names}” lies" if len(missed) == 1 else f"The rows “{names}” lie"


def _straight_line(a: Analysed) -> str:
    """The effect at both ends of a switch unit on the line of `BY_DISTANCE`, '' where unknown."""
    rows = _rows(a)
    used = a.passes[a.passes["used"].astype(bool) & (a.passes["arm"] == "fitted")]
    if BY_DISTANCE not in rows or "km_since_switch" not in used or used.empty:
        return ""
    slope = float(rows[BY_DISTANCE]["estimate"]) / 10
    km = used["km_since_switch"].to_numpy(dtype=float)
    if not math.isfinite(float(km.sum())):
        return ""
    middle = float((km * used["fuel_ml"]).sum() / used["fuel_ml"].sum())
    first, last = (a.effect.primary.estimate + slope * (x - middle) for x in (0.0, km.max()))
    return (
        f"A straight line through that row puts the effect at about {first:+.1f} % right after the "
        f"switch and {last:+.1f} % {km.max():.0f} km later; these are readings off a line, without "
        f"bounds, and no part of the finding.{_meets(a, first, last)}"
    )


def _meets(a: Analysed, first: float, last: float) -> str:
    """Whether either reading meets the claim."""
    claim = stand_of(a).claim_pct
    if claim is None:
        return ""
    meeting = [x for x in (first, last) if x <= claim]
    if len(meeting) == 1:
        return f" One of them meets the claim ({claim:+.1f} % fuel), the other doesn't."
    return f" {'Both meet' if meeting else 'Neither meets'} the claim ({claim:+.1f} % fuel)."


def looked_often(a: Analysed) -> Objection:
    """With so many numbers, one always looks like something."""
    found = checks(a)
    said = "Print enough numbers, and one of them always looks like something."
    if not found.made:
        lines: tuple[str, ...] = (
            "No comparison with bounds is made beside the result, so none can look like much.",
        )
    else:
        lines = (
            f"{counted(found.made, 'comparison')} with bounds "
            f"{'is' if found.made == 1 else 'are'} made beside the result that ought to hold "
            f"zero if nothing but the add-on differed. Chance alone makes about "
            f"{found.by_chance:.1f} of them miss it; here {_missing(found)}.{_too_many(found)}",
            "None of them decides the finding: one estimate does, the first of all, and which one "
            "it is was written into the program before any data.",
        )
    answered: Answered = "partly" if found.made and found.beyond_chance else "yes"
    return Objection("many-numbers", "sceptic", said, answered, lines, (), (ESTIMATES, OUTLAST))
