"""The randomised blocked schedule: which days are fitted, drawn so that it can be drawn again.

`[plan]` and a seed go in; a `Schedule` comes out. `redraw` gives the schedules that chance could
have drawn instead, by the same blocks and the same limits: the randomisation test of docs/method.md
section 6 uses them. Directions balance by themselves as long as every switch unit
holds each direction equally often.
"""

import datetime as dt
import hashlib
from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from roadlog.errors import DesignError, InputError
from roadlog.quantities.arms import ARMS
from roadlog.quantities.arrays import Floats
from roadlog.stats.randomise import DRAWS, EXACT_LIMIT, Assignments, assignments
from roadlog.study.settings import Plan, Schedule, ScheduleUnit, Weekday

WEEKDAYS: tuple[Weekday, ...] = get_args(Weekday)
LEAST_UNITS = 4
# A weekday limit may cost schedules, but the randomisation test lives on them.
KEPT_SCHEDULES = 200
KEPT_SHARE = 0.25


def driving_days(plan: Plan, first: dt.date) -> list[dt.date]:
    """The days of the test in order: `plan.days` of them from `first` on.

    Raises
    ------
    InputError
        If the plan contradicts itself.

    >>> [d.day for d in driving_days(Plan(days=4), dt.date(2026, 3, 5))]
    [5, 6, 9, 10]
    """
    if not plan.weekdays:
        raise InputError("[plan] weekdays is empty: name the days on which the car is driven")
    for day in (d for d in plan.no_switch if isinstance(d, dt.date)):
        if day in plan.closed:
            raise InputError(f"{day} is in both closed and no_switch of [plan]: leave it in one")
    days: list[dt.date] = []
    day = first
    while len(days) < plan.days:
        if WEEKDAYS[day.weekday()] in plan.weekdays and day not in plan.closed:
            days.append(day)
        day += dt.timedelta(days=1)
    return days


def switch_units(plan: Plan, days: Sequence[dt.date]) -> list[tuple[dt.date, ...]]:
    """The days of each switch unit; a day on which nobody can switch stays with the one before.

    Raises
    ------
    DesignError
        If the add-on can't be switched often enough.

    >>> days = driving_days(Plan(days=5), dt.date(2026, 3, 2))
    >>> [len(u) for u in switch_units(Plan(no_switch=("wed",)), days)]
    [1, 2, 1, 1]
    """
    units: list[list[dt.date]] = []
    for day in days:
        full = not units or len(units[-1]) >= plan.days_per_unit
        if full and not _fixed(day, plan):
            units.append([day])
        elif units:
            units[-1].append(day)
    whole = sum(block_sizes(len(units), plan.block_size))
    if whole < LEAST_UNITS:
        raise DesignError(
            f"{len(days)} days give {len(units)} times to switch, and a schedule needs "
            f"{LEAST_UNITS} at the least: plan more days, allow more days to switch on, or fewer "
            "days to a switch unit"
        )
    return [tuple(u) for u in units[:whole]]


def block_sizes(units: int, block_size: int) -> list[int]:
    """How many switch units each block holds, in order.

    Blocks of four by default: two left over make the last one a six, an odd unit makes it a five
    or seven, and up to seven units are one block. Pairs take whole pairs only.

    >>> block_sizes(10, 4), block_sizes(13, 4), block_sizes(6, 4), block_sizes(12, 2)
    ([4, 6], [4, 4, 5], [6], [2, 2, 2, 2, 2, 2])
    """
    if block_size == 2:
        return [2] * (units // 2)
    whole, rest = divmod(units, block_size)
    if whole < 2:
        return [units]
    return [block_size] * (whole - 1) + [block_size + rest]


def own_seed(*declared: object) -> int:
    """A seed that follows from what is declared, so that nobody can shop for a schedule.

    >>> own_seed("collar", 12.0) == own_seed("collar", 12.0)
    True
    """
    text = "|".join(map(str, declared))
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4], "big")


def draw_schedule(
    units: Sequence[tuple[dt.date, ...]], *, block_size: int, seed: int, spending: str = "none"
) -> Schedule:
    """Draw which units are fitted: half of every block, under the strictest affordable limit.

    Of an odd block chance decides which arm gets one more. An order with one single change of arms
    is never drawn: there, time and the add-on can't be told apart.

    Parameters
    ----------
    units : days of each switch unit, as many as `block_sizes` takes
    seed : the same seed gives the same schedule
    spending : {"none", "obrien-fleming"}

    Raises
    ------
    DesignError
        If the units don't make whole blocks.
    """
    sizes = block_sizes(len(units), block_size)
    if sum(sizes) != len(units):
        raise DesignError(f"{len(units)} switch units don't make whole blocks of {block_size}")
    rng = np.random.default_rng(seed)
    block = [b for b, size in enumerate(sizes, start=1) for _ in range(size)]
    arms, total = _orders(block, rng)
    gap = weekday_gap(arms, units)
    limit = _affordable_limit(gap, total)
    allowed = arms if limit is None else arms[gap <= limit]
    chosen = allowed[int(rng.integers(len(allowed)))]
    return Schedule.model_validate(
        {
            "switched_by": "day",
            "randomised": True,
            "seed": seed,
            "weekday_limit": limit,
            "spending": spending,
            "unit": [
                {"unit": u[0], "arm": ARMS[a], "block": b, "also": u[1:]}
                for u, a, b in zip(units, chosen, block, strict=True)
            ],
        }
    )


def drawn_anew(schedule: Schedule, rng: np.random.Generator) -> Schedule:
    """The schedule with another order of arms, by the same blocks and the same weekday limit.

    Nothing of the result but the arms depends on the draw, so that what is told of one order
    (limit, number of orders) tells nothing of another.

    Parameters
    ----------
    schedule : of days; its own arms don't matter, and may be sealed
    rng : of the system's randomness for a sealed schedule, seeded for one that stands in for it
    """
    days = _unit_days(schedule)
    assert days is not None
    arms, _ = _orders([u.block or 0 for u in schedule.unit], rng)
    if schedule.weekday_limit is not None:
        arms = arms[weekday_gap(arms, days) <= schedule.weekday_limit]
    if not len(arms):
        raise DesignError("no order of arms keeps weekday_limit in [schedule]: plan anew")
    chosen = arms[int(rng.integers(len(arms)))]
    units = tuple(
        u.model_copy(update={"arm": ARMS[a]}) for u, a in zip(schedule.unit, chosen, strict=True)
    )
    return schedule.model_copy(update={"unit": units})


def _orders(block: Sequence[int], rng: np.random.Generator) -> tuple[NDArray[np.int8], int]:
    """Orders that chance may draw: all, or many of them; and how many there are."""
    size = {b: block.count(b) for b in dict.fromkeys(block)}
    start = [i % 2 for b in size for i in range(size[b])]
    drawn = orders_of_plan(start, [str(b) for b in block], rng)
    # Where not every schedule is listed, the first row is no draw but the pattern it started from.
    return (drawn.arms if drawn.exact else drawn.arms[1:]), drawn.total


def weekday_gap(arms: NDArray[np.int8], units: Sequence[tuple[dt.date, ...]]) -> Floats:
    """Largest difference between the arms in days of one weekday, of each schedule (N,)."""
    counts = np.zeros((len(units), 7))
    for i, days in enumerate(units):
        for day in days:
            counts[i, day.weekday()] += 1
    return np.asarray(np.abs((2.0 * arms - 1) @ counts).max(axis=1))


def redraw(
    schedule: Schedule,
    used: Sequence[str],
    rng: np.random.Generator,
    *,
    exact_limit: int = EXACT_LIMIT,
    draws: int = DRAWS,
) -> Assignments | None:
    """The schedules that chance could have drawn, for the units that were driven.

    Parameters
    ----------
    schedule : Schedule
    used : switch units of the analysis, in its order
    rng : for the draws where there are too many schedules to list

    Returns
    -------
    Assignments or None
        None where a unit isn't in the schedule, or the schedule breaks its own weekday limit
        (it was changed by hand): the caller then permutes within blocks.
    """
    position = {str(u.unit): i for i, u in enumerate(schedule.unit)}
    columns = [position.get(name, position.get(PurePosixPath(name).name)) for name in used]
    if None in columns or not schedule.unit:
        return None
    arm = [int(u.arm == "fitted") for u in schedule.unit]
    blocks = [str(u.block) for u in schedule.unit]
    keep = np.array(columns, dtype=int)
    by_chance = schedule.seed is not None or schedule.sealed is not None
    by_plan = by_chance and _as_planned(arm, blocks)
    draw = orders_of_plan if by_plan else assignments
    drawn = draw(arm, blocks, rng, exact_limit=exact_limit, draws=draws)
    days = _unit_days(schedule)
    limit = schedule.weekday_limit
    if limit is None or days is None:
        return Assignments(drawn.arms[:, keep], drawn.total, drawn.exact)
    ok = weekday_gap(drawn.arms, days) <= limit
    if not ok[0]:
        return None
    rows, share, total = [drawn.arms[ok]], float(ok[1:].mean()), drawn.total
    if not drawn.exact:
        while sum(map(len, rows)) <= draws and share > 0:
            more = draw(arm, blocks, rng, exact_limit=exact_limit, draws=draws).arms[1:]
            rows.append(more[weekday_gap(more, days) <= limit])
    arms = np.vstack(rows)
    count = len(arms) if drawn.exact else round(share * total)
    return Assignments(arms[:, keep], count, drawn.exact)


def orders_of_plan(
    arm: Sequence[int],
    blocks: Sequence[str],
    rng: np.random.Generator,
    *,
    exact_limit: int = EXACT_LIMIT,
    draws: int = DRAWS,
) -> Assignments:
    """`assignments` as the plan draws: an odd block's extra unit in either arm, no single change.

    Blocks are even but for one at most; `arm` itself is the first row.
    """
    real = np.asarray(arm, dtype=np.int8)
    labels = np.asarray(blocks)
    odd = [b for b in dict.fromkeys(blocks) if np.count_nonzero(labels == b) % 2]
    patterns = [real]
    for b in odd:
        patterns += [np.where(labels == b, 1 - p, p) for p in patterns]
    parts = [
        assignments(
            p, blocks, rng,
            exact_limit=exact_limit // len(patterns), draws=-(-draws // len(patterns)),
        )
        for p in patterns
    ]  # fmt: skip
    exact, total = parts[0].exact, sum(p.total for p in parts)
    rows = [parts[0].arms, *(p.arms if exact else p.arms[1:] for p in parts[1:])]
    arms = np.vstack(rows)
    if len(set(blocks)) == 1 and exact:
        arms = arms[np.count_nonzero(np.diff(arms, axis=1), axis=1) > 1]
        total = len(arms)
    return Assignments(arms, total, exact)


def _as_planned(arm: Sequence[int], blocks: Sequence[str]) -> bool:
    """Whether `draw_schedule` can have drawn this order in blocks of four."""
    labels, real = np.asarray(blocks), np.asarray(arm)
    sizes = [int(np.count_nonzero(labels == b)) for b in dict.fromkeys(blocks)]
    lean = [abs(int((2 * real[labels == b] - 1).sum())) for b in dict.fromkeys(blocks)]
    if sizes != block_sizes(len(real), 4) or lean != [size % 2 for size in sizes]:
        return False
    return bool(np.count_nonzero(np.diff(real)) > 1)


def contradictions(schedule: Schedule, plan: Plan) -> list[str]:
    """What is wrong with a schedule by itself or against `[plan]`, one sentence each."""
    faults = []
    arms: dict[int | None, list[str | None]] = {}
    for u in () if schedule.shut else schedule.unit:
        arms.setdefault(u.block, []).append(u.arm)
    for block, held in arms.items():
        if len(set(held)) == 1 and schedule.unit:
            where = "the schedule" if block is None else f"block {block}"
            faults.append(f"{where} holds only {held[0]} units, so nothing is compared within it")
    if len(arms) > 1 and None in arms:
        faults.append("some units have a block and some have none: give every unit its block")
    previous: ScheduleUnit | None = None
    for u in schedule.unit:
        for day in (d for d in (u.unit, *u.also) if isinstance(d, dt.date)):
            weekday = WEEKDAYS[day.weekday()]
            if day in plan.closed:
                state = f" as {u.arm}" if u.arm else ""
                faults.append(f"{day} is scheduled{state}, but [plan] says it is closed")
            elif weekday not in plan.weekdays:
                faults.append(f"{day} is scheduled, but [plan] says that no {weekday} is driven")
        if isinstance(u.unit, dt.date) and previous is not None:
            if isinstance(previous.unit, dt.date) and u.unit <= max(
                (previous.unit, *previous.also)
            ):
                faults.append(f"{u.unit} comes after {previous.unit} in the list, but not in time")
            switched = previous.arm != u.arm
            if switched and (
                u.unit in plan.no_switch or WEEKDAYS[u.unit.weekday()] in plan.no_switch
            ):
                faults.append(
                    f"the add-on changes on {u.unit}, but [plan] says that nobody can switch then"
                )
        previous = u
    return faults


def _fixed(day: dt.date, plan: Plan) -> bool:
    """Whether nobody can switch on this day."""
    return day in plan.no_switch or WEEKDAYS[day.weekday()] in plan.no_switch


def _unit_days(schedule: Schedule) -> list[tuple[dt.date, ...]] | None:
    days = []
    for u in schedule.unit:
        if not isinstance(u.unit, dt.date):
            return None
        days.append((u.unit, *u.also))
    return days


def _affordable_limit(gap: Floats, total: int) -> int | None:
    """The strictest limit that leaves enough schedules for the randomisation test."""
    for limit in range(int(gap.max())):
        share = float((gap <= limit).mean())
        if share >= KEPT_SHARE and share * total >= KEPT_SCHEDULES:
            return limit
    return None
