"""What a reader may ask of a pooled answer: a `Known` in, questions with plain answers out.

Whether the studies agree, whether one of them decides, whether those that were agreed beforehand
tell the same, whether some may be missing. Every answer has its figures beside it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from roadlog.publish.pool.entry import KEPT_TO
from roadlog.publish.pool.influence import pool_of
from roadlog.publish.pool.known import SLANT_P, Known, in_percent
from roadlog.stats.interval import percent, rule
from roadlog.stats.meta_analysis import LEAST_AHEAD, Mean, apart_by
from roadlog.wording.forest import shortened
from roadlog.wording.numbers import signed

DIFFER_P = 0.05  # of Cochran's Q: the studies differ by more than chance
_MOST_NAMED, _NAME = 3, 40
_LEAST_P = 0.001
_TOGETHER = 2  # studies, for a pool of their own


@dataclass(frozen=True)
class Asked:
    """A question with its answer in plain words and in figures; `label` stands for it on a screen.

    `figures` are names with values.
    """

    label: str
    question: str
    answer: str
    figures: tuple[tuple[str, str], ...] = ()


def asked(k: Known) -> tuple[Asked, ...]:
    """The questions that a reader may have, in order."""
    return (_agree(k), _one_decides(k), _registered(k), _missing(k))


def _agree(k: Known) -> Asked:
    s = k.pooled.heterogeneity
    tau, low, high = (f"{100 * math.sqrt(v):.1f}" for v in (s.tau2, s.low, s.high))
    figures = (
        ("Scatter between studies (tau)", f"{tau} %, 95 % interval {low} to {high} %"),
        ("Share of all scatter that lies between studies (I²)", f"{100 * s.i2:.0f} %"),
        ("Cochran's Q", f"{s.q:.1f} on {s.df}, {chance(s.p)}"),
    )
    if len(k.entries) < LEAST_AHEAD:
        said = "Two studies can hardly tell how far cars differ."
    elif s.p < DIFFER_P:
        said = (
            "The studies differ by more than their own uncertainty explains: what the add-on does "
            "hangs on the car, the road or the way of testing."
        )
    else:
        said = (
            "The studies differ by no more than their own uncertainty explains. That doesn't show "
            f"that all cars are alike: scatter of up to {high} % between cars could hide in it."
        )
    return Asked("Agreement", "Do the studies agree?", said, figures)


def _one_decides(k: Known) -> Asked:
    i = k.influence
    kept = [(car, m) for car, m in zip(i.cars, i.without, strict=True) if m is not None]
    question = "Does one study decide?"
    if not kept:
        return Asked("One by one", question, "With so few there is none to leave out.")
    said = []
    if k.claim is not None:
        c = math.log1p(k.claim.fuel_use_change_pct / 100)
        swing = [
            car for car, m in kept if _side(m, k.margin, c) != _side(k.pooled.mean, k.margin, c)
        ]
        said.append(
            f"Without {_named(k, swing)} the range would say something else of the claim."
            if swing
            else "Whichever is left out, the range says the same of the claim."
        )
    turned = [car for car, m in kept if _side(m, 0, 0) != _side(k.pooled.mean, 0, 0)]
    if turned:
        otherwise = f"without {_named(k, turned)}"
        said.append(f"Whether fuel use changed at all would be told otherwise {otherwise}.")
    elif k.claim is None:
        said.append("Whichever is left out, it says the same of whether fuel use changed at all.")
    said += [_apart(k, n) for n in i.apart[:_MOST_NAMED]]
    if i.of_one_car:
        groups = "; ".join(_named(k, [(n,) for n in car], " and ") for car in i.of_one_car)
        said.append(f"By one author in one car, and left out together: {groups}.")
    means = [percent(m.mean) for _, m in kept]
    figures = (
        ("Mean with each left out in turn", f"{signed(min(means))} to {signed(max(means))} %"),
    )
    return Asked("One by one", question, " ".join(said), figures)


def _apart(k: Known, n: int) -> str:
    e, rest = k.entries[n], in_percent(k.pooled.without[n])
    assert k.influence.off is not None
    return (
        f"{_named(k, [(n,)])} stands apart: {signed(e.interval.low)} to "
        f"{signed(e.interval.high)} %, all others together {signed(rest.low)} to "
        f"{signed(rest.high)} %, further than chance puts any study "
        f"({chance(k.influence.off[n])}). See whether its two arms are named the right way round, "
        "and what else was unlike."
    )


def _registered(k: Known) -> Asked:
    kept = [e for e in k.entries if e.registered in KEPT_TO]
    rest = [e for e in k.entries if e.registered not in KEPT_TO]
    vouched = all(e.registered == KEPT_TO[0] for e in kept)
    question = "Do studies that were agreed beforehand tell the same?"
    if not kept:
        said = (
            "None has a plan that was registered first and kept: what to measure, and how to "
            "compute it, may have been settled with a look at the result."
        )
        return Asked("Registered", question, said)
    if not rest:
        word = "" if vouched else ", some by their author's own word only"
        return Asked("Registered", question, f"Every study has a plan that was kept{word}.")
    if min(len(kept), len(rest)) < _TOGETHER:
        said = f"{len(kept)} with a plan and {len(rest)} without are too few to compare."
        return Asked("Registered", question, said)
    by, half = apart_by(pool_of(kept).mean, pool_of(rest).mean)
    if by - half > 0 or by + half < 0:
        more = "more" if by > 0 else "less"
        said = (
            f"Studies with a plan that was kept tell {more} fuel than the others: trust them more"
            f"{'' if vouched else ', as far as you trust their own word that it was registered'}."
        )
    else:
        said = (
            "Studies with a plan that was kept tell the same as the others, as far as "
            f"{len(k.entries)} studies can tell."
        )
    ends = f"{signed(percent(by - half))} to {signed(percent(by + half))} %"
    figures = (
        (
            f"With a kept plan ({len(kept)}) against the others ({len(rest)})",
            f"{signed(percent(by))} %, 95 % interval {ends}",
        ),
    )
    return Asked("Registered", question, said, figures)


def _missing(k: Known) -> Asked:
    never = "Studies that nobody published can't be seen here."
    question = "May studies be missing that pleased less?"
    if k.slant is None:
        said = (
            "Were some kept back, small studies would tell other changes than large ones. That "
            f"can't be seen: {k.no_slant}."
        )
        return Asked("Missing", question, f"{said} {never}")
    t = k.slant
    if t.p < SLANT_P:
        said = (
            f"The less exact studies tell {'less' if t.slope < 0 else 'more'} fuel than the exact "
            "ones, as where others were never shown."
        )
    else:
        said = "The less exact studies tell about the same as the exact ones."
    slope = (
        f"{signed(t.slope, 2)} for each of standard error, t = {t.t:.2f} on {t.df}, {chance(t.p)}"
    )
    figures = (("Slant, by Egger's regression", slope),)
    return Asked("Missing", question, f"{said} {never}", figures)


def chance(p: float) -> str:
    """A p-value as it is read.

    >>> chance(3e-9), chance(0.0312)
    ('p < 0.001', 'p = 0.031')
    """
    return f"p < {_LEAST_P}" if p < _LEAST_P else f"p = {p:.2g}"


def _side(mean: Mean, margin: float, at: float) -> str:
    return rule(mean.low - margin, mean.high + margin, at)


def _named(k: Known, cars: Sequence[tuple[int, ...]], last: str = " or ") -> str:
    """Studies by their number and name."""
    names = [
        " and ".join(f"{n + 1} ({shortened(k.entries[n].name or 'no name', _NAME)})" for n in car)
        for car in cars[:_MOST_NAMED]
    ]
    more = len(cars) - _MOST_NAMED
    names += [f"{more} more"] if more > 0 else []
    return ", ".join(names[:-1]) + last + names[-1] if len(names) > 1 else names[0]
