"""The rules that keep or leave out a pass, each from both sides, and the sums of a pass."""

import numpy as np
import pandas as pd
import pytest

from roadlog.passes.cautions import source_warnings
from roadlog.passes.table import build_passes
from roadlog.road import Network, Segment
from roadlog.study.settings import Study, parse_study

STUDY = Study()
LENGTH_M = 1000.0
RUNS = 12


def straight() -> Network:
    s = np.arange(0, LENGTH_M + 1, 10.0)
    flat = np.zeros_like(s)
    segment = Segment("A01", LENGTH_M, s, s, flat, 45 + flat, 7 + flat, flat, flat)
    return Network("road", (45.0, 7.0), (segment,), dict.fromkeys(range(RUNS), (flat, flat)))


def track(**columns: object) -> pd.DataFrame:
    """100 s at 36 km/h from one end of the segment to the other."""
    n = 101
    s = np.linspace(0, LENGTH_M, n)
    frame = pd.DataFrame(
        {
            "t_s": np.arange(float(n)), "dt_s": 1.0, "speed_kmh": 36.0, "fuel_flow_g_s": 0.5,
            "fuel_flow_low_g_s": 0.5, "fuel_flow_high_g_s": 0.5, "fuel_state": "metered",
            "x_m": s, "y_m": 0.0, "segment": "A01", "traversal": 0, "s_m": s, "grade": 0.0,
            "d_m": s, "traction_w": 4000.0, "vsp_kw_t": 3.0, "ambient_c": 10.0, "op_mode": 33,
            "pressure_kpa": 100.0, "air_density_kg_m3": 1.2, "headwind_m_s": 0.0, "wet_road": 0.0,
            "ambient_source": "sensor", "pressure_source": "sensor", "coolant_temp_c": 88.0,
        }
    )  # fmt: skip
    return frame.assign(**columns)


def table(first: pd.DataFrame, study: Study = STUDY) -> pd.Series:
    """The first run's pass, among eleven plain ones that set the usual ratio."""
    tracks = {r: first if r == 0 else track() for r in range(RUNS)}
    day = [f"2026-03-{2 + r // 2:02d}" for r in range(RUNS)]
    runs = pd.DataFrame(
        {
            "run": range(RUNS), "file": [f"d{r}.csv" for r in range(RUNS)],
            "arm": ["baseline" if r // 2 % 2 else "fitted" for r in range(RUNS)],
            "start": pd.to_datetime(day), "day": day, "switch_unit": day, "block": "",
            "used": True, "reason": "", "km": 1.0, "fuel_l": 0.1, "fuel_low_l": 0.1,
            "fuel_high_l": 0.1, "hours": 0.03,
        }
    )  # fmt: skip
    return build_passes(tracks, runs, straight(), study, None).iloc[0]


@pytest.mark.parametrize(("share", "used"), [(0.88, False), (0.92, True)])
def test_a_pass_covers_nine_tenths_of_its_segment(share, used):
    s = np.linspace(0, share * LENGTH_M, 101)
    row = table(track(s_m=s, d_m=s))
    assert row["length_share"] == pytest.approx(share, abs=0.01)
    assert row["used"] == used
    assert used or "% of the segment driven" in str(row["reason"])


@pytest.mark.parametrize("sign", [-1, 1])
@pytest.mark.parametrize(("error", "used"), [(0.08, True), (0.12, False)])
def test_wheel_distance_is_within_a_tenth_of_the_segment(sign, error, used):
    row = table(track(d_m=(1 + sign * error) * np.linspace(0, LENGTH_M, 101)))
    assert row["used"] == used
    assert used or f"{sign * 12:+d} % off the segment's length" in str(row["reason"])


@pytest.mark.parametrize(("known", "used"), [(0.88, False), (0.92, True)])
def test_fuel_and_speed_are_known_for_the_share_that_the_study_asks(known, used):
    flow = np.where(np.arange(101) < 101 * known, 0.5, np.nan)
    study = parse_study("[analysis]\nmin_coverage = 0.9")
    assert table(track(fuel_flow_g_s=flow), study)["used"] == used


@pytest.mark.parametrize(("washout", "used"), [(0.0, True), (0.05, False)])
def test_washout_is_counted_from_the_switch(washout, used):
    assert table(track(), parse_study(f"[device]\nwashout_km = {washout}"))["used"] == used


def test_braking_gives_no_work_back():
    """4 kW for one half and -8 kW for the other: 4 kW over half the time is the demand."""
    power = np.where(np.arange(101) < 50, 4000.0, -8000.0)
    row = table(track(traction_w=power))
    assert row["demand_kj_per_km"] == pytest.approx(4.0 * 50 / row["distance_km"])


@pytest.mark.parametrize(("coolant", "cold"), [(69.9, 1.0), (70.0, 0.0)])
def test_an_engine_below_seventy_degrees_is_cold(coolant, cold):
    assert table(track(coolant_temp_c=coolant))["cold_share"] == cold


def test_idling_is_below_one_kilometre_an_hour():
    speed = np.full(101, 36.0)
    speed[20:30], speed[30:45] = 0.9, 1.1
    row = table(track(speed_kmh=speed))
    assert row["idle_s_per_km"] == pytest.approx(10 / row["distance_km"])


def test_sums_run_over_the_same_samples():
    """Where speed is lost, distance, time and fuel lose the same ten seconds."""
    speed = np.where((np.arange(101) >= 40) & (np.arange(101) < 50), np.nan, 36.0)
    row = table(track(speed_kmh=speed, fuel_flow_low_g_s=0.4, fuel_flow_high_g_s=0.6))
    assert row["duration_s"] == 91
    assert row["distance_km"] == pytest.approx(0.91)
    assert row["mean_speed_kmh"] == pytest.approx(36)
    assert row["coverage"] == pytest.approx(91 / 101)
    assert row["fuel_low_ml"] / row["fuel_ml"] == pytest.approx(0.8)
    assert row["fuel_high_ml"] / row["fuel_ml"] == pytest.approx(1.2)
    assert row["ml_per_km"] == pytest.approx(row["fuel_ml"] / 0.91)


@pytest.mark.parametrize(("from_station", "told"), [(1, False), (3, True)])
def test_another_source_in_a_fifth_of_one_arm_is_told(from_station, told):
    passes = pd.DataFrame({"used": True, "arm": ["baseline"] * 10 + ["fitted"] * 10})
    source = ["sensor"] * 10 + ["weather"] * from_station + ["sensor"] * (10 - from_station)
    assert bool(source_warnings(passes.assign(ambient_source=source))) is told
