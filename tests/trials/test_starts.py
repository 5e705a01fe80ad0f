"""Finding and timing full-throttle starts in a log."""

import numpy as np
import pandas as pd
import pytest

from roadlog.errors import DesignError, InputError
from roadlog.ingest import read_log
from roadlog.trials.declared import Declared, read_declared
from roadlog.trials.starts import choose_speed, find_starts, wide_open
from tests.trials.synthetic import POWER_KW, speed_trace, start_log, true_time


def found_in(log, target=100.0):
    return find_starts(log, choose_speed([log]), target, wide_open([log]))


def test_every_full_throttle_start_is_found_and_timed_within_its_uncertainty():
    trace = speed_trace(POWER_KW)
    log = start_log([trace] * 4, interval_s=0.1, whole=False)
    found, aside = found_in(log)
    assert len(found) == 4
    assert not aside
    for s in found:
        assert s.time_s == pytest.approx(true_time(*trace), abs=0.02)
        assert s.u_time_s < 0.06
        assert s.open_throttle


def test_a_part_throttle_start_is_set_aside_with_why():
    full, lazy = speed_trace(POWER_KW), speed_trace(POWER_KW * 0.5)
    log = start_log([full, lazy], interval_s=0.2)
    half = log.frame["t_s"] > 45
    log.frame.loc[half, "pedal_pct"] *= 0.6
    found, aside = found_in(log)
    assert len(found) == 1
    assert "throttle fully open for only 0 %" in aside[0].reason


def test_a_rolling_acceleration_is_no_start():
    trace = speed_trace(POWER_KW)
    log = start_log([trace], interval_s=0.2)
    log.frame["speed_kmh"] = log.frame["speed_kmh"].clip(lower=30)
    assert found_in(log) == ([], [])


def test_a_lift_between_gears_stays_in_and_a_stop_on_the_way_does_not():
    trace = speed_trace(POWER_KW)
    log = start_log([trace], interval_s=0.1)
    speed = log.frame["speed_kmh"].to_numpy(float, copy=True)
    shift = int(np.argmax(speed >= 50))
    speed[shift : shift + 3] -= 2
    found, _ = found_in(start_log_with(log, speed))
    assert len(found) == 1
    speed[shift : shift + 20] = 0
    assert found_in(start_log_with(log, speed))[0] == [] or (
        found_in(start_log_with(log, speed))[0][0].at_s > log.frame["t_s"].iloc[shift]
    )


def start_log_with(log, speed):
    frame = log.frame.assign(speed_kmh=speed)
    return type(log)(log.path, frame, log.start)


def test_slower_readings_widen_the_uncertainty_and_are_not_refused():
    trace = speed_trace(POWER_KW)
    u = []
    for interval in (0.1, 0.5, 1.0, 2.0):
        (s,), _ = found_in(start_log([trace], interval_s=interval))
        u.append(s.u_time_s)
        assert abs(s.time_s - true_time(*trace)) < 3 * s.u_time_s
    assert u == sorted(u)
    assert u[-1] > 0.6


def test_stated_uncertainty_matches_the_scatter_of_random_phases():
    """Whole km/h and a poll of random phase: the scatter is no larger than what is stated."""
    rng = np.random.default_rng(4)
    trace = speed_trace(POWER_KW)
    for interval in (0.25, 1.0):
        times, stated = [], []
        for _ in range(60):
            log = start_log([trace], interval_s=interval, phase_s=rng.uniform(0, interval))
            (s,), _ = found_in(log)
            times.append(s.time_s)
            stated.append(s.u_time_s)
        assert np.std(times) <= np.mean(stated)


def test_stale_readings_scatter_no_more_than_is_stated_and_lose_no_start():
    """Each reading up to one interval old, as an engine controller may answer."""
    trace = speed_trace(POWER_KW)
    for interval in (0.1, 0.5, 1.0):
        times, stated = [], []
        for k in range(60):
            rng = np.random.default_rng(k)
            log = start_log(
                [trace], interval_s=interval, phase_s=rng.uniform(0, interval), stale=rng
            )
            (s,), _ = found_in(log)
            times.append(s.time_s)
            stated.append(s.u_time_s)
        assert np.std(times) <= 1.05 * np.mean(stated)
        assert np.std(times) > 0.4 * np.mean(stated)


def test_a_reading_held_over_many_rows_counts_as_slow():
    trace = speed_trace(POWER_KW)
    log = start_log([trace], interval_s=0.1, whole=False)
    held = log.frame["speed_kmh"].iloc[::10].reindex(log.frame.index).ffill()
    (s,), _ = found_in(start_log_with(log, held.to_numpy()))
    assert s.interval_s == pytest.approx(1.0)
    assert s.u_time_s > 0.35


def test_without_pedal_or_throttle_only_declared_starts_count():
    log = start_log([speed_trace(POWER_KW)] * 3, pedal=None)
    found, aside = found_in(log)
    assert found == []
    assert len(aside) == 3
    assert "isn't declared" in aside[0].reason
    rises = [a.at_s for a in aside]
    kept, rest = find_starts(
        log, "speed_kmh", 100.0, {}, Declared({"synthetic.csv": (rises[1] + 4.0, 2000.0)})
    )
    assert [s.at_s for s in kept] == [rises[1]]
    assert kept[0].open_throttle is None
    assert [r.at_s for r in rest] == [rises[0], rises[2], 2000.0]
    assert "no unbroken rise" in rest[-1].reason


def test_logs_of_nothing_but_starts_may_be_declared_as_a_whole():
    log = start_log([speed_trace(POWER_KW)] * 3, pedal=None)
    found, aside = find_starts(log, "speed_kmh", 100.0, {}, Declared(only_starts=True))
    assert (len(found), aside) == (3, [])


def test_a_commute_is_no_session_of_starts_whatever_is_declared():
    """One rise to 100 km/h and half an hour on the road."""
    log = start_log([speed_trace(POWER_KW)], pedal=None)
    t = np.arange(1800.0) + log.frame["t_s"].iloc[-1] + 1
    cruise = pd.DataFrame({"t_s": t, "speed_kmh": 90.0})
    frame = pd.concat([log.frame, cruise], ignore_index=True)
    commute = type(log)(log.path, frame, log.start)
    with pytest.raises(InputError, match="other driving than starts"):
        find_starts(commute, "speed_kmh", 100.0, {}, Declared(only_starts=True))


def test_a_table_of_starts_is_read_and_a_row_without_time_is_named(tmp_path):
    path = tmp_path / "starts.csv"
    path.write_text("file,at_s\nlogs/a.csv,12\na.csv,80.5\nb.csv,3\n")
    assert read_declared(path) == {"a.csv": (12.0, 80.5), "b.csv": (3.0,)}
    path.write_text("file,at_s\na.csv,\n")
    with pytest.raises(InputError, match="line 2: a start needs its file and at_s"):
        read_declared(path)


def test_fast_gps_speed_is_preferred_and_slow_gps_is_not():
    log = start_log([speed_trace(POWER_KW)], interval_s=0.1)
    gps = log.frame["speed_kmh"] + 0.3
    fast = type(log)(log.path, log.frame.assign(gps_speed_kmh=gps), None)
    slow = type(log)(
        log.path, log.frame.assign(gps_speed_kmh=gps.where(log.frame.index % 10 == 0)), None
    )
    assert choose_speed([fast]) == "gps_speed_kmh"
    assert choose_speed([slow]) == "speed_kmh"


def test_logs_that_share_no_speed_signal_cannot_answer():
    log = start_log([speed_trace(POWER_KW)])
    other = type(log)(log.path, log.frame.drop(columns="speed_kmh"), None)
    with pytest.raises(DesignError, match="no speed signal"):
        choose_speed([log, other])


def test_starts_are_found_in_a_file_as_a_logger_writes_it(tmp_path):
    log = start_log([speed_trace(POWER_KW)] * 2, interval_s=0.25)
    path = tmp_path / "starts.csv"
    pd.DataFrame(
        {
            "time [s]": log.frame["t_s"].round(3),
            "Vehicle speed (mph)": (log.frame["speed_kmh"] / 1.609344).round(2),
            "Accelerator pedal position (%)": log.frame["pedal_pct"],
        }
    ).to_csv(path, index=False)
    read = read_log(path)
    found, _ = found_in(read)
    assert len(found) == 2
