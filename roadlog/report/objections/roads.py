"""Answers on where and with what: only slow or only fast roads, one route, only this car.

An `Analysed` goes in; facts, then objections with their answers, come out.
"""

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from roadlog.analysis.result import Analysed
from roadlog.effect.road_speed import BOUNDS_KMH, FAST_LESS_SLOW
from roadlog.report.objections.objection import (
    Number,
    Objection,
    Source,
    change,
    counted,
    listed,
    with_bounds,
)
from roadlog.report.objections.stand import stand_of
from roadlog.stats.interval import Interval

BY_SPEED = Source("road_speed_pct in results.json", file="results.json")
ROAD = Source("Where on the road", anchor="map")
_NAMES = {"slow": "slow road", "middle": "middling road", "fast": "fast road"}
_SPEEDS = {
    "slow": f"under {BOUNDS_KMH[0]:.0f} km/h on average",
    "middle": f"{BOUNDS_KMH[0]:.0f} to {BOUNDS_KMH[1]:.0f} km/h",
    "fast": f"from {BOUNDS_KMH[1]:.0f} km/h",
}
_ROADS = {road: f"{name} ({_SPEEDS[road]})" for road, name in _NAMES.items()}


@dataclass(frozen=True)
class Roads:
    """The classes of road that both arms drove, each with its effect, and how far they are apart.

    `use` is what the baseline used on each [L/100 km]; `from_kmh` and `to_kmh` are the average
    speeds of the slowest and the fastest segment.
    """

    by_class: tuple[tuple[str, float, Interval], ...]  # class, km, effect
    use: tuple[float, ...]
    difference: Interval | None
    from_kmh: float
    to_kmh: float


def roads(a: Analysed) -> Roads | None:
    """The effect by class of road; None where positions or passes don't tell."""
    table = a.effect.road_speed
    if not len(table):
        return None
    by_class, use, difference = [], [], None
    for r in table.to_dict("records"):
        i = _interval(r)
        if r["road"] == FAST_LESS_SLOW:
            difference = i if math.isfinite(i.estimate) else None
        else:
            by_class.append((str(r["road"]), float(r["km"]), i))
            use.append(float(r["baseline_l_per_100km"]))
    if not by_class:
        return None
    return Roads(
        tuple(by_class), tuple(use), difference, float(table["from_kmh"].min()),
        float(table["to_kmh"].max()),
    )  # fmt: skip


def _interval(r: Mapping[Hashable, Any]) -> Interval:
    estimate, low, high = (float(str(r[k])) for k in ("change_pct", "low", "high"))
    bounded = math.isfinite(low) and math.isfinite(high)
    return Interval(estimate, low if bounded else None, high if bounded else None)


def only_some_roads(a: Analysed) -> Objection:
    """You drove only slow, or only fast, roads."""
    s, facts = stand_of(a), roads(a)
    said = "You drove the wrong roads: it works in town, or it works on fast roads."
    if facts is None:
        return Objection(
            "roads", "seller", said, "can't tell",
            (
                "Slow and fast road can't be told apart in this study"
                + ("." if s.placed else ": the logs don't say where the car was."),
                "Logs with positions, on roads of both kinds, would tell.",
            ),
            (), (ROAD,),
        )  # fmt: skip
    numbers = [
        change(_ROADS[road], i, use)
        for (road, _, i), use in zip(facts.by_class, facts.use, strict=True)
    ]
    lines = [
        f"Road of {facts.from_kmh:.0f} to {facts.to_kmh:.0f} km/h on average was compared: "
        + listed([f"{km:,.0f} km of {_ROADS[r]}" for r, km, _ in facts.by_class])
        + ".",
        "By the same estimator, on each kind of road by itself, the effect is estimated at "
        + listed(
            [
                f"{with_bounds(n)} on {_NAMES[road]}"
                for n, (road, _, _) in zip(numbers, facts.by_class, strict=True)
            ]
        )
        + ".",
    ]
    words = [(road, s.bare(i)) for road, _, i in facts.by_class]
    lines += [_own_word(word, road) for road, word in words if word is not None]
    if any(s.no_finding(word) for _, word in words):
        lines.append("None of that alone is a finding; the report says why.")
    if facts.difference is not None:
        apart = change("fastest less slowest", facts.difference, math.nan)
        numbers.append(apart)
        lines.append(_apart(apart))
    absent = [_ROADS[r] for r in _ROADS if r not in {c for c, _, _ in facts.by_class}]
    lines.append(
        f"Of {listed(absent, 'or')} this study can't tell: too little was driven in both arms."
        if absent
        else "Of road slower or faster than these this study can't tell."
    )
    enough = len(facts.by_class) > 1 and any(n.holds_zero is not None for n in numbers)
    return Objection(
        "roads", "seller", said, "partly" if enough else "can't tell", tuple(lines),
        tuple(numbers), (BY_SPEED, ROAD),
    )  # fmt: skip


def _own_word(word: str | None, road: str) -> str:
    told = {
        "refuted": "the whole interval falls short of the claim",
        "supported": "the whole interval reaches the claim",
        "undecided": "the interval settles nothing about the claim",
    }[str(word)]
    return f"On {_NAMES[road]} alone {told}."


def _apart(n: Number) -> str:
    text = f"Between the fastest and the slowest kind the effect differs by {with_bounds(n)}"
    if n.holds_zero is None:
        return f"{text}."
    if n.holds_zero:
        return (
            f"{text}: that holds zero, but a difference of up to "
            f"{max(abs(n.low or 0.0), abs(n.high or 0.0)):.1f} points could have gone unseen."
        )
    return f"{text}, beyond zero: one such comparison in twenty is so by chance."


@dataclass(frozen=True)
class Route:
    """How much road was compared."""

    segments: int
    km: float
    days: int
    first: str
    last: str


def route(a: Analysed) -> Route:
    """The road and the season that the result holds for."""
    used = a.passes[a.passes["used"].astype(bool)]
    names = set(used["segment"].astype(str))
    km = sum(x.length_m for x in a.network.segments if x.id in names) / 1000
    starts = pd.to_datetime(a.runs.loc[a.runs["used"].astype(bool), "start"]).dropna()
    first, last = "", ""
    if not starts.empty:
        first, last = f"{starts.min():%B %Y}", f"{starts.max():%B %Y}"
    return Route(len(names), km, int(used["day"].nunique()), first, last)


def one_route(a: Analysed) -> Objection:
    """You drove one route only."""
    s, facts = stand_of(a), route(a)
    said = "You drove one route, in one season."
    season = ""
    if facts.first:
        season = f" in {facts.first}" if facts.first == facts.last else (
            f" from {facts.first} to {facts.last}"
        )  # fmt: skip
    what = (
        f"{facts.km:,.0f} km of road in {counted(facts.segments, 'segment')}, each direction by "
        "itself, were compared"
        if s.placed and facts.km > 0
        else "Which road was driven isn't known; distances alone were compared"
    )
    return Objection(
        "one-route", "seller", said, "can't tell",
        (
            f"{what}{season}. The result holds there.",
            "Comparing the same road with and without the add-on is what takes the road out of the "
            "question; how it would be on other roads, in other weather, this study can't tell. "
            "The same plan on another road would.",
        ),
        (), (ROAD,),
    )  # fmt: skip


def _driven_cars(a: Analysed) -> str:
    if a.control is None:
        return (
            "One car was driven, so this study can't tell of any other: not that it works there, "
            "and not that it doesn't."
        )
    return (
        "One car had the add-on. The control car beside it tells what weather and traffic did, not "
        "what the add-on does in another car: that this study can't tell."
    )


def only_this_car(a: Analysed) -> Objection:
    """It works on other cars."""
    return Objection(
        "only-this-car", "seller", "It works on other cars; yours is the exception.", "can't tell",
        (
            _driven_cars(a),
            "The same plan on other cars would tell, and so would the seller's own test by an "
            "order that chance draws, with its logs open to all.",
        ),
        (), (Source("In numbers", anchor="numbers"),),
    )  # fmt: skip
