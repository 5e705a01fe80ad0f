"""Schedules: blocks, weekdays, days without a switch, contradictions, redrawing."""

import datetime as dt
from collections import Counter
from itertools import permutations, product

import numpy as np
import pytest

from roadlog.errors import DesignError, InputError
from roadlog.plan.schedule import (
    contradictions,
    draw_schedule,
    driving_days,
    redraw,
    switch_units,
    weekday_gap,
)
from roadlog.stats.randomise import Assignments
from roadlog.study.settings import Plan, Schedule

MONDAY = dt.date(2027, 3, 1)
WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def drawn(days: int, *, seed: int = 1, **plan: object) -> Schedule:
    p = Plan.model_validate({"days": days, "block_size": 2, **plan})
    units = switch_units(p, driving_days(p, MONDAY))
    return draw_schedule(units, block_size=p.block_size, seed=seed)


def arms_of(schedule: Schedule) -> list[int]:
    return [int(u.arm == "fitted") for u in schedule.unit]


@pytest.mark.parametrize("size", [2, 4])
@pytest.mark.parametrize("seed", range(5))
def test_every_block_holds_both_arms_equally(size, seed):
    schedule = drawn(24, seed=seed, block_size=size)
    assert schedule.randomised
    for start in range(0, 24, size):
        block = schedule.unit[start : start + size]
        assert len({u.block for u in block}) == 1
        assert sum(u.arm == "fitted" for u in block) == size / 2


def test_same_seed_same_schedule_and_another_seed_another():
    assert drawn(20, seed=7) == drawn(20, seed=7)
    assert len({tuple(arms_of(drawn(20, seed=s))) for s in range(8)}) > 4


def test_no_weekday_leans_to_one_arm_beyond_the_limit():
    for seed in range(20):
        schedule = drawn(40, seed=seed)
        days = [(u.unit,) for u in schedule.unit]
        assert schedule.weekday_limit == 2
        assert weekday_gap(np.array([arms_of(schedule)]), days)[0] <= 2


def test_each_day_is_as_often_fitted_as_not():
    share = np.mean([arms_of(drawn(20, seed=s)) for s in range(300)], axis=0)
    assert np.abs(share - 0.5).max() < 4.5 * np.sqrt(0.25 / 300)


def test_weekends_and_closed_days_are_not_driven():
    holiday = dt.date(2027, 3, 5)
    days = driving_days(Plan(days=8, closed=(holiday,)), MONDAY)
    assert len(days) == 8
    assert holiday not in days
    assert all(d.weekday() < 5 for d in days)


def test_a_day_without_a_switch_belongs_to_the_unit_before():
    schedule = drawn(20, no_switch=["wed", dt.date(2027, 3, 12)])
    starts = {u.unit for u in schedule.unit}
    assert all(d.weekday() != 2 for d in starts)
    assert dt.date(2027, 3, 12) not in starts
    tuesday = next(u for u in schedule.unit if u.unit == dt.date(2027, 3, 2))
    assert tuesday.also == (dt.date(2027, 3, 3),)


def test_long_washout_units_of_several_days():
    schedule = drawn(24, days_per_unit=3)
    assert [1 + len(u.also) for u in schedule.unit] == [3] * 8


def sizes_of(schedule: Schedule) -> list[int]:
    return list(Counter(u.block for u in schedule.unit).values())


def test_pairs_leave_a_last_single_day_out_and_fours_take_every_day():
    assert len(drawn(13).unit) == 12
    assert sizes_of(drawn(12, block_size=4)) == [4, 4, 4]
    assert sizes_of(drawn(10, block_size=4)) == [4, 6]
    assert sizes_of(drawn(19, block_size=4)) == [4, 4, 4, 7]
    assert sizes_of(drawn(9, block_size=4)) == [4, 5]
    assert sizes_of(drawn(7, block_size=4)) == [7]


def test_fours_are_the_default():
    assert Plan(days=12).block_size == 4


@pytest.mark.parametrize(
    ("days", "orders"),
    # Products of binomials by hand; an odd block may lean to either arm; one block loses the orders
    # with a single change of arms (two of an even block, four of an odd one).
    [(4, 6 - 2), (5, 20 - 4), (6, 20 - 2), (7, 70 - 4), (8, 36), (9, 6 * 20), (10, 120),
     (11, 6 * 70), (12, 216), (20, 7776)],
)  # fmt: skip
def test_fours_have_as_many_orders_as_the_binomials_say(days, orders):
    schedule = drawn(days, block_size=4, weekdays=WEEK)
    # The weekday limit of many days takes some away; without it all are there.
    free = schedule.model_copy(update={"weekday_limit": None})
    names = [str(u.unit) for u in schedule.unit]
    listed = redraw(free, names, np.random.default_rng(0))
    assert listed.exact
    assert listed.total == len({tuple(r) for r in listed.arms}) == orders
    assert tuple(listed.arms[0]) == tuple(arms_of(schedule))


@pytest.mark.parametrize("days", [4, 5, 6, 7, 9])
def test_what_is_drawn_and_what_is_redrawn_are_the_same_orders(days):
    """Every order of the reference set comes up, no other, and about equally often."""
    from scipy.stats import chisquare

    counts = Counter(
        tuple(arms_of(drawn(days, seed=s, block_size=4, weekdays=WEEK))) for s in range(1500)
    )
    schedule = drawn(days, block_size=4, weekdays=WEEK)
    listed = redraw(schedule, [str(u.unit) for u in schedule.unit], np.random.default_rng(0))
    assert set(counts) == {tuple(r) for r in listed.arms}
    assert chisquare(list(counts.values())).pvalue > 1e-4


def test_no_order_with_a_single_change_is_drawn_or_counted():
    for days in (4, 5, 6, 7, 8):
        for seed in range(60):
            arms = arms_of(drawn(days, seed=seed, block_size=4, weekdays=WEEK))
            assert np.count_nonzero(np.diff(arms)) > 1


def test_chance_decides_which_arm_gets_the_odd_day():
    fitted = [sum(arms_of(drawn(13, seed=s, block_size=4))) for s in range(200)]
    assert set(fitted) == {6, 7}
    assert 70 < fitted.count(7) < 130


def test_orders_of_an_order_that_plan_can_not_have_drawn_keep_their_number_fitted():
    """By lots, without a seed: the single change was possible, and the odd unit stays where it is.

    A hand-moved unit makes blocks that the plan never draws: they are permuted as they are.
    """
    rng = np.random.default_rng(0)
    days = [dt.date(2027, 3, d) for d in range(1, 8)]

    def listed(arms: str, blocks: str, **more: object) -> Assignments:
        units = [{"unit": d, "arm": "fitted" if a == "F" else "baseline", "block": int(b)}
                 for d, a, b in zip(days, arms, blocks, strict=False)]  # fmt: skip
        schedule = Schedule.model_validate({"randomised": True, "unit": units, **more})
        return redraw(schedule, [str(u["unit"]) for u in units], rng)

    assert listed("BFBFF", "11111").total == 10
    assert listed("BFBFF", "11111", seed=1).total == 16
    assert listed("BBFF", "1111").total == 6
    assert listed("BBFF", "1111", seed=1).total == 6  # not drawn by the rule: a change by hand
    assert listed("BFFBBF", "111222", seed=1).total == 9


def test_too_few_times_to_switch_is_said():
    with pytest.raises(DesignError, match=r"2 times to switch.* 4 at the least"):
        drawn(10, no_switch=["tue", "wed", "thu", "fri"])


def test_a_day_can_not_be_closed_and_driven_without_a_switch():
    day = dt.date(2027, 3, 3)
    with pytest.raises(InputError, match="both closed and no_switch"):
        drawn(12, closed=[day], no_switch=[day])


def test_redraw_lists_exactly_the_schedules_that_the_generator_can_draw():
    """Brute force over all 2^10 pair orders against what the randomisation test uses."""
    schedule = drawn(20)
    names = [str(u.unit) for u in schedule.unit]
    listed = redraw(schedule, names, np.random.default_rng(0))
    every = np.array(
        [[a for first in pairs for a in (first, 1 - first)] for pairs in product((0, 1), repeat=10)]
    )
    allowed = every[weekday_gap(every, [(u.unit,) for u in schedule.unit]) <= 2]
    assert listed.exact
    assert listed.total == len(listed.arms) == len(allowed)
    assert {tuple(r) for r in listed.arms} == {tuple(r) for r in allowed}
    assert tuple(listed.arms[0]) == tuple(arms_of(schedule))


def test_generator_draws_every_allowed_schedule_equally_often():
    """Chi-square over 16 equally likely orders of eight days in pairs."""
    from scipy.stats import chisquare

    counts: dict[tuple[int, ...], int] = {}
    for seed in range(1600):
        key = tuple(arms_of(drawn(8, seed=seed)))
        counts[key] = counts.get(key, 0) + 1
    assert len(counts) == 16
    assert chisquare(list(counts.values())).pvalue > 1e-4


def test_redraw_of_many_days_keeps_the_limit_and_enough_draws():
    schedule = drawn(40)
    r = redraw(schedule, [str(u.unit) for u in schedule.unit], np.random.default_rng(3))
    assert not r.exact
    assert len(r.arms) > 10_000
    assert weekday_gap(r.arms, [(u.unit,) for u in schedule.unit]).max() <= 2
    assert tuple(r.arms[0]) == tuple(arms_of(schedule))
    # A fifth to a half of the 2^20 orders obeys the limit (drawn share, generous band).
    assert 0.2 < r.total / 2**20 < 0.5


def test_a_missed_day_leaves_the_other_days_draws_alone():
    schedule = drawn(8)
    names = [str(u.unit) for u in schedule.unit][1:]
    r = redraw(schedule, names, np.random.default_rng(0))
    assert r.arms.shape == (16, 7)
    assert {tuple(x) for x in r.arms[:, 0:1]} == {(0,), (1,)}


def test_redraw_gives_up_on_units_that_were_never_scheduled():
    assert redraw(drawn(8), ["2027-03-01", "stretch 2"], np.random.default_rng(0)) is None


def test_a_hand_changed_schedule_that_breaks_its_limit_is_not_redrawn():
    schedule = drawn(20)
    days = [{"unit": u.unit, "arm": ("fitted", "baseline")[u.unit.weekday() in (0, 2)],
             "block": u.block} for u in schedule.unit]  # fmt: skip
    lopsided = Schedule.model_validate({**schedule.model_dump(), "unit": days})
    names = [str(u.unit) for u in lopsided.unit]
    assert redraw(lopsided, names, np.random.default_rng(0)) is None


@pytest.mark.parametrize(
    ("change", "plan", "says"),
    [
        ({}, {"closed": [dt.date(2027, 3, 2)]}, "2027-03-02 is scheduled .* closed"),
        ({}, {"weekdays": ["mon", "tue", "wed", "thu"]}, "no fri is driven"),
        ({0: {"arm": "fitted"}, 1: {"arm": "fitted"}}, {}, "block 1 holds only fitted"),
        ({3: {"block": None}}, {}, "some units have a block and some have none"),
        ({5: {"unit": dt.date(2027, 2, 1)}}, {}, "not in time"),
        ({}, {"no_switch": ["tue", "thu"]}, "nobody can switch then"),
    ],
)
def test_contradictions_are_named(change, plan, says):
    import re

    units = [u.model_dump() for u in drawn(8).unit]
    for i, values in change.items():
        units[i].update(values)
    schedule = Schedule.model_validate({"randomised": True, "unit": units})
    faults = contradictions(schedule, Plan.model_validate(plan))
    assert any(re.search(says, f) for f in faults), faults


def test_a_drawn_schedule_contradicts_nothing():
    plan = Plan(days=30, no_switch=("wed",))
    units = switch_units(plan, driving_days(plan, MONDAY))
    assert contradictions(draw_schedule(units, block_size=4, seed=1), plan) == []


def test_the_analysis_redraws_under_the_schedules_own_weekday_limit(tmp_path):
    """Twenty days in fours have 6^5 orders; the limit leaves fewer, counted by brute force."""
    from roadlog.analysis.analyse import analyse
    from roadlog.demo import make_study
    from roadlog.runs.table import study_sources
    from roadlog.study.folder import load_study

    folder = tmp_path / "demo"
    make_study(folder, days=20, positions=False)
    path = folder / "study.toml"
    plain = load_study(folder)
    units = [(u.unit,) for u in plain.schedule.unit]
    limit = int(weekday_gap(np.array([arms_of(plain.schedule)]), units)[0])
    path.write_text(path.read_text().replace("seed =", f"weekday_limit = {limit}\nseed ="))
    study = load_study(folder)
    block = sorted(set(permutations((0, 0, 1, 1))))
    every = np.array([np.concatenate(blocks) for blocks in product(block, repeat=5)])
    expected = int((weekday_gap(every, units) <= limit).sum())
    test = analyse(study, study_sources(folder, study)).effect.randomisation
    assert test.exact
    assert test.assignments == expected < 6**5
    assert test.low < 0.6 < test.high
