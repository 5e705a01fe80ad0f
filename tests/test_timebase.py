import numpy as np
import pandas as pd
import pytest

from roadlog.errors import InputError
from roadlog.ingest import timebase
from roadlog.ingest.clock.coarse import spread_rounded
from roadlog.ingest.timebase import (
    clock_steps,
    columns_on_one_clock,
    distance_km,
    each_on_one_clock,
    integrate,
    resample,
    shift_positions,
    speed_scale,
)
from roadlog.ingest.twospeeds import lag_of, surely_late_s


def wandering_speed(seconds, rng, mean=60.0):
    """A drive's speed [km/h]: smooth, never still for long."""
    t = np.arange(seconds)
    waves = sum(
        a * np.sin(2 * np.pi * t / p + rng.uniform(0, 6))
        for a, p in ((15, 97), (10, 41), (6, 23), (3, 11))
    )
    return np.maximum(mean + waves, 0)


def test_even_log_comes_back_as_it_was():
    frame = pd.DataFrame({"t_s": np.arange(10.0), "speed_kmh": np.arange(10.0) ** 2})
    samples = resample(frame)
    assert samples["t_s"].tolist() == frame["t_s"].tolist()
    assert samples["speed_kmh"].tolist() == frame["speed_kmh"].tolist()
    assert samples["dt_s"].tolist() == [0.5, *[1.0] * 8, 0.5]


def test_input_frame_is_left_alone():
    frame = pd.DataFrame({"t_s": [0.0, 0.7, 2.0], "speed_kmh": [1.0, np.nan, 3.0]})
    before = frame.copy()
    resample(frame)
    pd.testing.assert_frame_equal(frame, before)


@pytest.mark.parametrize("step_s", [1.0, 0.5, 0.2])
def test_grid_is_even_and_stands_for_all_logged_time(step_s):
    rng = np.random.default_rng(1)
    t = np.cumsum(rng.uniform(0.2, 1.5, 400))
    samples = resample(pd.DataFrame({"t_s": t, "rpm": np.full(400, 900.0)}), step_s=step_s)
    assert np.allclose(np.diff(samples["t_s"]), step_s)
    assert samples["dt_s"].sum() == pytest.approx(t[-1] - t[0])
    assert np.allclose(samples["rpm"], 900)


def test_gap_of_the_clock_counts_neither_time_nor_distance():
    t = np.r_[np.arange(0, 10.3, 0.5), np.arange(40.2, 60, 0.5)]
    frame = pd.DataFrame({"t_s": t, "speed_kmh": 36.0, "coolant_temp_c": 80.0, "fuel_status": 2.0})
    samples = resample(frame)
    inside = samples["t_s"].between(11, 39)
    assert samples.loc[inside, "dt_s"].eq(0).all()
    assert samples.loc[inside, ["speed_kmh", "coolant_temp_c", "fuel_status"]].isna().all(axis=None)
    logged = (10.0 - 0) + (t[-1] - 40.2)
    assert samples["dt_s"].sum() == pytest.approx(logged)
    assert distance_km(samples) == pytest.approx(36 / 3600 * logged)


def test_flow_signal_is_not_carried_across_its_own_gap_while_the_clock_runs():
    t = np.arange(60.0)
    maf = np.where((t > 20) & (t < 30), np.nan, 10.0)
    samples = resample(pd.DataFrame({"t_s": t, "maf_g_s": maf, "speed_kmh": 50.0}))
    assert samples.loc[samples["t_s"].between(22, 28), "maf_g_s"].isna().all()
    assert samples.loc[samples["t_s"].between(22, 28), "dt_s"].eq(1).all()
    both = ("speed_kmh", "maf_g_s")
    fuel_time = integrate(samples, "maf_g_s") / 10
    assert distance_km(samples, also=both) == pytest.approx(50 / 3600 * fuel_time)
    assert distance_km(samples) > distance_km(samples, also=both)


@pytest.mark.parametrize(("interval", "limit"), [(0.5, 3.0), (2.0, 6.0), (5.0, 10.0)])
def test_limit_is_three_median_intervals_within_3_and_10_s(interval, limit):
    t = np.arange(0, 200, interval)
    for hole, bridged in ((limit - 0.25, True), (limit + 1.25, False)):
        late = np.where(t > 100, t + hole - interval, t)
        rows = np.unique(np.r_[late, np.arange(0, 200, 0.25)])
        frame = pd.DataFrame({"t_s": rows, "rpm": 1000.0})
        speed = pd.Series(np.nan, index=range(len(rows)))
        speed[np.isin(rows, late)] = 40.0
        samples = resample(frame.assign(speed_kmh=speed))
        middle = samples.loc[samples["t_s"].between(100, 100 + hole), "speed_kmh"]
        assert middle.notna().all() == bridged


def test_slow_signal_is_interpolated_up_to_a_minute_and_held_at_the_end():
    t = np.arange(300.0)
    coolant = np.full(300, np.nan)
    coolant[[0, 50, 200]] = 20.0, 70.0, 90.0
    samples = resample(pd.DataFrame({"t_s": t, "rpm": 900.0, "coolant_temp_c": coolant}))
    value = samples["coolant_temp_c"]
    assert value[25] == pytest.approx(45)
    assert value[100] == 70  # within a minute of the last reading
    assert np.isnan(value[125])  # 150 s between readings: unknown in the middle
    assert value[260] == 90
    assert np.isnan(value[261])


def test_status_is_held_and_never_averaged():
    t = np.arange(20.0)
    status = np.where(t < 10, 1.0, 2.0)
    status[1:10:2] = np.nan
    samples = resample(pd.DataFrame({"t_s": t, "rpm": 900.0, "fuel_status": status}), step_s=0.5)
    assert set(samples["fuel_status"]) == {1.0, 2.0}
    assert samples.loc[samples["t_s"] == 9.5, "fuel_status"].item() == 1.0


def test_heading_turns_through_north_the_short_way():
    frame = pd.DataFrame({"t_s": [0.0, 2.0, 4.0], "heading_deg": [350.0, 10.0, 30.0]})
    assert resample(frame)["heading_deg"].round(6).tolist() == [350.0, 0.0, 10.0, 20.0, 30.0]


def test_position_is_never_held_beyond_its_readings():
    t = np.arange(10.0)
    lat = np.where(t < 4, 50 + t / 1e4, np.nan)
    samples = resample(pd.DataFrame({"t_s": t, "rpm": 900.0, "lat_deg": lat}))
    assert samples["lat_deg"].notna().sum() == 4


def test_signals_polled_in_turn_line_up_on_one_grid():
    """A slow bus: one reading a row, four signals in turn, 0.3 s apart."""
    t = np.arange(0, 120, 0.3)
    turn = np.arange(len(t)) % 4
    truth = {"speed_kmh": 40 + 0.1 * t, "rpm": 1500 + 2 * t, "maf_g_s": 8 + 0.02 * t}
    frame = pd.DataFrame({"t_s": t} | {n: np.where(turn == k, v, np.nan)
                                       for k, (n, v) in enumerate(truth.items())})  # fmt: skip
    frame["coolant_temp_c"] = np.where(turn == 3, 80.0, np.nan)
    samples = resample(frame)
    inner = samples[samples["t_s"].between(2, 117)]
    assert np.allclose(inner["speed_kmh"], 40 + 0.1 * inner["t_s"])
    assert np.allclose(inner["rpm"], 1500 + 2 * inner["t_s"])
    assert samples.notna().all(axis=None)


def test_fast_log_keeps_its_integral_when_brought_to_one_hertz():
    rng = np.random.default_rng(3)
    t = np.arange(0, 600.01, 0.1)
    flow = rng.gamma(2, 5, len(t))
    samples = resample(pd.DataFrame({"t_s": t, "maf_g_s": flow}))
    assert integrate(samples, "maf_g_s") == pytest.approx(np.trapezoid(flow, t), rel=1e-9)


def test_rows_with_the_same_time_are_merged():
    frame = pd.DataFrame(
        {
            "t_s": [0.0, 1.25, 1.25, 2.5],
            "speed_kmh": [10.0, 20, 30, 40],
            "fuel_status": [1.0, 1, 2, 2],
        }
    )
    samples = resample(frame, step_s=1.25)
    assert samples["speed_kmh"].tolist() == [10, 25, 40]
    assert samples["fuel_status"].tolist() == [1, 2, 2]


def test_rounded_clock_is_spread_within_its_seconds():
    true = np.arange(0.6, 60, 0.25)
    speed = 2 * true
    samples = resample(pd.DataFrame({"t_s": np.floor(true), "speed_kmh": speed}))
    inner = samples.iloc[2:-2]
    assert np.abs(inner["speed_kmh"] - 2 * inner["t_s"]).max() < 0.6
    assert samples["dt_s"].sum() == pytest.approx(true[-1] - true[0], abs=0.3)


def test_clock_rounded_to_minutes_is_spread_too():
    true = np.arange(20.0, 600, 5)
    spread = spread_rounded(np.floor(true / 60) * 60)
    assert np.abs(spread - true).max() < 5.01


def test_a_few_doubled_rows_do_not_make_a_rounded_clock():
    t = np.r_[0:50.0, 49.0]
    assert spread_rounded(np.sort(t)).tolist() == np.sort(t).tolist()


def test_time_that_runs_backwards_is_refused():
    frame = pd.DataFrame({"t_s": [0.0, 1, 2, 1.5], "rpm": 900.0})
    with pytest.raises(InputError, match=r"backwards after 2\.0 s"):
        resample(frame)


@pytest.mark.parametrize("step_s", [0.0, -1.0, float("nan")])
def test_step_must_be_positive(step_s):
    with pytest.raises(InputError, match="not positive"):
        resample(pd.DataFrame({"t_s": [0.0, 1], "rpm": 900.0}), step_s=step_s)


def test_log_without_any_reading_is_refused():
    with pytest.raises(InputError, match="no row"):
        resample(pd.DataFrame({"t_s": [0.0, 1], "rpm": np.nan}))


def test_one_row_stands_for_no_time():
    samples = resample(pd.DataFrame({"t_s": [5.0], "rpm": [900.0]}))
    assert samples["dt_s"].tolist() == [0.0]
    assert samples["rpm"].tolist() == [900.0]


@pytest.mark.parametrize("lag", [-12.0, -3.4, 0.0, 2.5, 17.0])
def test_gps_clock_lag_and_scale_are_found(lag):
    rng = np.random.default_rng(7)
    t = np.arange(1500.0)
    wheel = wandering_speed(1500, rng)
    true_gps = np.interp(t - lag, t, wheel) * 0.97 + rng.normal(0, 0.5, 1500)
    samples = pd.DataFrame({"t_s": t, "dt_s": 1.0, "speed_kmh": np.round(wheel),
                            "gps_speed_kmh": true_gps})  # fmt: skip
    found = speed_scale(samples)
    assert found.aligned
    assert found.lag_s == pytest.approx(lag, abs=0.3)
    assert found.factor == pytest.approx(0.97, abs=0.003)
    assert found.n == 1500


def test_shifted_positions_lie_on_the_engine_clock():
    rng = np.random.default_rng(8)
    t = np.arange(900.0)
    wheel = wandering_speed(900, rng)
    along = np.cumsum(wheel) / 3.6
    samples = pd.DataFrame({"t_s": t, "dt_s": 1.0, "speed_kmh": wheel,
                            "gps_speed_kmh": np.interp(t - 5, t, wheel),
                            "lat_deg": 50 + np.interp(t - 5, t, along) / 111_000})  # fmt: skip
    shifted = shift_positions(samples, speed_scale(samples).lag_s)
    error_m = (shifted["lat_deg"] - (50 + along / 111_000)).dropna().abs() * 111_000
    assert len(error_m) >= 890
    assert error_m.median() < 4
    assert shifted["lat_deg"].isna().sum() >= 4
    assert shifted["speed_kmh"].equals(samples["speed_kmh"])


def test_steady_cruise_does_not_align_the_clocks():
    rng = np.random.default_rng(9)
    t = np.arange(1200.0)
    samples = pd.DataFrame({"t_s": t, "dt_s": 1.0, "speed_kmh": 100 + rng.normal(0, 0.3, 1200),
                            "gps_speed_kmh": 98 + rng.normal(0, 0.5, 1200)})  # fmt: skip
    found = speed_scale(samples)
    assert not found.aligned
    assert found.lag_s == 0
    assert "flat" in found.note
    assert found.factor == pytest.approx(0.98, abs=0.002)


def test_gps_clock_step_within_a_run_is_said():
    t = np.arange(1600.0)
    wheel = wandering_speed(1600, np.random.default_rng(10))
    gps = np.where(t < 800, wheel, np.interp(t - 8, t, wheel))
    found = speed_scale(
        pd.DataFrame({"t_s": t, "dt_s": 1.0, "speed_kmh": wheel, "gps_speed_kmh": gps})
    )
    assert not found.aligned
    assert "steps by +8 s" in found.note


def test_no_gps_speed_means_not_aligned():
    found = speed_scale(pd.DataFrame({"t_s": [0.0, 1], "dt_s": 1.0, "speed_kmh": 50.0}))
    assert not found.aligned
    assert np.isnan(found.factor)


def test_clock_set_forward_in_mid_run_is_reported():
    t = np.arange(100.0)
    frame = pd.DataFrame({"t_s": np.where(t < 50, t, t + 3600), "engine_runtime_s": t + 12})
    (step,) = clock_steps(frame)
    assert step.step_s == pytest.approx(3600)
    assert step.t_s == 49


def test_pause_with_the_engine_running_is_no_clock_step():
    t = np.r_[0:50.0, 170:250.0]
    assert clock_steps(pd.DataFrame({"t_s": t, "engine_runtime_s": t + 3})) == ()


def test_clock_going_back_is_reported():
    (step,) = clock_steps(pd.DataFrame({"t_s": [0.0, 10, 20, 5, 6]}))
    assert step.step_s == -15


@pytest.mark.parametrize("late_s", [0, 0.6, 0.99, 1.01, 4, -2])
def test_positions_are_late_by_the_lag_of_the_speeds_or_not_at_all(late_s):
    rng = np.random.default_rng(5)
    t = np.arange(900.0)
    fine = np.linspace(-20, 920, 9401)
    speed = np.interp(fine, np.arange(-20.0, 921.0), wandering_speed(941, rng))
    wheel = np.interp(t, fine, speed)
    gps = np.interp(t - late_s, fine, speed) + rng.normal(0, 0.3, len(t))
    gps[:7] = np.nan
    lag = lag_of(wheel, gps, 1.0)
    assert lag.lag_s == pytest.approx(late_s, abs=0.1)
    assert surely_late_s(wheel, gps, 1.0, 1.0) == (lag.lag_s if abs(lag.lag_s) >= 1 else None)
    step = np.where(t < 450, gps, np.interp(t - 9, fine, speed))
    assert surely_late_s(wheel, step, 1.0, 1.0) is None


def test_logs_together_come_as_each_alone_and_few_are_held_at_once(monkeypatch):
    rng = np.random.default_rng(2)
    frames = []
    for n in (400, 3, 150, 700, 1, 90, 260):
        frame = pd.DataFrame({"t_s": np.cumsum(rng.choice([0.5, 1.0, 7.0], n))})
        for name in ("speed_kmh", "gps_speed_kmh", "lat_deg", "coolant_temp_c", "fuel_status"):
            frame[name] = rng.uniform(0, 90, n)
            frame.loc[1:, name] = frame.loc[1:, name].where(rng.random(n - 1) > 0.2)
        frames.append(frame)
    alone = [columns_on_one_clock(frame) for frame in frames]
    sizes = []
    plain = timebase._on_one_clock
    monkeypatch.setattr(timebase, "TOGETHER_ROWS", 800)
    monkeypatch.setattr(
        timebase, "_on_one_clock", lambda logs: sizes.append(len(logs)) or plain(logs)
    )
    together = each_on_one_clock(frames)
    assert sizes == [3, 3, 1]
    assert each_on_one_clock([]) == []
    for (one, lag), (other, other_lag) in zip(together, alone, strict=True):
        assert lag == other_lag
        assert one.columns == other.columns
        for name in one.columns:
            np.testing.assert_array_equal(one[name], other[name])
