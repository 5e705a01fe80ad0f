"""The answer of a fleet's test: a `FleetStudy` in, its plain words out, made as one car's are."""

import math

import numpy as np

from roadlog.analysis.answered import claimed, plain_reasons
from roadlog.fleet.answer import FleetStudy
from roadlog.fleet.result import FleetResult
from roadlog.quantities.against import Against
from roadlog.quantities.facts import Fact
from roadlog.stats.interval import rule
from roadlog.wording.answer import Answer, Facts, answer
from roadlog.wording.facts import ToldOfMany
from roadlog.wording.numbers import ends_of
from roadlog.wording.sizes import widened

_MOST_P = 0.1  # two-sided, so 5 % on the side of the change
_LEAST_ORDERS = 20  # fewer can't reach 5 %


def answer_of_fleet(found: FleetStudy) -> Answer:
    """What the fleet's test answers, of its mean and of the next vehicle."""
    return answer(fleet_facts(found))


def fleet_facts(found: FleetStudy) -> Facts:
    """What the answer is made of."""
    r, study = found.result, found.study
    following = None if r.next_vehicle is None else ends_of(r.next_vehicle)
    return Facts(
        interval=r.effect,
        claim=None if study.claim is None else claimed(study.claim),
        word=r.finding.word,
        margin=r.held.margin,
        against=plain_reasons(r.finding.vetoes),
        against_change=_against_change(r),
        synthetic=study.synthetic,
        device=study.device.name,
        vehicles=max(r.n_vehicles, 2),
        following=following,
    )


def _against_change(r: FleetResult) -> tuple[Fact | str, ...]:
    """What forbids to say that fuel use changed, as strictly as the claim's word is held."""
    ends = ends_of(r.effect)
    way = "undecided" if ends is None else _way(*ends, r.held.margin)
    if way == "undecided":
        return ()
    v, against = r.vehicles, list(r.against_change)
    without = zip(v["without_low"], v["without_high"], strict=True)
    if any(_way(float(low), float(high), r.held.margin) != way for low, high in without):
        against.append(ToldOfMany.WITHOUT_ONE())
    if v["outlying"].any() and not _stands_apart_from(r, way):
        against.append(ToldOfMany.APART())
    own = v["raw"].to_numpy(dtype=float)
    own = own[np.isfinite(own)]
    if len(own) and (float(np.median(own)) < 0) != (way == "less"):
        against.append(ToldOfMany.MIDDLE())
    chance = r.randomisation
    if chance is not None and chance.assignments >= _LEAST_ORDERS and chance.p > _MOST_P:
        against.append(Against.ON_ORDERS())
    return tuple(against)


def _stands_apart_from(r: FleetResult, way: str) -> bool:
    """Whether the change stays where it is without the vehicles that stand apart.

    By the others' weighted mean with the half-widths of all, which are the wider ones.
    """
    rest = r.vehicles[~r.vehicles["outlying"].astype(bool) & (r.vehicles["weight"] != 0)]
    weight, raw = (rest[k].to_numpy(dtype=float) for k in ("weight", "raw"))
    ends = ends_of(r.effect)
    if ends is None or not len(rest) or not np.isfinite(raw).all() or weight.sum() <= 0:
        return False
    moved = float(weight @ raw / weight.sum()) - r.effect.estimate
    return _way(ends[0] + moved, ends[1] + moved, r.held.margin) == way


def _way(low: float, high: float, margin: float) -> str:
    """Which side of zero a range lies on with its margin: less, more or undecided."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "undecided"
    low, high = widened((low, high), margin)
    if high < 0:
        return "less"
    return "more" if rule(low, high, 0.0) == "refuted" else "undecided"
