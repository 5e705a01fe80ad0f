"""Standing starts compared by arm: corrections, direction pairing, interval, findings."""

import numpy as np
import pandas as pd
import pytest

from roadlog.demo.starts import Moment, full_throttle_rise
from roadlog.errors import DesignError, InputError
from roadlog.physics.air import WIND_AT_CAR
from roadlog.trials import course
from roadlog.trials.course import ambient_factor, corrected_time, pulling_power
from roadlog.trials.declared import Declared
from roadlog.trials.standing_start import gather_starts, standing_start_result
from roadlog.trials.starts import choose_speed, find_starts, wide_open
from tests.trials.synthetic import (
    CAR,
    FIRST_GEAR,
    POWER_KW,
    runs_table,
    speed_trace,
    start_log,
    true_power,
    true_time,
)

ABBA = ["baseline", "fitted", "fitted", "baseline", "baseline", "fitted"]


def one_start(trace, interval_s=0.1):
    log = start_log([trace], interval_s=interval_s, whole=False)
    return find_starts(log, choose_speed([log]), 100.0, wide_open([log]))[0][0]


def session(effect_pct=0.0, *, arms=ABBA, grade=0.0, seed=3, headings=True, blocks=None, **kw):
    """Each unit: four starts, out and back in turn, with a little scatter in power."""
    rng = np.random.default_rng(seed)
    logs = []
    for i, arm in enumerate(arms):
        first_gear = FIRST_GEAR * (1 + (effect_pct / 100 if arm == "fitted" else 0.0))
        ways = [20.0, 200.0, 20.0, 200.0]
        traces = [
            speed_trace(
                POWER_KW
                * (1 + (effect_pct / 100 if arm == "fitted" else 0.0))
                * np.exp(rng.normal(0, 0.008)),
                grade=grade if w == 20.0 else -grade,
                first_gear=first_gear,
            )
            for w in ways
        ]
        logs.append(
            start_log(
                traces,
                headings=ways if headings else None,
                name=f"log {i}.csv",
                phase_s=rng.uniform(0, 0.2),
                **kw,
            )
        )
    return logs, runs_table(arms, blocks=blocks)


@pytest.mark.parametrize(
    ("conditions", "tolerance"),
    [
        ({"grade": 0.01}, 0.02),
        ({"headwind_m_s": 4.0}, 0.02),
        ({"density_kg_m3": 1.29}, 0.02),
        ({"grade": -0.015, "headwind_m_s": -3.0, "density_kg_m3": 1.02}, 0.02),
    ],
)
def test_a_start_on_a_grade_in_wind_is_brought_to_the_level_course(conditions, tolerance):
    level = true_time(*speed_trace(POWER_KW))
    driven = speed_trace(POWER_KW, **conditions)
    air = {"density_kg_m3": course.STANDARD_DENSITY_KG_M3, **conditions}
    start = one_start(driven)
    time = corrected_time(start, 100.0, CAR, **air)
    power, pulling = pulling_power(start, 100.0, CAR, **air)
    assert abs(true_time(*driven) - level) > 2 * tolerance
    assert time == pytest.approx(level, abs=tolerance)
    assert power == pytest.approx(true_power(*driven, **conditions), rel=0.01)
    assert pulling == pytest.approx(true_time(*driven, from_kmh=30.0), abs=0.02)


def test_thin_air_is_allowed_for_by_the_power_factor():
    factor = ambient_factor(30.0, 90.0)
    thin = speed_trace(POWER_KW / factor, first_gear=FIRST_GEAR / factor)
    time = corrected_time(
        one_start(thin), 100.0, CAR,
        density_kg_m3=course.STANDARD_DENSITY_KG_M3, power_factor=factor,
    )  # fmt: skip
    assert time == pytest.approx(true_time(*speed_trace(POWER_KW)), abs=0.03)


def test_a_power_gain_is_found_and_nothing_is_not():
    for effect, claim, word in ((0.0, 10.0, "refuted"), (12.0, 5.0, "supported")):
        logs, runs = session(effect)
        starts = gather_starts(logs, runs, CAR, target_kmh=100.0)
        result = standing_start_result(starts, claim=("power_pct", claim))
        assert result.low < effect < result.high
        assert result.finding == word
        assert "closed course" in result.cautions[0]


def test_gear_changes_do_not_make_a_change_of_power_look_smaller():
    """On the demonstration's car, whose clutch slips at first and whose gears are changed."""
    with_lifts, without = [], []
    for gain in (1.0, 1.08):
        rise = full_throttle_rise(Moment(power_factor=gain))
        log = start_log([(rise.t_s, 3.6 * rise.speed_m_s)], interval_s=0.05, whole=False)
        since = log.frame["t_s"] - 8.0
        shifting = np.interp(since, rise.t_s, rise.shifting.astype(float)) > 0.5
        log.frame.loc[shifting, "pedal_pct"] = 15.0
        start = find_starts(log, "speed_kmh", 100.0, wide_open([log]))[0][0]
        assert start.lifted_s(0.0) == pytest.approx(0.9, abs=0.06)
        for found, leave_out in ((with_lifts, True), (without, False)):
            power, _ = pulling_power(
                start, 100.0, CAR, leave_out_lifts=leave_out,
                density_kg_m3=course.STANDARD_DENSITY_KG_M3,
            )  # fmt: skip
            found.append(power)
    assert with_lifts[1] / with_lifts[0] == pytest.approx(1.08, abs=0.004)
    assert without[1] / without[0] < 1.074


def test_without_a_pedal_a_claim_of_power_is_not_refuted():
    logs, runs = session(0.0, pedal=None)
    starts = gather_starts(logs, runs, CAR, target_kmh=100.0, declared=Declared(only_starts=True))
    result = standing_start_result(starts, claim=("power_pct", 10.0))
    assert result.high < 10
    assert result.finding == "undecided"
    assert any("can't be refuted" in n for n in result.notes)
    quicker = standing_start_result(starts, claim=("time_pct", 10.0))
    assert quicker.finding == "refuted"


def test_the_time_effect_holds_the_truth_in_seconds_and_percent():
    logs, runs = session(8.0)
    result = standing_start_result(gather_starts(logs, runs, CAR, target_kmh=100.0))
    truth = 100 * (
        true_time(*speed_trace(POWER_KW * 1.08, first_gear=FIRST_GEAR * 1.08))
        / true_time(*speed_trace(POWER_KW))
        - 1
    )
    assert result.unit == "% time"
    assert result.low < truth < result.high
    assert result.high - result.low < 4
    assert result.details["baseline_time_s"] == pytest.approx(
        true_time(*speed_trace(POWER_KW)), rel=0.01
    )


def test_a_grade_drops_out_of_direction_pairs():
    flat = standing_start_result(gather_starts(*session(0.0), CAR, target_kmh=100.0))
    sloping = standing_start_result(
        gather_starts(*session(0.0, grade=0.012), CAR, target_kmh=100.0)
    )
    assert sloping.estimate == pytest.approx(flat.estimate, abs=0.4)
    assert sloping.low < 0 < sloping.high


def test_alternating_directions_can_be_told_without_positions():
    logs, runs = session(0.0, grade=0.012, headings=False)
    known = gather_starts(logs, runs, CAR, target_kmh=100.0, alternating=True)
    assert set(known.table["direction"]) == {"out", "back"}
    unknown = gather_starts(logs, runs, CAR, target_kmh=100.0)
    assert any("direction of the starts is unknown" in n for n in unknown.notes)
    assert "directions" in standing_start_result(unknown).strength


def test_blocks_take_out_what_changes_from_block_to_block():
    arms, blocks = ["baseline", "fitted"] * 4, [str(i // 2) for i in range(8)]
    rng = np.random.default_rng(8)
    logs = []
    for i in range(8):
        day = POWER_KW * (1 + 0.05 * (i // 2))  # a drier, cooler day each time
        logs.append(
            start_log(
                [speed_trace(day * np.exp(rng.normal(0, 0.004))) for _ in range(4)],
                name=f"log {i}.csv", headings=[20.0, 200.0] * 2, interval_s=0.1,
            )
        )  # fmt: skip
    blocked = standing_start_result(
        gather_starts(logs, runs_table(arms, blocks=blocks), CAR, target_kmh=100.0)
    )
    not_blocked = standing_start_result(
        gather_starts(logs, runs_table(arms), CAR, target_kmh=100.0)
    )
    assert blocked.details["df"] == 3
    assert blocked.high - blocked.low < 0.5 * (not_blocked.high - not_blocked.low)


def test_starts_that_agree_by_accident_keep_the_width_of_their_readings():
    same = speed_trace(POWER_KW)
    logs = [start_log([same] * 2, interval_s=1.0, name=f"log {i}") for i in range(6)]
    result = standing_start_result(gather_starts(logs, runs_table(ABBA), CAR, target_kmh=100.0))
    assert result.high - result.low > 4
    assert any("agree better than their readings" in n for n in result.notes)


def test_each_arm_in_its_own_direction_cannot_answer():
    trace = speed_trace(POWER_KW)
    logs = [
        start_log([trace] * 2, headings=[20.0 if a == "baseline" else 200.0] * 2, name=f"log {i}")
        for i, a in enumerate(ABBA)
    ]
    starts = gather_starts(logs, runs_table(ABBA), CAR, target_kmh=100.0)
    with pytest.raises(DesignError, match="both directions"):
        standing_start_result(starts)


def test_one_unit_an_arm_gives_no_interval_and_no_finding():
    logs, runs = session(0.0, arms=["baseline", "fitted"])
    result = standing_start_result(
        gather_starts(logs, runs, CAR, target_kmh=100.0), claim=("time_pct", 5.0)
    )
    assert result.low is None
    assert result.finding == "undecided"
    assert "too few" in result.strength


def test_an_arm_without_a_start_is_named():
    logs, runs = session(0.0, arms=["baseline", "fitted"])
    logs[1].frame["speed_kmh"] = logs[1].frame["speed_kmh"].clip(upper=60)
    with pytest.raises(DesignError, match=r"fitted arm.*lower --target"):
        gather_starts(logs, runs, CAR, target_kmh=100.0)


def test_air_is_corrected_where_it_is_known_and_turbos_get_no_factor():
    logs, runs = session(0.0)
    logs = [
        type(g)(g.path, g.frame.assign(ambient_temp_c=30.0, baro_kpa=90.0), g.start) for g in logs
    ]
    natural = gather_starts(logs, runs, CAR, target_kmh=100.0).table
    turbo = gather_starts(
        logs, runs, CAR.model_copy(update={"aspiration": "turbo"}), target_kmh=100.0
    ).table
    assert natural["ambient_factor"].iloc[0] > 1.1
    assert (turbo["ambient_factor"] == 1.0).all()
    assert (natural["std_time_s"] < natural["time_s"]).all()


def test_wind_of_the_weather_table_is_taken_off_each_start():
    """A steady 5 m/s from the direction of the out starts; only fitted starts are driven in it."""
    felt = 5.0 * WIND_AT_CAR
    logs = []
    for i, arm in enumerate(ABBA):
        wind = felt if arm == "fitted" else 0.0
        logs.append(
            start_log(
                [speed_trace(POWER_KW, headwind_m_s=wind)] * 2,
                headings=[20.0, 20.0], name=f"log {i}", interval_s=0.1, whole=False,
                start=f"2026-04-0{i + 1} 10:00",
            )
        )  # fmt: skip
    weather = pd.DataFrame(
        {
            "time": pd.to_datetime([f"2026-04-0{i + 1} 10:00" for i in range(6)]),
            "wind_speed_m_s": [5.0 if a == "fitted" else 0.0 for a in ABBA],
            "wind_from_deg": 20.0,
        }
    )
    runs = runs_table(ABBA)
    raw = standing_start_result(gather_starts(logs, runs, CAR, target_kmh=100.0))
    taken_off = standing_start_result(
        gather_starts(logs, runs, CAR, target_kmh=100.0, weather=weather)
    )
    assert raw.estimate > 1.0
    assert abs(taken_off.estimate) < 0.2
    assert any("Wind from the study's weather" in n for n in taken_off.notes)


def test_a_claim_longer_than_the_start_is_refused():
    logs, runs = session(0.0)
    starts = gather_starts(logs, runs, CAR, target_kmh=100.0)
    with pytest.raises(InputError, match="more than the whole start"):
        standing_start_result(starts, claim=("time_s", 20.0))
