"""One vehicle's receipts held against its runs: a wrong receipt costs itself, never a false gap."""

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from roadlog.fleet.filled import Filled, held_fills
from roadlog.fleet.fills import Receipt
from roadlog.study.settings import TimeRule
from tests.fleet.bought import (
    FIRST,
    TAXI,
    arms_within,
    evening,
    receipts_of,
    runs_of_taxi,
    with_fill,
)

ARM = arms_within(np.random.default_rng(4), 24)
RUNS = runs_of_taxi(np.random.default_rng(5), ARM)
SOUND = receipts_of(np.random.default_rng(6), RUNS, level_sd_l=0.1)


def held(receipts: list[Receipt], runs: pd.DataFrame = RUNS, *, by_order: bool = False) -> Filled:
    return held_fills("taxi 1", receipts, runs, TAXI, by_order=by_order)


def changed(at: int, **to: object) -> list[Receipt]:
    return [with_fill(r, **to) if i == at else r for i, r in enumerate(SOUND)]


def low_high(found: Filled) -> tuple[float, float]:
    assert found.gap.low is not None
    assert found.gap.high is not None
    return found.gap.low, found.gap.high


def codes(found: Filled) -> list[str]:
    return [w.code.name for _, w in found.told]


def test_sound_receipts_agree_and_a_bend_is_found() -> None:
    low, high = low_high(held(SOUND))
    assert low < 0 < high < 4
    bent = held(SOUND, RUNS.assign(burned_l=RUNS["burned_l"] * np.where(
        RUNS["arm"] == "fitted", 0.9, 1.0)))  # fmt: skip
    low, high = low_high(bent)
    assert 5 < low < 100 / 9 < high


def test_a_fill_that_wasnt_to_the_brim_joins_the_next_tank() -> None:
    receipts = changed(9, litres=SOUND[9].litres - 6)
    found = held([*receipts[:10], with_fill(receipts[10], litres=SOUND[10].litres + 6),
                  *receipts[11:]])  # fmt: skip
    assert codes(found) == ["NOT_FULL"]
    assert len(found.tanks) == len(SOUND) - 2
    assert found.tanks["used"].all()


@pytest.mark.parametrize(
    ("receipts", "reason"),
    [
        (changed(9, litres=SOUND[9].litres / 3.785), "a receipt is missing, or in another unit"),
        (changed(9, litres=SOUND[9].litres + 35), "a receipt is another car's"),
    ],
)
def test_a_tank_unlike_the_others_is_set_aside_and_told(
    receipts: list[Receipt], reason: str
) -> None:
    found = held(receipts)
    assert found.why is None
    (odd,) = found.tanks.loc[~found.tanks["used"], "reason"]
    assert reason in odd
    low, high = low_high(found)
    assert low < 0 < high < 4


def test_a_receipt_that_is_missing_costs_no_more_than_its_tank() -> None:
    found = held(SOUND[:9] + SOUND[10:])
    assert found.why is None
    assert low_high(found)[1] < 4


@pytest.mark.parametrize("km", [12_000.0, 812_000.0])
def test_across_another_cars_odometer_no_tank_is_reckoned(km: float) -> None:
    found = held(changed(9, odometer_km=km))
    assert codes(found) == ["ODOMETER"]
    assert len(found.tanks) == len(SOUND) - 3


def test_a_fill_twice_counts_once_and_one_taken_back_not_at_all() -> None:
    assert codes(held([*SOUND, SOUND[3]])) == ["TWICE"]
    again = with_fill(SOUND[3], time=evening(3, 21.0), litres=20.0)
    back = Receipt(99, evening(3, 21.1), None, litres=-20.0)
    found = held([*SOUND, again, back])
    assert codes(found) == ["TAKEN_BACK"]
    assert len(found.tanks) == len(SOUND) - 1


def test_fills_in_mid_drive_are_the_clocks_and_say_nothing() -> None:
    noon = [with_fill(r, time=evening(i, 8.5)) for i, r in enumerate(SOUND)]
    found = held(noon)
    assert found.why is not None
    assert found.why.code.name == "CLOCK"
    one = held(changed(9, time=evening(9, 8.5)))
    assert codes(one) == ["IN_A_DRIVE"]
    assert one.why is None


def test_a_till_that_is_some_minutes_off_places_a_fill_before_the_drive() -> None:
    morning = with_fill(SOUND[9], time=evening(10, 7.05))
    found = held([*SOUND[:9], morning, *SOUND[10:]])
    assert codes(found) == []
    assert found.tanks["used"].all()


def test_fills_by_date_alone_on_driven_days_end_no_tank() -> None:
    found = held([with_fill(r, time=evening(i).date()) for i, r in enumerate(SOUND)])
    assert set(codes(found)) == {"NO_HOUR"}
    assert str(found.why).startswith("no two of its fills are full")


def test_fills_in_one_arm_only_say_nothing_of_the_arms() -> None:
    arm = [0] * 12 + [1] * 12
    runs = runs_of_taxi(np.random.default_rng(5), arm)
    receipts = receipts_of(np.random.default_rng(6), runs)[:11]
    found = held(receipts, runs)
    assert found.why is not None
    assert (found.why.code.name, found.ratio) == ("ONE_ARM", None)


def test_gallons_from_the_roll_out_on_are_told_as_such_and_not_as_a_bend() -> None:
    arm = [0] * 12 + [1] * 12
    runs = runs_of_taxi(np.random.default_rng(5), arm)
    receipts = receipts_of(np.random.default_rng(6), runs)
    slipped = [with_fill(r, litres=r.litres / 3.785) if i >= 12 else r
               for i, r in enumerate(receipts)]  # fmt: skip
    found = held(slipped, runs)
    assert "US gallons" in str(found.why)


def test_day_and_month_the_other_way_round_are_noticed() -> None:
    def swapped(r: Receipt) -> Receipt:
        assert r.fill is not None
        t = pd.Timestamp(r.fill.time)
        day = t.replace(month=t.day, day=t.month) if t.day <= 12 else t
        return with_fill(r, time=day.to_pydatetime())

    found = held([swapped(r) for r in SOUND[:10]], by_order=True)
    assert found.why is not None
    assert found.why.code.name == "TURNED"
    assert held(SOUND, by_order=True).why is None


def test_days_that_werent_logged_cost_their_tanks() -> None:
    runs = RUNS[RUNS["day"] != f"{FIRST + pd.Timedelta(days=7):%F}"]
    found = held(SOUND, runs)
    reasons = found.tanks.loc[~found.tanks["used"], "reason"]
    assert list(reasons) == ["no run was logged between its fills"]


@pytest.mark.parametrize("spoil", [lambda rs: [], lambda rs: rs[:1]])
def test_a_vehicle_with_no_tank_is_told_so(
    spoil: Callable[[list[Receipt]], list[Receipt]],
) -> None:
    assert held(spoil(SOUND)).why is not None


def test_a_receipt_that_names_its_zone_is_put_on_the_logs_clock() -> None:
    study = TAXI.model_copy(update={"time": TimeRule(zone="Europe/Vienna")})
    utc = [
        with_fill(r, time=pd.Timestamp(r.time).tz_localize("Europe/Vienna").tz_convert("UTC"))
        for r in SOUND
        if r.fill
    ]
    found = held_fills("taxi 1", utc, RUNS, study)
    pd.testing.assert_frame_equal(found.tanks, held(SOUND).tanks)
