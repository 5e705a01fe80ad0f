"""Enrichment and overrun, each threshold from both sides.

What of these is a number of the trade stands in `roadlog.fuel.states` with its source.
"""

import numpy as np
import pandas as pd
import pytest

from roadlog.fuel import Calibration
from roadlog.fuel.states import (
    CUT,
    FUELLED,
    UNCLEAR,
    certain_overrun,
    cut_state,
    lambda_bounds,
    overrun,
)
from roadlog.study import Vehicle

PETROL = Vehicle(displacement_l=1.8)
TURBO = Vehicle(displacement_l=1.8, aspiration="turbo")
IDLE = Calibration(
    idle_rpm=750.0, throttle_shut_pct=14.0, pedal_rest_pct=5.0, status_shows_cut=False
)
FOLLOWS = Calibration(idle_rpm=750.0, throttle_shut_pct=14.0, status_shows_cut=True)
CLOSED, COLD, LOAD_OR_CUT, FAULT, CLOSED_FAULT = 2.0, 1.0, 4.0, 8.0, 16.0


def sample(**signals: float) -> pd.DataFrame:
    """One warm second on the road, with signals added or taken away (None)."""
    base = {"t_s": 0.0, "dt_s": 1.0, "speed_kmh": 60.0, "rpm": 2000.0, "coolant_temp_c": 88.0}
    return pd.DataFrame([{k: v for k, v in (base | signals).items() if v is not None}])


def bounds(vehicle: Vehicle = PETROL, *, trust_sensor: bool = True, **signals: float) -> tuple:
    lean, rich, enriched = lambda_bounds(sample(**signals), vehicle, trust_sensor=trust_sensor)
    return float(lean[0]), float(rich[0]), bool(enriched[0])


def state(air: float, calibration: Calibration = IDLE, **signals: float) -> int:
    return int(cut_state(sample(**signals), np.array([air]), calibration)[0])


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
def test_full_load_may_be_enriched_and_less_may_not(signals, high):
    assert bounds(**signals) == ((1.0, 0.85, True) if high else (1.0, 1.0, False))


def test_boost_is_no_sign_of_full_load_but_calculated_load_is():
    assert bounds(TURBO, map_kpa=140.0, absolute_load_pct=120.0) == (1.0, 1.0, False)
    assert bounds(TURBO, engine_load_pct=95.0) == (1.0, 0.85, True)


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
    [(15.0, 2000, False), (15.1, 2000, True), (60, 1050, False), (60, 1051, True)],
)
def test_overrun_needs_road_speed_and_engine_speed(speed, rpm, possible):
    assert bool(overrun(sample(speed_kmh=speed, rpm=rpm), IDLE)[0]) is possible


def test_an_engine_that_stands_burns_nothing_and_a_cranking_one_does():
    assert state(1.0, rpm=99.0, speed_kmh=0.0) == CUT
    assert state(1.0, rpm=101.0, speed_kmh=0.0) == FUELLED
    assert state(1.0, FOLLOWS, rpm=0.0, speed_kmh=0.0, fuel_status=CLOSED) == CUT


def test_hardly_any_air_with_the_throttle_shut_is_a_cut_and_the_idles_air_is_fuel():
    assert state(0.4, throttle_pct=14.0) == CUT
    assert state(1.4, throttle_pct=14.0) == FUELLED
    assert state(0.4, throttle_pct=14.0, speed_kmh=10.0) == FUELLED


def test_a_pressed_pedal_with_air_is_fuelled_and_cruise_control_is_not_decided_by_the_pedal():
    assert state(1.2, pedal_pct=20.0, throttle_pct=25.0) == FUELLED
    assert state(0.9, pedal_pct=20.0, throttle_pct=25.0) == FUELLED
    assert state(0.9, pedal_pct=5.0, throttle_pct=25.0) == UNCLEAR


@pytest.mark.parametrize(("pedal", "plate", "shut"), [
    (6.4, None, True), (6.6, None, False), (None, 15.9, True), (None, 16.1, False),
    (5.0, 15.9, True), (5.0, 16.1, False), (None, None, False),
])  # fmt: skip
def test_throttle_counts_as_shut_within_its_margin(pedal, plate, shut):
    frame = sample(pedal_pct=pedal, throttle_pct=plate)
    assert bool(certain_overrun(frame, np.array([0.3]), IDLE)[0]) is shut


def test_a_certain_overrun_needs_clearly_less_air_than_the_idle():
    frame = sample(throttle_pct=14.0)
    assert certain_overrun(frame, np.array([0.5]), IDLE)[0]
    assert not certain_overrun(frame, np.array([1.0]), IDLE)[0]


def test_status_that_follows_cuts_is_believed_and_one_that_does_not_is_not():
    assert state(0.4, FOLLOWS, throttle_pct=14.0, fuel_status=CLOSED) == FUELLED
    assert state(0.4, IDLE, throttle_pct=14.0, fuel_status=CLOSED) == CUT


@pytest.mark.parametrize(
    ("air", "load", "meaning"),
    [
        (0.5, 10.0, CUT),
        (1.5, 10.0, UNCLEAR),
        (2.0, 10.0, FUELLED),
        (1.9, 10.0, UNCLEAR),
        (1.5, 70.0, FUELLED),
        (1.5, 69.0, UNCLEAR),
        (0.5, 80.0, FUELLED),
    ],
)
def test_open_loop_by_load_or_cut_is_told_by_air_and_load(air, load, meaning):
    assert state(air, fuel_status=LOAD_OR_CUT, engine_load_pct=load) == meaning
