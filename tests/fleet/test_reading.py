"""Rows of any data set: however they tell time and vehicle, they are the same drives, or told."""

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.fleet.inputs import Source
from roadlog.fleet.pipeline import Fleet, _one_car, _read_all, _vin_of, find_fleet
from roadlog.fleet.reading import Card, Read, cards_of
from roadlog.fleet.workers import serial
from roadlog.study.settings import parse_study
from tests.fleet.of_logs import SAMPLES

ZONE = {"time": {"zone": "Europe/Vienna"}}


@pytest.fixture(scope="module")
def rows() -> pd.DataFrame:
    """Two drives of two days, 500 rows each, with a clock that knows its zone."""
    logs = sorted((SAMPLES / "logs").glob("*_out.csv"))[:2]
    whole = pd.concat([pd.read_csv(p).head(500) for p in logs], ignore_index=True)
    return whole.assign(time=pd.to_datetime(whole["time"]))


def cards_in(
    root: Path, rule: dict[str, str] | None = None, **study: object
) -> tuple[list[Card], list[str]]:
    """The runs of a data set, and what is told of what was lost."""
    told = parse_study({"fleet": {"data": "samples", **(rule or {})}, **study})
    fleet: Fleet = find_fleet(told, root)
    reads, _, lost = _read_all(fleet, serial, root / "work", False)
    cards = [c for own in reads.values() for r in own for c in cards_of(r, root / "work")]
    return cards, [str(f) for *_, f in (*lost, *fleet.left_out)]


def put(rows: pd.DataFrame, root: Path, folder: str = "vehicle=van%201/month=2026-03") -> Path:
    (root / "samples" / folder).mkdir(parents=True, exist_ok=True)
    path = root / "samples" / folder / "part.parquet"
    rows.to_parquet(path, index=False)
    return path


def _epoch(unit: str) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def of(rows: pd.DataFrame) -> pd.DataFrame:
        return rows.assign(time=rows["time"].astype(f"datetime64[{unit}, UTC]").astype("int64"))

    return of


def _date_and_time(rows: pd.DataFrame) -> pd.DataFrame:
    local = rows["time"].dt.tz_localize(None)
    return rows.assign(date=local.dt.date, time=local.dt.time)


def _in_text(rows: pd.DataFrame) -> pd.DataFrame:
    """Day first, across two months, so that the order of the text isn't that of time."""
    moved = rows["time"].dt.tz_localize(None) + pd.Timedelta(days=29)
    return rows.assign(time=moved.dt.strftime("%d/%m/%Y %H:%M:%S.%f"))


@pytest.mark.parametrize(
    "how",
    [
        _epoch("ns"),
        _epoch("ms"),
        lambda rows: rows.assign(time=rows["time"].dt.tz_convert("UTC")),
        lambda rows: rows.assign(time=rows["time"].dt.tz_localize(None)),
        _date_and_time,
    ],
    ids=["nanoseconds", "milliseconds", "UTC", "local", "date and time apart"],
)
def test_a_clock_is_read_however_it_is_kept(
    how: Callable[[pd.DataFrame], pd.DataFrame], rows: pd.DataFrame, tmp_path: Path
) -> None:
    put(how(rows).sample(frac=1, random_state=1), tmp_path)
    cards, lost = cards_in(tmp_path, **ZONE)
    assert [c.start[:16] for c in cards] == ["2026-03-02T07:10", "2026-03-03T07:13"]
    assert (lost, [c.days for c in cards]) == ([], [(), ()])


def test_text_that_sorts_otherwise_than_time_is_put_in_order(
    rows: pd.DataFrame, tmp_path: Path
) -> None:
    put(_in_text(rows), tmp_path)
    cards, lost = cards_in(tmp_path, time={"day_first": True})
    assert lost == []
    assert [c.start[:10] for c in cards] == ["2026-03-31", "2026-04-01"]


def test_a_utc_clock_far_from_greenwich_has_no_day_without_its_zone(
    rows: pd.DataFrame, tmp_path: Path
) -> None:
    evening = rows["time"].dt.tz_convert("UTC") + pd.Timedelta(hours=16)
    put(rows.assign(time=evening), tmp_path)
    cards, _ = cards_in(tmp_path)
    assert [c.days for c in cards] == [
        ("2026-03-02", "2026-03-03"),
        ("2026-03-03", "2026-03-04"),
    ]
    (tmp_path / "vehicles.csv").write_text("vehicle,time zone\nvan 1,Europe/Vienna\n")
    known, _ = cards_in(tmp_path)
    assert [(c.start[:13], c.days) for c in known] == [("2026-03-02T23", ()), ("2026-03-03T23", ())]


@pytest.mark.parametrize(
    ("zone", "day"),
    [("Europe/Vienna", "2026-03-29"), ("America/New_York", "2026-03-28")],
)
def test_each_vehicle_has_the_days_of_its_zone_through_the_change_of_the_clocks(
    zone: str, day: str, rows: pd.DataFrame, tmp_path: Path
) -> None:
    """At 00:55 UTC of 29 March it is five to two in Vienna, and five minutes on it is three."""
    first = rows[rows["time"].dt.day == 2]
    at = pd.Timestamp("2026-03-29T00:55Z") + (first["time"] - first["time"].iloc[0])
    put(first.assign(time=at), tmp_path)
    (tmp_path / "vehicles.csv").write_text(f"vehicle,time zone\nvan 1,{zone}\n")
    (card,), _ = cards_in(tmp_path)
    assert card.start[:10] == day
    assert card.rows == pytest.approx(500, abs=15)


def test_spellings_of_one_vehicle_in_a_column_are_one(rows: pd.DataFrame, tmp_path: Path) -> None:
    names = np.where(np.arange(len(rows)) % 2, "van 1", "van  1 ")
    put(rows.assign(vehicle=names), tmp_path, "all")
    cards, _ = cards_in(tmp_path)
    assert [c.rows for c in cards] == [pytest.approx(500, abs=15)] * 2


@pytest.mark.parametrize(
    ("column", "folder", "why"),
    [
        ("van 2", "vehicle=van%201", "lies in the folder of van 1, but its column 'vehicle' names"),
        (["a"], "all", "column 'vehicle' holds list"),
    ],
)
def test_a_column_that_can_not_be_the_vehicle_is_told(
    column: object, folder: str, why: str, rows: pd.DataFrame, tmp_path: Path
) -> None:
    put(rows, tmp_path, "vehicle=van%209")
    put(rows.assign(vehicle=[column] * len(rows)), tmp_path, folder)
    _, lost = cards_in(tmp_path)
    assert len(lost) == 1
    assert why in lost[0]


def test_months_of_folders_do_not_matter_and_a_damaged_group_costs_its_file(
    rows: pd.DataFrame, tmp_path: Path
) -> None:
    put(rows, tmp_path, "vehicle=van%201/month=1999-01")
    torn = put(rows, tmp_path, "vehicle=van%201/month=2026-03")
    data = bytearray(torn.read_bytes())
    data[2000:6000] = bytes(4000)
    torn.write_bytes(data)
    shutil.copytree(tmp_path / "samples" / "vehicle=van%201", tmp_path / "samples" / "backup")
    cards, lost = cards_in(tmp_path)
    assert [c.start[:10] for c in cards] == ["2026-03-02", "2026-03-03"]
    assert any("no whole Parquet file" in why for why in lost)


def test_two_names_with_one_vin_are_one_car(rows: pd.DataFrame, tmp_path: Path) -> None:
    vin = "1M8GDM9AXKP042788"  # the worked example of the check digit, no real car's
    put(rows.assign(vin=vin), tmp_path, "vehicle=van%201")
    later = rows.assign(vin=vin, time=rows["time"] + pd.Timedelta(days=7))
    put(later, tmp_path, "vehicle=AB%2012")
    fleet = find_fleet(parse_study({"fleet": {"data": "samples"}}), tmp_path)
    reads, _, _ = _read_all(fleet, serial, tmp_path / "work", False)
    ((name, _, why),) = _one_car(_vin_of(fleet, reads), reads)
    assert name == "van 1"
    assert "is that of AB 12, so the two are one vehicle" in str(why)


def test_numbers_of_loggers_and_sessions_are_no_vehicles(
    rows: pd.DataFrame, tmp_path: Path
) -> None:
    put(rows, tmp_path)
    fleet = find_fleet(parse_study({"fleet": {"data": "samples"}}), tmp_path)

    def read(*vins: str) -> list[Read]:
        return [Read(Source("", "", str(i)), str(i), b"", v) for i, v in enumerate(vins)]

    one_logger = {n: read("logger", "logger", "logger") for n in ("a", "b", "c")}
    assert _vin_of(fleet, one_logger) == {}
    a_session_each = {"a": read("s1", "s2", "s3"), "b": read("v", "v", "x")}
    assert _vin_of(fleet, a_session_each) == {"b": "v"}
    assert _one_car(_vin_of(fleet, a_session_each), a_session_each) == []
