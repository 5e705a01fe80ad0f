"""Clocks that stand still, are rounded, were never set, or leap."""

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.errors import InputError
from roadlog.ingest import read_log
from roadlog.ingest.clock.coarse import rounding_step_s, spread_rounded
from roadlog.ingest.timebase import integrate, resample

Write = Callable[..., Path]
N = 600
SPEED = np.round(45 + 35 * np.sin(np.arange(N) / 23))


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def _write(stamps: Sequence[object], header: str = "Time") -> Path:
        rows = [f"{s};{v:g}" for s, v in zip(stamps, SPEED, strict=False)]
        path = tmp_path / "log.csv"
        path.write_text("\n".join([f"{header};Vehicle speed (km/h)", *rows]) + "\n")
        return path

    return _write


def _wall(n: int = N, start: str = "2026-03-05 07:10") -> list[str]:
    return [str(t) for t in pd.date_range(start, periods=n, freq="s")]


@pytest.mark.parametrize(
    "stamp", ["2026-03-05 07:10:00", "1772700000", "1.7727E+09", "1.77270E+12", "12"]
)
def test_six_hundred_rows_at_one_time_are_no_minute(write: Write, stamp: str) -> None:
    with pytest.raises(InputError, match="line 2: all 600 rows have one and the same time"):
        read_log(write([stamp] * N))


@pytest.mark.parametrize(
    "stamps",
    [
        [int(np.float32(1772700000 + i)) for i in range(N)],
        [f"{1772700000 + i:.7E}" for i in range(N)],
    ],
    ids=["single precision", "eight digits of a spreadsheet"],
)
def test_a_time_that_lost_its_digits_is_refused(write: Write, stamps: list[object]) -> None:
    with pytest.raises(InputError, match=r"line 2: the clock only moves in steps of 1\d\d s"):
        read_log(write(stamps))


def test_a_clock_that_stands_still_for_a_third_of_the_log_is_refused_with_its_line(
    write: Write,
) -> None:
    wall = _wall()
    with pytest.raises(InputError, match="line 202: the clock stands still from here"):
        read_log(write([*wall[:200], *[wall[200]] * 200, *wall[400:]]))
    with pytest.raises(InputError, match="line 202: the clock stands still from here"):
        read_log(write([*wall[:200], *[wall[200]] * 400]))


def test_a_clock_that_stands_still_for_a_while_leaves_a_gap_and_says_so(write: Write) -> None:
    wall = _wall()
    log = read_log(write([*wall[:200], *[wall[200]] * 60, *wall[260:]]))
    assert len(log.frame) == N - 59
    assert any("stands still from line 202" in n and "59 rows" in n for n in log.notes)
    assert resample(log.frame)["dt_s"].sum() == pytest.approx(N - 1 - 60, abs=3)


@pytest.mark.parametrize("per_second", [2, 5, 10])
def test_whole_seconds_with_several_rows_each_are_spread_and_told(
    write: Write, per_second: int
) -> None:
    log = read_log(write([i // per_second for i in range(N)], "time"))
    assert any(f"steps of 1 s, with {per_second} rows in each" in n for n in log.notes)
    samples = resample(log.frame)
    expected = SPEED.sum() / per_second
    assert integrate(samples, "speed_kmh") == pytest.approx(expected, rel=0.02)


def test_two_rows_a_second_whose_speed_changes_within_it_are_no_minutes(tmp_path: Path) -> None:
    rows = [f"{i // 2},{v:.0f}" for i, v in enumerate(40 + 10 * np.sin(np.arange(N) / 4))]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time,speed (km/h)", *rows]))
    assert read_log(path).frame["t_s"].iloc[-1] == 299


def test_a_day_fraction_of_four_digits_is_spread_over_its_steps(write: Write) -> None:
    log = read_log(write([f"{46086.2986 + i / 86400:.4f}" for i in range(N)], "Date"))
    assert any("steps of 8.64 s, with 8 to 9 rows" in n for n in log.notes)
    assert resample(log.frame)["dt_s"].sum() == pytest.approx(N, abs=10)


def test_readings_taken_together_every_ten_seconds_stay_together() -> None:
    t = np.repeat(np.arange(0, 600, 10.0), 2)
    assert np.abs(spread_rounded(t) - t).max() < 1
    assert rounding_step_s(1.05 * t) is None


def test_all_rows_at_one_time_have_no_step() -> None:
    assert rounding_step_s(np.zeros(50)) is None


@pytest.mark.parametrize(
    "start", ["1970-01-01 00:00:07", "1980-01-06 00:00:01", "2000-01-01 00:01"]
)
def test_the_day_of_a_clock_that_nobody_set_is_no_date(write: Write, start: str) -> None:
    log = read_log(write(_wall(start=start)))
    assert log.start is None
    assert any("never set" in n for n in log.notes)
    assert log.frame["t_s"].iloc[-1] == N - 1


def test_a_new_years_drive_keeps_its_date(write: Write) -> None:
    assert read_log(write(_wall(start="2026-01-01 00:00:01"))).start is not None


def test_too_many_rows_from_before_the_clock_was_set_are_refused_with_the_limit(
    write: Write,
) -> None:
    unset = _wall(100, "2000-01-01")
    with pytest.raises(InputError, match=r"line 102: .* dropped only up to 5 % of the log"):
        read_log(write([*unset, *_wall()[100:]]))


@pytest.mark.parametrize("far", ["2026-03-25 07:00:00", "2099-03-25 07:00:00"])
@pytest.mark.parametrize("row", [1, 300])
def test_one_row_of_another_age_is_dropped_and_told(write: Write, far: str, row: int) -> None:
    wall = _wall()
    wall[row] = far
    log = read_log(write(wall))
    assert len(log.frame) == N - 1
    assert log.frame["t_s"].iloc[-1] == N - 1
    assert any(f"first in line {row + 2}" in n for n in log.notes)


def test_a_last_row_of_another_age_is_dropped_and_told(write: Write) -> None:
    log = read_log(write([*_wall()[:-1], "2099-03-25 07:00:00"]))
    assert log.frame["t_s"].iloc[-1] == N - 2


def test_twelve_hours_without_am_or_pm_go_on_over_noon(write: Write) -> None:
    over = pd.date_range("2026-03-15 12:55", periods=N, freq="s")
    log = read_log(write([t.strftime("%Y-%m-%d %I:%M:%S") for t in over]))
    assert log.frame["t_s"].iloc[-1] == N - 1
    assert any("twelve hours" in n for n in log.notes)


def test_minutes_and_seconds_that_lost_their_hour_go_on_and_are_no_time_of_day(
    write: Write,
) -> None:
    log = read_log(write([f"{(55 + i // 60) % 60:02d}:{i % 60:02d}.0" for i in range(N)]))
    assert log.frame["t_s"].iloc[-1] == N - 1
    assert log.start is None


def test_an_hour_back_by_day_is_moved_on_only_without_a_pause(write: Write) -> None:
    crossed = [*_wall(300, "2026-03-04 10:55"), *_wall(300, "2026-03-04 10:00")]
    log = read_log(write(crossed))
    assert log.frame["t_s"].iloc[-1] == N - 1
    assert any("another time zone" in n for n in log.notes)
    with pytest.raises(InputError, match="jumps back"):
        read_log(write([*_wall(300, "2026-03-04 10:55"), *_wall(300, "2026-03-04 10:06")]))
