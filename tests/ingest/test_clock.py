"""Clocks of every kind, and what is repaired, asked for or refused."""

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.errors import InputError
from roadlog.ingest import Log, read_log
from roadlog.study.settings import ColumnRule, TimeRule

Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def _write(stamps: Sequence[str], header: str = "Time", name: str = "log.csv") -> Path:
        rows = [f"{s};{i}" for i, s in enumerate(stamps)]
        path = tmp_path / name
        path.write_text("\n".join([f"{header};rpm", *rows]) + "\n")
        return path

    return _write


def _times(log: Log) -> list[float]:
    return [float(x) for x in log.frame["t_s"].round(6)]


@pytest.mark.parametrize(
    ("header", "stamps", "start", "t_s"),
    [
        ("Time", ["2024-03-05 08:00:00", "2024-03-05 08:00:01.5"], "2024-03-05 08:00", [0, 1.5]),
        ("Time", ["2024-03-05T08:00:00Z", "2024-03-05T08:00:02Z"], "2024-03-05 08:00Z", [0, 2]),
        (
            "Time",
            ["2024-03-05T08:00:00.250+02:00", "2024-03-05T08:00:01.250+02:00"],
            "2024-03-05 08:00:00.25+02:00",
            [0, 1],
        ),
        (
            "Timestamp (UTC)",
            ["2024-03-05 08:00:00", "2024-03-05 08:00:01"],
            "2024-03-05 08:00Z",
            [0, 1],
        ),
        ("Time", ["1709625600", "1709625601"], "2024-03-05 08:00Z", [0, 1]),
        ("Time", ["1709625600000", "1709625600500"], "2024-03-05 08:00Z", [0, 0.5]),
        ("Time", ["1709625600000000", "1709625600500000"], "2024-03-05 08:00Z", [0, 0.5]),
        ("Time", ["1709625600000000000", "1709625601000000000"], "2024-03-05 08:00Z", [0, 1]),
        ("time_s", ["12.5", "13.25"], None, [0, 0.75]),
        ("Time (ms)", ["0", "250"], None, [0, 0.25]),
        ("time [min]", ["0", "0.5"], None, [0, 30]),
        ("Time", ["0,5", "1,75"], None, [0, 1.25]),
        ("Time", ["23:59:59.5", "00:00:00.5"], None, [0, 1]),
        ("Time", ["11:59:59 PM", "12:00:01 AM"], None, [0, 2]),
        ("Elapsed time", ["00:00:59", "00:01:01"], None, [0, 2]),
        (
            "Time",
            ["13.02.2024 08:00:00,5", "13.02.2024 08:00:01,5"],
            "2024-02-13 08:00:00.5",
            [0, 1],
        ),
        ("Time", ["2/13/2024 8:00:00 PM", "2/13/2024 8:00:01 PM"], "2024-02-13 20:00", [0, 1]),
        ("Time", ["13-Feb-2024 08:00:00", "13-Feb-2024 08:00:01"], "2024-02-13 08:00", [0, 1]),
        ("Time", ["Feb 13, 2024 08:00:00", "Feb 13, 2024 08:00:01"], "2024-02-13 08:00", [0, 1]),
        (
            "Time",
            ["Tue Feb 13 08:00:00 GMT+01:00 2024", "Tue Feb 13 08:00:01 GMT+01:00 2024"],
            "2024-02-13 08:00+01:00",
            [0, 1],
        ),
        ("Time", ["20240213080000", "20240213080001"], "2024-02-13 08:00", [0, 1]),
        ("Date", ["45335.25", "45335.250011574"], "2024-02-13 06:00", [0, 1]),
    ],
)
def test_form_of_time(
    write: Write, header: str, stamps: list[str], start: str | None, t_s: list[float]
) -> None:
    log = read_log(write(stamps, header))
    assert _times(log) == t_s
    assert log.start == (None if start is None else pd.Timestamp(start))
    if start is not None and log.start is not None:
        assert log.start.utcoffset() == pd.Timestamp(start).utcoffset()


def test_date_and_time_in_two_columns_cross_midnight(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(
        "Date,Time,rpm\n13/02/2024,11:59:59 PM,800\n14/02/2024,12:00:00 AM,810\n"
        "14/02/2024,12:00:01 AM,820\n"
    )
    log = read_log(path)
    assert _times(log) == [0, 1, 2]
    assert log.start == pd.Timestamp("2024-02-13 23:59:59")


def test_a_date_that_stands_still_over_midnight_is_moved_on(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Date,Time,rpm\n2024-02-13,23:59:59,800\n2024-02-13,00:00:01,810\n")
    assert _times(read_log(path)) == [0, 2]


def test_elapsed_gives_the_fraction_and_wall_clock_the_start(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [f"2024-02-13 08:00:{int(t):02d},{t:.2f},800" for t in np.arange(0, 30, 0.25)]
    path.write_text("Timestamp,Elapsed (s),rpm\n" + "\n".join(rows) + "\n")
    log = read_log(path)
    assert _times(log)[:4] == [0, 0.25, 0.5, 0.75]
    assert log.start == pd.Timestamp("2024-02-13 08:00")


def test_elapsed_that_disagrees_with_the_wall_clock_is_left_and_noted(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [f"2024-02-13 08:00:{t:02d},{2 * t},800" for t in range(50)]
    path.write_text("Timestamp,Elapsed (s),rpm\n" + "\n".join(rows) + "\n")
    log = read_log(path)
    assert _times(log)[-1] == 49
    assert any("disagree" in n for n in log.notes)


def test_day_and_month_that_can_be_either_are_asked_for(write: Write) -> None:
    path = write(["05/03/2024 08:00:00", "05/03/2024 08:00:01"])
    with pytest.raises(InputError, match=r"line 2, column 'Time'.*day_first = true or false"):
        read_log(path)
    assert read_log(path, time=TimeRule(day_first=True)).start == pd.Timestamp("2024-03-05 08:00")
    assert read_log(path, time=TimeRule(day_first=False)).start == pd.Timestamp("2024-05-03 08:00")


def test_day_and_month_are_settled_by_the_night_between_two_days(write: Write) -> None:
    log = read_log(write(["05/03/2024 23:59:59", "06/03/2024 00:00:01"]))
    assert log.start == pd.Timestamp("2024-03-05 23:59:59")
    assert any("day before month" in n for n in log.notes)


def test_day_and_month_are_settled_by_the_date_in_the_files_name(write: Write) -> None:
    log = read_log(write(["05/03/2024 08:00:00", "05/03/2024 08:00:01"], name="2024-05-03.csv"))
    assert log.start == pd.Timestamp("2024-05-03 08:00")


def test_time_of_day_takes_its_date_from_the_files_name(write: Write) -> None:
    log = read_log(write(["08:00:00", "08:00:01"], name="drive_2024-02-13.csv"))
    assert log.start == pd.Timestamp("2024-02-13 08:00")
    assert any("file's name" in n for n in log.notes)


def test_elapsed_time_takes_its_start_from_the_files_name(write: Write) -> None:
    log = read_log(write(["0", "1"], header="time_s", name="20240213_081530.csv"))
    assert log.start == pd.Timestamp("2024-02-13 08:15:30")


def test_zone_of_the_study_makes_the_start_aware(write: Write) -> None:
    path = write(["2024-07-05 08:00:00", "2024-07-05 08:00:01"])
    log = read_log(path, time=TimeRule(zone="Europe/Paris"))
    assert log.start == pd.Timestamp("2024-07-05 06:00", tz="UTC")
    with pytest.raises(InputError, match="zone 'Mars/Base' is not known"):
        read_log(path, time=TimeRule(zone="Mars/Base"))


def test_one_late_row_is_sorted_and_noted(write: Write) -> None:
    stamps = [str(i) for i in range(40)]
    stamps[20], stamps[21] = stamps[21], stamps[20]
    log = read_log(write(stamps, "time_s"))
    assert _times(log) == list(range(40))
    assert log.frame["rpm"].tolist()[20:22] == [21, 20]
    assert log.notes == ("1 row out of order put in order of time",)


def test_repeated_stamps_are_kept(write: Write) -> None:
    assert _times(read_log(write(["0", "0", "1", "1"], "time_s"))) == [0, 0, 1, 1]


def test_clock_that_runs_backwards_is_refused_with_its_line(write: Write) -> None:
    with pytest.raises(InputError, match="line 3: the clock runs backwards"):
        read_log(write([str(50 - i) for i in range(50)], "time_s"))


def test_a_recorder_that_starts_again_is_refused_with_its_line(write: Write) -> None:
    stamps = [str(i) for i in range(100)] + [str(i) for i in range(100)]
    with pytest.raises(InputError, match="line 102: the clock jumps back by 99 s: split the file"):
        read_log(write(stamps, "time_s"))


def test_the_end_of_summer_time_is_repaired_and_noted(write: Write) -> None:
    clock = pd.date_range("2024-10-27 02:59:30", periods=30, freq="s").append(
        pd.date_range("2024-10-27 02:00:00", periods=300, freq="s")
    )
    log = read_log(write([str(t) for t in clock]))
    assert _times(log) == list(range(330))
    assert any("summer time" in n for n in log.notes)


def test_rows_from_before_the_clock_was_set_are_dropped(write: Write) -> None:
    clock = ["2000-01-01 00:00:01", "2000-01-01 00:00:02"]
    clock += [str(t) for t in pd.date_range("2024-02-13 08:00", periods=60, freq="s")]
    log = read_log(write(clock))
    assert log.start == pd.Timestamp("2024-02-13 08:00")
    assert log.frame["rpm"].iloc[0] == 2
    assert any("before the logger's clock was set" in n for n in log.notes)


def test_no_time_column_is_refused_with_the_remedy(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("speed,rpm\n1,800\n")
    with pytest.raises(InputError, match=r"no time column among 'speed', 'rpm'.*= \"time\""):
        read_log(path)


def test_a_rule_names_the_time_column(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Zeitmarke,rpm\n0,800\n500,810\n")
    log = read_log(path, columns={"Zeitmarke": ColumnRule(signal="time", unit="ms")})
    assert _times(log) == [0, 0.5]
    assert _times(read_log(path, time=TimeRule(column="Zeitmarke")))[-1] == 0.5
    with pytest.raises(InputError, match=r"\[time\] column 'Uhr' is not among"):
        read_log(path, time=TimeRule(column="Uhr"))


def test_elapsed_microseconds_are_not_taken_for_an_epoch(write: Write) -> None:
    log = read_log(write([str(1_000_000 * i) for i in range(2400)], "time (us)"))
    assert log.start is None
    assert _times(log)[-1] == 2399


def test_whole_numbers_that_step_too_far_for_seconds_are_milliseconds_and_noted(
    write: Write,
) -> None:
    log = read_log(write([str(100 * (i // 3)) for i in range(30)], "time"))
    assert _times(log)[-1] == pytest.approx(0.9)
    assert any("taken as milliseconds" in n for n in log.notes)


def test_hours_and_minutes_alone_are_asked_about(write: Write) -> None:
    with pytest.raises(InputError, match="hours:minutes or minutes:seconds"):
        read_log(write(["08:00", "08:01"]))
    assert _times(read_log(write(["30:00", "30:01"]))) == [0, 1]


def test_packed_date_and_time_of_day(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Date,Time,rpm\n20240213,081559,800\n20240213,081600,810\n")
    log = read_log(path)
    assert _times(log) == [0, 1]
    assert log.start == pd.Timestamp("2024-02-13 08:15:59")


def test_a_date_beside_elapsed_time_gives_the_day(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Date,Elapsed (s),rpm\n2024-02-13,0.5,800\n2024-02-13,1.5,810\n")
    log = read_log(path)
    assert _times(log) == [0, 1]
    assert log.start == pd.Timestamp("2024-02-13")
    assert any("set to midnight" in n for n in log.notes)
