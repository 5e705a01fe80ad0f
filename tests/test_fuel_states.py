"""Enrichment and overrun, each threshold from both sides.

What of these is a number of the trade stands in `roadlog.fuel.states` with its source.
"""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from roadlog.fuel import Calibration
from roadlog.fuel.full_load import at_full_load, full_load_by_air, learn_full_load
from roadlog.fuel.rest import AT_REST, NOT_KNOWN, PRESSED, asks_for_nothing
from roadlog.fuel.states import (
    CUT,
    FUELLED,
    UNCLEAR,
    cut_state,
    lambda_bounds,
    overrun,
)
from roadlog.study.car import Vehicle

PETROL = Vehicle(displacement_l=1.8)
TURBO = Vehicle(displacement_l=1.8, aspiration="turbo")
IDLE = Calibration(
    idle_rpm=750.0,
    throttle_low_pct=14.0,
    throttle_shut_pct=16.0,
    pedal_rest_pct=5.0,
    status_shows_cut=False,
)
FOLLOWS = dataclasses.replace(IDLE, status_shows_cut=True)
CLOSED, COLD, LOAD_OR_CUT, FAULT, CLOSED_FAULT = 2.0, 1.0, 4.0, 8.0, 16.0


def sample(**signals: float) -> pd.DataFrame:
    """One warm second on the road, with signals added or taken away (None)."""
    base = {"t_s": 0.0, "dt_s": 1.0, "speed_kmh": 60.0, "rpm": 2000.0, "coolant_temp_c": 88.0}
    return pd.DataFrame([{k: v for k, v in (base | signals).items() if v is not None}])


def bounds(
    calibration: Calibration = IDLE, *, trust_sensor: bool = True, **signals: float
) -> tuple:
    lean, rich, enriched = lambda_bounds(sample(**signals), calibration, trust_sensor=trust_sensor)
    return float(lean[0]), float(rich[0]), bool(enriched[0])


def course(seconds: int = 9, decel_m_s2: float = 0.5, **signals: float) -> pd.DataFrame:
    """Some warm seconds in which the car slows down from 70 km/h with its foot off."""
    t = np.arange(float(seconds))
    base = {"t_s": t, "dt_s": 1.0, "speed_kmh": 70 - 3.6 * decel_m_s2 * t, "rpm": 2000.0,
            "coolant_temp_c": 88.0}  # fmt: skip
    return pd.DataFrame({k: v for k, v in (base | signals).items() if v is not None}, index=t)


def states(calibration: Calibration = IDLE, **signals: float) -> list[int]:
    return cut_state(course(**signals), calibration).tolist()


def state(calibration: Calibration = IDLE, **signals: float) -> int:
    """After 8 s of it."""
    return states(calibration, **signals)[-1]


@pytest.mark.parametrize(
    ("coolant_c", "richest"),
    [(-40, 0.80), (-20, 0.80), (0, 0.85), (20, 0.90), (45, 0.95), (70, 1.0), (90, 1.0)],
)
def test_cold_open_loop_is_as_rich_as_its_coolant_allows(coolant_c, richest):
    got = bounds(fuel_status=COLD, coolant_temp_c=coolant_c)
    assert got == (1.0, pytest.approx(richest), richest < 1)


def test_cold_open_loop_without_coolant_is_taken_at_twenty_degrees():
    assert bounds(fuel_status=COLD, coolant_temp_c=None)[1] == pytest.approx(0.90)


@pytest.mark.parametrize(("coolant_c", "richest"), [(39, 0.938), (41, 1.0)])
def test_without_status_only_an_engine_below_forty_degrees_counts_as_cold(coolant_c, richest):
    assert bounds(coolant_temp_c=coolant_c)[1] == pytest.approx(richest)


@pytest.mark.parametrize("status", [LOAD_OR_CUT, FAULT])
def test_open_loop_when_warm_may_be_as_rich_as_full_load(status):
    assert bounds(fuel_status=status) == (1.0, 0.85, True)


@pytest.mark.parametrize("status", [CLOSED, CLOSED_FAULT])
def test_closed_loop_is_stoichiometric_whatever_the_load(status):
    assert bounds(fuel_status=status, engine_load_pct=99.0, map_kpa=100.0) == (1.0, 1.0, False)


@pytest.mark.parametrize(
    ("signals", "high"),
    [
        ({"engine_load_pct": 89.9}, False),
        ({"engine_load_pct": 90.0}, True),
        ({"absolute_load_pct": 79.9}, False),
        ({"absolute_load_pct": 80.0}, True),
        ({"map_kpa": 93.2}, False),  # 92 % of 101.325 kPa is 93.22 kPa
        ({"map_kpa": 93.3}, True),
        ({"map_kpa": 77.0, "baro_kpa": 84.0}, False),  # on a mountain pass: 77.28 kPa
        ({"map_kpa": 77.5, "baro_kpa": 84.0}, True),
    ],
)
def test_what_counts_as_full_load_while_the_baseline_is_learnt(signals, high):
    assert bool(full_load_by_air(sample(**signals), PETROL)[0]) is high


def test_boost_is_no_sign_of_full_load_but_calculated_load_is():
    assert not full_load_by_air(sample(map_kpa=140.0, absolute_load_pct=120.0), TURBO)[0]
    assert full_load_by_air(sample(engine_load_pct=95.0), TURBO)[0]


def test_full_load_is_told_by_the_foot_and_not_by_the_air():
    """The pedal is down by 70 % where the baseline fills its cylinders; air may then be bent."""
    n = 600
    down = np.arange(n) % 10 == 0
    baseline = pd.DataFrame({
        "t_s": np.arange(n, dtype=float), "dt_s": 1.0, "speed_kmh": 60.0, "rpm": 2200.0,
        "pedal_pct": np.where(down, 70.0, 20.0), "map_kpa": np.where(down, 98.0, 45.0),
    })  # fmt: skip
    learnt = learn_full_load([baseline], [baseline], PETROL)
    assert learnt.by == "pedal_pct"
    for bend in (0.9, 1.0, 1.1):
        bent = baseline.assign(map_kpa=bend * baseline["map_kpa"])
        assert (at_full_load(bent, learnt) == down).all()
    calibration = dataclasses.replace(IDLE, full_load=learnt)
    assert bounds(calibration, pedal_pct=75.0, rpm=2200.0) == (1.0, 0.85, True)
    assert bounds(calibration, pedal_pct=30.0, rpm=2200.0, map_kpa=100.0) == (1.0, 1.0, False)
    assert bounds(calibration, pedal_pct=75.0, rpm=2200.0, fuel_status=CLOSED) == (1.0, 1.0, False)
    assert bounds(calibration, pedal_pct=75.0, rpm=5000.0) == (1.0, 1.0, False)  # never driven


def test_full_load_without_pedal_and_throttle_is_told_by_acceleration():
    """Only the hard pulls from 10 to 110 km/h are at full load."""
    pull = np.concatenate([np.linspace(10, 110, 20), np.full(40, 110.0), np.linspace(110, 10, 20),
                           np.full(20, 10.0)])  # fmt: skip
    speed = np.tile(pull, 5)
    rising = np.tile(np.arange(100) < 20, 5)
    baseline = pd.DataFrame({
        "t_s": np.arange(500.0), "dt_s": 1.0, "speed_kmh": speed, "rpm": 2200.0,
        "map_kpa": np.where(rising, 98.0, 45.0),
    })  # fmt: skip
    learnt = learn_full_load([baseline], [baseline], PETROL)
    found = at_full_load(baseline, learnt)
    assert learnt.by == "speed_kmh"
    assert found.sum() == pytest.approx(rising.sum(), abs=2)
    assert (found & rising).sum() > 0.8 * rising.sum()


@pytest.mark.parametrize(("commanded", "enriched"), [(0.96, True), (0.98, False), (1.2, False)])
def test_commanded_lambda_is_both_bounds_and_enriched_from_three_percent(commanded, enriched):
    got = bounds(fuel_status=LOAD_OR_CUT, lambda_commanded=commanded)
    assert got == (commanded, commanded, enriched)


def test_wide_band_sensor_is_asked_after_the_command_and_only_in_open_loop():
    rich = {"lambda_measured": 0.9}
    assert bounds(fuel_status=LOAD_OR_CUT, **rich) == (0.9, 0.9, True)
    assert bounds(fuel_status=LOAD_OR_CUT, lambda_commanded=0.95, **rich)[0] == 0.95
    assert bounds(fuel_status=CLOSED, **rich) == (1.0, 1.0, False)
    assert bounds(fuel_status=LOAD_OR_CUT, trust_sensor=False, **rich) == (1.0, 0.85, True)


@pytest.mark.parametrize(
    ("speed", "rpm", "possible"),
    [(12.0, 2000, False), (12.1, 2000, True), (60, 1050, False), (60, 1051, True)],
)
def test_overrun_needs_road_speed_and_engine_speed(speed, rpm, possible):
    assert bool(overrun(sample(speed_kmh=speed, rpm=rpm), IDLE)[0]) is possible


def test_an_engine_that_stands_burns_nothing_and_a_cranking_one_does():
    assert state(rpm=99.0, speed_kmh=0.0) == CUT
    assert state(rpm=101.0, speed_kmh=0.0) == FUELLED
    assert state(FOLLOWS, rpm=0.0, speed_kmh=0.0, fuel_status=CLOSED) == CUT


def test_a_foot_off_the_pedal_is_a_cut_after_two_seconds_and_open_before():
    assert states(pedal_pct=5.0) == [UNCLEAR] * 2 + [CUT] * 7
    assert states(throttle_pct=14.0) == [UNCLEAR] * 2 + [CUT] * 7
    tapped = np.array([5.0] * 4 + [12.0] + [5.0] * 4)
    assert states(pedal_pct=tapped) == [UNCLEAR, UNCLEAR, CUT, CUT, FUELLED, UNCLEAR, UNCLEAR,
                                        CUT, CUT]  # fmt: skip


def test_a_gap_breaks_the_two_seconds():
    gap = np.array([1.0] * 4 + [0.0] + [1.0] * 4)
    assert states(pedal_pct=5.0, dt_s=gap)[4:7] == [UNCLEAR] * 3


@pytest.mark.parametrize("air", [{"maf_g_s": 0.5}, {"maf_g_s": 50.0}, {"map_kpa": 15.0},
                                 {"map_kpa": 99.0}, {"engine_load_pct": 2.0},
                                 {"absolute_load_pct": 90.0}])  # fmt: skip
def test_air_and_load_decide_nothing_of_a_cut(air):
    assert states(pedal_pct=5.0, **air) == states(pedal_pct=5.0)
    assert states(pedal_pct=20.0, **air) == [FUELLED] * 9
    assert states(**air) == states() == [UNCLEAR] * 9


@pytest.mark.parametrize(("pedal", "plate", "foot"), [
    (6.4, None, AT_REST), (6.6, None, PRESSED), (5.0, 14.0, AT_REST), (5.0, 25.0, NOT_KNOWN),
    (None, 14.7, AT_REST), (None, 17.5, AT_REST), (None, 17.7, PRESSED), (None, None, NOT_KNOWN),
])  # fmt: skip
def test_pedal_or_throttle_count_as_at_rest_within_their_margins(pedal, plate, foot):
    found = asks_for_nothing(course(pedal_pct=pedal, throttle_pct=plate), IDLE)
    assert found[4] == foot


def test_a_plate_where_an_accessory_holds_it_is_at_rest_only_if_the_car_slows_down():
    """At 17 % the plate may be shut with the accessory on, or lightly open without."""
    assert state(throttle_pct=17.0) == CUT
    assert states(throttle_pct=17.0, decel_m_s2=0.0) == [FUELLED] * 9
    assert state(throttle_pct=14.0, decel_m_s2=0.0) == CUT  # downhill at a steady speed


def test_a_foot_that_is_not_known_is_open_while_the_car_slows_down():
    assert states(decel_m_s2=0.5) == [UNCLEAR] * 9
    assert states(decel_m_s2=0.1) == [FUELLED] * 9
    assert states(pedal_pct=5.0, throttle_pct=25.0, decel_m_s2=0.0) == [FUELLED] * 9


@pytest.mark.parametrize(("coolant_c", "meaning"), [(59.0, UNCLEAR), (60.0, CUT)])
def test_a_cold_engine_may_be_kept_fuelled_on_overrun(coolant_c, meaning):
    assert state(pedal_pct=5.0, coolant_temp_c=coolant_c) == meaning


@pytest.mark.parametrize(("start_s", "meaning"), [(0.0, UNCLEAR), (300.0, CUT)])
def test_without_coolant_the_first_five_minutes_count_as_cold(start_s, meaning):
    later = course(pedal_pct=5.0, coolant_temp_c=None)
    later["t_s"] += start_s
    assert cut_state(later, IDLE)[-1] == meaning


def test_trims_at_exactly_zero_confirm_a_cut_only_where_they_follow_cuts():
    follows = dataclasses.replace(IDLE, trims_show_cut=True)
    assert state(follows, pedal_pct=5.0, stft1_pct=0.0) == CUT
    assert state(follows, pedal_pct=5.0, stft1_pct=-0.78) == UNCLEAR
    assert state(follows, pedal_pct=5.0, stft1_pct=0.0, stft2_pct=0.78) == UNCLEAR
    assert state(follows, pedal_pct=5.0) == CUT
    assert state(follows, pedal_pct=20.0, stft1_pct=0.0) == FUELLED
    assert state(IDLE, pedal_pct=5.0, stft1_pct=-0.78) == CUT


def test_status_that_follows_cuts_is_believed_and_one_that_does_not_is_not():
    assert state(FOLLOWS, throttle_pct=14.0, fuel_status=CLOSED) == FUELLED
    assert state(IDLE, throttle_pct=14.0, fuel_status=CLOSED) == CUT


@pytest.mark.parametrize(
    ("foot", "load", "meaning"),
    [
        ({"pedal_pct": 5.0}, 10.0, CUT),
        ({"throttle_pct": 14.0}, 10.0, CUT),
        ({"pedal_pct": 60.0}, 10.0, FUELLED),
        ({"throttle_pct": 60.0}, 95.0, FUELLED),
        ({}, 10.0, UNCLEAR),
        ({}, 69.0, UNCLEAR),
        ({}, 70.0, FUELLED),
        ({}, None, UNCLEAR),
        ({"pedal_pct": 5.0, "rpm": 900.0}, 10.0, UNCLEAR),  # rolling to a stand
    ],
)
def test_open_loop_by_load_or_cut_is_told_by_the_foot_else_by_load(foot, load, meaning):
    assert state(fuel_status=LOAD_OR_CUT, engine_load_pct=load, **foot) == meaning
