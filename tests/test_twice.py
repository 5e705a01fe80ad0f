"""One drive in two logs: told by readings or clocks, counted once, never in both arms."""

import numpy as np
import pandas as pd
import pytest

from roadlog.errors import InputError
from roadlog.ingest.facts import Beside
from roadlog.ingest.twice import logged_twice


def drive(seed, n=1500, **more):
    """Speed that nobody repeats: stops, and a slow wander between them."""
    rng = np.random.default_rng(seed)
    wander = np.convolve(rng.standard_normal(n + 40), np.ones(40) / 40**0.5, "same")[:n]
    speed = np.clip(50 + 18 * wander, 0, 130)
    return pd.DataFrame({"t_s": np.arange(n, dtype=float), "dt_s": 1.0,
                         "speed_kmh": np.round(speed, 1)} | more)  # fmt: skip


def table(*starts, arms=None):
    n = len(starts)
    return pd.DataFrame(
        {
            "run": range(10, 10 + n),
            "file": [f"{i}.csv" for i in range(n)],
            "arm": arms or ["baseline"] * n,
            "start": pd.to_datetime(list(starts)),
        }
    )


ALONE = ("2026-03-02 08:00:10", "2026-03-03 08:00:10", "2026-03-04 08:00:10")


def test_different_drives_are_let_be():
    found = logged_twice(table(*ALONE), [drive(1), drive(2), drive(3)])
    assert found.set_aside == {}
    assert found.warnings == ()


def test_a_copy_under_another_date_counts_once():
    """Rows cut off its head, another column dropped: the readings are the same drive's."""
    copy = drive(1).iloc[300:].reset_index(drop=True)
    found = logged_twice(table(*ALONE), [drive(1, maf_g_s=5.0), drive(2), copy])
    assert found.set_aside == {12: Beside.SAME_DRIVE(log="0.csv")}
    assert [w.log for w in found.warnings] == ["2.csv"]


def test_the_log_with_more_signals_is_kept():
    found = logged_twice(table(*ALONE), [drive(1), drive(2), drive(1, maf_g_s=5.0)])
    assert found.set_aside == {10: Beside.SAME_DRIVE(log="2.csv")}


def test_three_copies_leave_one():
    found = logged_twice(table(*ALONE), [drive(1), drive(1), drive(1)])
    assert list(found.set_aside) == [11, 12]


def test_two_loggers_in_one_car_count_once():
    """Other phase, other rounding, clocks 20 s apart: no reading is the same."""
    fine = drive(4)
    coarse = fine.assign(speed_kmh=np.round(fine["speed_kmh"].shift(20).bfill() * 1.03))
    found = logged_twice(table("2026-03-02 08:00:10", "2026-03-02 08:00:12"), [fine, coarse])
    assert list(found.set_aside) == [11]


def test_one_drive_in_both_arms_is_refused():
    runs = table(*ALONE[:2], arms=["baseline", "fitted"])
    with pytest.raises(InputError, match=r"0\.csv \(baseline\) and 1\.csv \(fitted\) hold the sam"):
        logged_twice(runs, [drive(1), drive(1)])


def test_two_drives_of_one_time_are_a_wrong_clock():
    found = logged_twice(table("2026-03-02 08:00:10", "2026-03-02 08:10:00"), [drive(1), drive(2)])
    assert found.set_aside == {}
    assert found.clash == ((0, 1),)
    assert "one of the clocks is wrong" in str(found.warnings[0].message)


def test_logs_with_a_date_alone_do_not_overlap():
    found = logged_twice(table("2026-03-02", "2026-03-02"), [drive(1), drive(2)])
    assert found.clash == ()


def test_a_driven_cycle_is_no_copy():
    """On a test bench each run follows the trace within 1 km/h: replicates, and kept."""
    rng = np.random.default_rng(3)
    trace = drive(5)["speed_kmh"]
    runs = [
        drive(5).assign(speed_kmh=np.round(trace + rng.normal(0, 0.7, len(trace))))
        for _ in range(3)
    ]
    assert logged_twice(table(*ALONE), runs).set_aside == {}


def test_standing_and_cruising_alike_is_no_copy():
    cruise = pd.DataFrame({"t_s": np.arange(900.0), "dt_s": 1.0, "speed_kmh": 110.0})
    assert logged_twice(table(*ALONE), [cruise, cruise, cruise]).set_aside == {}


def test_logs_without_speed_are_no_drives_to_compare():
    bare = drive(1).drop(columns="speed_kmh")
    assert logged_twice(table(*ALONE), [bare, bare, drive(1)]).set_aside == {}


def test_runs_on_one_trace_of_speed_are_several_drives_if_their_air_differs():
    """A bench or a program drives to the digit alike; what the engine breathed tells them apart."""
    rng = np.random.default_rng(5)
    runs = [drive(1, maf_g_s=np.round(12 + rng.standard_normal(1500), 2)) for _ in range(3)]
    found = logged_twice(table(*ALONE, arms=["baseline", "fitted", "baseline"]), runs)
    assert found.set_aside == {}
    assert found.same == ()


def test_a_copy_whose_air_is_the_same_too_stays_one():
    rng = np.random.default_rng(5)
    air = np.round(12 + rng.standard_normal(1500), 2)
    found = logged_twice(table(*ALONE), [drive(1, maf_g_s=air), drive(2), drive(1, maf_g_s=air)])
    assert list(found.set_aside) == [12]
