"""Dates written by hand: the logs' order of day and month, or a question, never a guess."""

import datetime as dt
from pathlib import Path

import pandas as pd
import pytest

from roadlog.closure.fuelbook import read_cans, read_fills
from roadlog.errors import InputError
from roadlog.ingest.clock.handdates import read_days, read_instants, read_moments
from roadlog.ingest.text.handtable import read_table
from roadlog.runs.notes import read_notes
from roadlog.runs.table import study_sources, with_day_order
from roadlog.study.folder import load_study
from roadlog.weather.table import read_weather

PATH = Path("notes.csv")


def days(*cells: str | None, first: bool | None = None, drives: tuple[str, ...] = ()) -> list[str]:
    table = pd.Series(list(cells), dtype="str")
    return read_days(table, first, PATH, "date", drives).fillna("").tolist()


@pytest.mark.parametrize(
    ("cell", "first", "day"),
    [
        ("2026-03-02", None, "2026-03-02"),
        ("2026/3/2", None, "2026-03-02"),
        ("02/03/2026", True, "2026-03-02"),
        ("02/03/2026", False, "2026-02-03"),
        ("02-03-26", True, "2026-03-02"),
        ("02.03.2026", None, "2026-03-02"),  # a dot puts the day first, as in logs
        ("2.3.2026 07:10", True, "2026-03-02"),
        ("03/03/2026", None, "2026-03-03"),
        ("13/03/2026", None, "2026-03-13"),
        ("03/13/2026", None, "2026-03-13"),
        ("2 Mar 2026", None, "2026-03-02"),
        ("March 2, 2026", None, "2026-03-02"),
        ("20260302", None, "2026-03-02"),
    ],
)
def test_a_date_is_read_in_the_logs_order(cell: str, first: bool | None, day: str) -> None:
    assert days(cell, first=first) == [day]


def test_one_date_of_the_column_settles_the_others() -> None:
    assert days("02/03/2026", None, "13/03/2026") == ["2026-03-02", "", "2026-03-13"]


@pytest.mark.parametrize(
    ("cells", "first", "says"),
    [
        (["02/03/2026"], None, r"line 2, column 'date': '02/03/2026' may be day before month or"),
        (["13/03/2026", "03/13/2026"], None, r"line 3.*'03/13/2026' can't be day before month, as"),
        (["02/03/2026", "13/03/2026"], False, r"line 3.*can't be month before day, as the study's"),
        (["02.03.2026"], False, "may be day before month"),  # the logs put the month first
        (["30/02/2026"], True, "'30/02/2026' is no date"),
        (["2026-13-02"], True, "'2026-13-02' is no date"),
        (["someday"], True, "'someday' is no date"),
        (["07:10"], True, "'07:10' is no date"),
        (["9" * 400], True, "is no date"),
        (["02/03/99999"], True, "is no date"),
    ],
)
def test_a_date_that_could_be_misread_is_asked_for(
    cells: list[str], first: bool | None, says: str
) -> None:
    with pytest.raises(InputError, match=says) as e:
        days(*cells, first=first)
    assert "\n" not in str(e.value)


def test_notes_in_another_order_than_the_logs_show_by_the_drives() -> None:
    """A driver who writes day first beside a logger that writes month first."""
    drives = ("2026-03-02", "2026-03-04")
    with pytest.raises(InputError, match="the other way round it is one with"):
        days("02/03/2026", "04/03/2026", first=False, drives=drives)
    assert days("02/03/2026", "04/03/2026", first=True, drives=drives) == list(drives)


def test_a_fill_keeps_its_time_and_its_zone() -> None:
    cells = pd.Series(["02/03/2026 07:10", "2026-03-02T07:10+01:00", "02/03/2026"], dtype="str")
    first, second, third = read_moments(cells, True, PATH, "time")
    assert first == dt.datetime(2026, 3, 2, 7, 10)
    assert second is not None
    assert second.isoformat() == "2026-03-02T07:10:00+01:00"
    assert third == dt.date(2026, 3, 2)


def test_weather_through_the_change_of_the_clocks_is_one_instant_after_the_other() -> None:
    cells = pd.Series(["2026-03-29T01:30+01:00", "2026-03-29T03:30+02:00"], dtype="str")
    times = read_instants(cells, None, PATH, "time")
    assert (times.iloc[1] - times.iloc[0]) == pd.Timedelta("1h")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("time,temp\n2026-03-02T08:00,5\n\n2026-03-02T25:00,5\n", "line 4, .* is no time"),
        ("time,temp\n02/03/2026 08:00,5\n", "line 2, .* may be day before month"),
        ("time,temp\n2026-03-02T08:00Z,5\n2026-03-02T09:00,5\n", "line 3, .* has no zone"),
        ("time,temp\n2026-03-02T08:00,5\n,6\n", "line 3, .*: no time|line 3, .*is no time"),
        ('time,temp\n"2026-03-02T08:00,5\n', "line 2: a quotation mark is open"),
        ("time,temp\n2026-03-02T08:00,5,6\n", "line 2 has more cells"),
        ("time,temp\n2026-03-02T08:00,warm\n", "line 2, column 'temp': 'warm' is no number"),
        ("", "is empty"),
    ],
)
def test_a_weather_line_that_cant_be_read_is_named(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "weather.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=says) as e:
        read_weather(path)
    for raw in ("pandas", "Error tokenizing", "format", "strptime", "ISO8601", "unterminated"):
        assert raw not in str(e.value)


def test_weather_and_fills_follow_the_order_that_the_logs_settle(tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    (tmp_path / "study.toml").write_text('[logs]\nbaseline = ["logs/*.csv"]\n')
    for name, date in (("a", "13/03/2026"), ("b", "02/03/2026")):
        (tmp_path / f"logs/{name}.csv").write_text(
            f"time;Vehicle speed (km/h)\n{date} 07:00:00;50\n{date} 07:00:01;51\n"
        )
    study = load_study(tmp_path)
    first = with_day_order(study, study_sources(tmp_path, study)).time.day_first
    assert first is True
    (tmp_path / "weather.csv").write_text("time,temp\n02/03/2026 07:00,5\n")
    assert read_weather(tmp_path / "weather.csv", first)["time"].iloc[0].month == 3
    (tmp_path / "fills.csv").write_text("date,litres\n02/03/2026,30\n")
    assert read_fills(tmp_path / "fills.csv", first)[0].time == dt.date(2026, 3, 2)
    (tmp_path / "cans.csv").write_text("day,before,after\n02/03/2026,9,8\n")
    assert str(read_cans(tmp_path / "cans.csv", first)[0].unit) == "2026-03-02"
    with pytest.raises(InputError, match=r"cans.csv: line 2, column 'day': '02/03/2026' may be"):
        read_cans(tmp_path / "cans.csv")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("date,a\n2026-03-02,1,,2\n", "line 2 has more cells than there are headings"),
        ("date,a,\n2026-03-02,1,2\n", "line 2 has more cells"),
        ("date,,b\n2026-03-02,1,2\n", "column 2 has no heading"),
        ("date,a,a\n2026-03-02,1,2\n", "column 'a' is there twice"),
        ('date,a\n2026-03-02,"open\n2026-03-03,1\n', "line 2: a quotation mark is open"),
        ("\n\n", "is empty"),
    ],
)
def test_a_table_that_would_be_misread_is_refused_by_line(
    tmp_path: Path, text: str, says: str
) -> None:
    path = tmp_path / "notes.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=says):
        read_notes(path)


def test_lines_are_counted_through_blank_ones_and_quoted_breaks(tmp_path: Path) -> None:
    path = tmp_path / "notes.csv"
    path.write_text('date,remarks\n\n2026-03-02,"two\nlines"\n;,\n2026-03-03\n,,,\n')
    table = read_table(path)
    assert table.index.tolist() == [3, 5, 6]
    assert table["remarks"].fillna("").tolist() == ["two\nlines", "", ""]
