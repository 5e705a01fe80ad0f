"""Schedules: blocks, weekdays, days without a switch, contradictions, redrawing."""

import datetime as dt
from itertools import product

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
from roadlog.study import Plan, Schedule

MONDAY = dt.date(2027, 3, 1)


def drawn(days: int, *, seed: int = 1, **plan: object) -> Schedule:
    p = Plan.model_validate({"days": days, **plan})
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


def test_days_that_make_no_whole_block_stay_out():
    assert len(drawn(13).unit) == 12
    assert len(drawn(19, block_size=4).unit) == 16


def test_too_few_times_to_switch_is_said():
    with pytest.raises(DesignError, match="2 times to switch"):
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
    assert contradictions(draw_schedule(units, block_size=2, seed=1), plan) == []


def test_the_analysis_redraws_under_the_schedules_own_weekday_limit(tmp_path):
    """Twenty days in pairs have 1,024 orders; the limit leaves fewer, counted by brute force."""
    from roadlog.analysis import analyse
    from roadlog.demo import make_study
    from roadlog.runs import study_sources
    from roadlog.study import load_study

    folder = tmp_path / "demo"
    make_study(folder, days=20, positions=False)
    path = folder / "study.toml"
    plain = load_study(folder)
    units = [(u.unit,) for u in plain.schedule.unit]
    limit = int(weekday_gap(np.array([arms_of(plain.schedule)]), units)[0])
    path.write_text(path.read_text().replace("seed =", f"weekday_limit = {limit}\nseed ="))
    study = load_study(folder)
    every = np.array(
        [[a for first in pairs for a in (first, 1 - first)] for pairs in product((0, 1), repeat=10)]
    )
    expected = int((weekday_gap(every, units) <= limit).sum())
    test = analyse(study, study_sources(folder, study)).effect.randomisation
    assert test.exact
    assert test.assignments == expected < 1024
    assert test.low < 0.6 < test.high
