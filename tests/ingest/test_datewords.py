"""Dates and times with words in them: months, halves of the day, zones, weekdays."""

from pathlib import Path

import pandas as pd
import pyarrow as pa
import pytest

from roadlog.errors import InputError
from roadlog.ingest import Log, read_log
from roadlog.ingest.clock.datewords import in_plain_forms


def _read(folder: Path, first: str, second: str) -> Log:
    path = folder / "log.csv"
    path.write_text(f"Time;rpm\n{first};800\n{second};810\n", encoding="utf-8")
    return read_log(path)


@pytest.mark.parametrize(
    ("form", "start"),
    [
        ("2026-03-05 07:10:0{} CET", "2026-03-05 07:10+01:00"),
        ("2026-07-05 07:10:0{} (MESZ)", "2026-07-05 07:10+02:00"),
        ("2026-07-05 07:10:0{} PDT", "2026-07-05 07:10-07:00"),
        ("2026-07-05 07:10:0{} Europe/Berlin", "2026-07-05 07:10+02:00"),
        ("2026-03-05T07:10:0{}+01:00[Europe/Berlin]", "2026-03-05 07:10+01:00"),
        ("2026-03-05T07:10:0{}Z[UTC]", "2026-03-05 07:10Z"),
        ("2026-07-05 07:10:0{} BST", "2026-07-05 07:10"),
        ("2026-07-05 07:10:0{} Pacific Standard Time", "2026-07-05 07:10"),
        ("Thu, 05 Mar 2026 07:10:0{} +0100", "2026-03-05 07:10+01:00"),
        ("15/03/2026 07:10:0{} a. m.", "2026-03-15 07:10"),
        ("15/03/2026 07:10:0{} p. m.", "2026-03-15 19:10"),
        ("15/03/2026 07:10:0{} p.\u00a0m.", "2026-03-15 19:10"),
        ("15/03/2026 07:10:0{} nachm.", "2026-03-15 19:10"),
        ("2026-03-15 下午07:10:0{}", "2026-03-15 19:10"),
        ("5. März 2026 07:10:0{}", "2026-03-05 07:10"),
        ("5 mars 2026 07:10:0{}", "2026-03-05 07:10"),
        ("5 de marzo de 2026 07:10:0{}", "2026-03-05 07:10"),
        ("5 févr. 2026 à 07:10:0{}", "2026-02-05 07:10"),
        ("05-Dez-2026 07:10:0{}", "2026-12-05 07:10"),
        ("Do 05 Mrz 2026 07:10:0{}", "2026-03-05 07:10"),
        ("March 5th, 2026 07:10:0{}", "2026-03-05 07:10"),
        ("2026-03-05 07.10.0{}", "2026-03-05 07:10"),
        ("2026-03-05_07-10-0{}", "2026-03-05 07:10"),
        ("2026-03-05 07h10m0{}s", "2026-03-05 07:10"),
    ],
)
def test_words_in_a_time_are_read(tmp_path: Path, form: str, start: str) -> None:
    log = _read(tmp_path, form.format(0), form.format(2))
    assert log.frame["t_s"].tolist() == [0, 2]
    assert log.start == pd.Timestamp(start)
    assert log.start is not None
    assert log.start.utcoffset() == pd.Timestamp(start).utcoffset()


def test_a_zone_whose_name_says_nothing_sure_is_told(tmp_path: Path) -> None:
    log = _read(tmp_path, "2026-07-05 07:10:00 BST", "2026-07-05 07:10:01 BST")
    assert any("zone 'BST' isn't known for sure" in n for n in log.notes)


def test_a_zone_that_changes_over_the_night_of_the_change_is_no_hour(tmp_path: Path) -> None:
    log = _read(tmp_path, "2026-03-29 01:59:59 CET", "2026-03-29 03:00:01 CEST")
    assert log.frame["t_s"].tolist() == [0, 2]


@pytest.mark.parametrize("month", ["marraskuuta", "listopada", "vasario"])
def test_a_month_in_a_language_that_is_not_known_is_refused_not_guessed(
    tmp_path: Path, month: str
) -> None:
    with pytest.raises(
        InputError, match=r"line 2, column 'Time'.* in no form of time that is read"
    ):
        _read(tmp_path, f"5 {month} 2026 07:10:00", f"5 {month} 2026 07:10:01")


@pytest.mark.parametrize(
    "day",
    [
        "2026-02-30",
        "2026-13-05",
        "30/02/2026",
        "31.04.2026",
        "0001-01-01",
        "2500-01-01",
        "31 Nov 26",
    ],
)
def test_a_day_that_no_calendar_has_is_refused_by_line(tmp_path: Path, day: str) -> None:
    with pytest.raises(InputError, match=r"line 2, column 'Time': .* is no date of the calendar"):
        _read(tmp_path, f"{day} 07:10:00", f"{day} 07:10:01")


def test_a_files_name_with_no_day_of_the_calendar_settles_nothing(tmp_path: Path) -> None:
    path = tmp_path / "2026-02-31.csv"
    path.write_text("Date,Time,rpm\n050326,07:10:00,800\n050326,07:10:01,810\n")
    with pytest.raises(InputError, match="ddmmyy, yymmdd or mmddyy"):
        read_log(path)


def test_whole_days_before_a_duration_count(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Elapsed time;rpm\n0 days 23:59:59;800\n1 days 00:00:01;810\n")
    assert read_log(path).frame["t_s"].tolist() == [0, 2]


def test_a_plain_date_with_dots_stays_a_date() -> None:
    assert in_plain_forms(pa.array(["05.03.26"])).text[0].as_py() == "05.03.26"
