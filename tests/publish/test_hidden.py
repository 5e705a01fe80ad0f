"""What of a drive is hidden, on which clock the rest appears, and what the tables may say of it."""

import datetime as dt
import random
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.closure import Ledger
from roadlog.errors import InputError
from roadlog.publish.clock import Happened, PublicClock, public_clock
from roadlog.publish.cut import HOLE_S, on_own_clock, shown_rows
from roadlog.publish.exits import MEAN_AWAY_M, hide
from roadlog.publish.leaks import PrivateFacts, leaks
from roadlog.publish.ledger import to_published_road, without_logs
from roadlog.publish.places import hidden_points
from roadlog.publish.private import (
    METRES_PER_DEGREE,
    OFFSET_M,
    Place,
    Secrets,
    draw_place,
    draw_secrets,
    keep_secrets,
    read_secrets,
    with_circles,
)
from roadlog.publish.tables import Window, public_notes, public_weather
from roadlog.study.settings import Can, Circle, Fill, parse_study

LAT, LON = 52.0, 10.0


def drive(x_m: np.ndarray, y_m: np.ndarray, step_s: float = 1.0) -> pd.DataFrame:
    """A drive along points in metres about the place, one each second."""
    scale = METRES_PER_DEGREE * np.cos(np.radians(LAT))
    return pd.DataFrame(
        {"t_s": step_s * np.arange(len(x_m)), "lat_deg": LAT + y_m / METRES_PER_DEGREE,
         "lon_deg": LON + x_m / scale, "speed_kmh": 50.0}
    )  # fmt: skip


def straight(begin_m: float, end_m: float) -> pd.DataFrame:
    along = np.linspace(begin_m, end_m, int(abs(end_m - begin_m) / 14))
    return drive(along, np.zeros(len(along)))


def test_a_disc_holds_all_within_its_reach_wherever_its_centre_is() -> None:
    chance = random.Random(1)
    turn = np.linspace(0, 2 * np.pi, 100)
    for _ in range(200):
        place = draw_place(LAT, LON, 900.0, chance)
        away = float(np.hypot(place.east_m, place.north_m))
        assert OFFSET_M[0] <= away <= OFFSET_M[1]
        ring = drive(899 * np.cos(turn), 899 * np.sin(turn))
        assert place.inside(ring["lat_deg"].to_numpy(), ring["lon_deg"].to_numpy()).all()


def test_a_long_stop_and_a_turn_are_hidden_and_a_red_light_is_not() -> None:
    there = straight(0, 3000)
    back = straight(3000, 0)
    points = hidden_points(pd.concat([there, back], ignore_index=True).assign(
        t_s=np.arange(len(there) + len(back), dtype=float)
    ))  # fmt: skip
    assert len(points) == 3  # both ends and the turn
    here = Place(*points[2], 0.0, 0.0, 0.0)
    assert here.away_m(there["lat_deg"].to_numpy()[-1:], there["lon_deg"].to_numpy()[-1:])[0] < 60
    for stop_s, expected in ((360, 3), (120, 2)):
        x = np.concatenate([np.linspace(0, 3000, 300), np.full(stop_s, 3000.0),
                            np.linspace(3000, 6000, 300)])  # fmt: skip
        assert len(hidden_points(drive(x, np.zeros(len(x))))) == expected


def test_a_run_past_the_home_of_others_is_cut_out_there() -> None:
    """Two runs end at the middle of the road that a third drives through without a stop."""
    runs = [straight(0, 12000), straight(12000, 0), straight(-30000, 12000)]
    chance = random.Random(3)
    secrets = draw_secrets(chance)
    hidden = hide(runs, secrets, chance)
    rows = shown_rows(runs[2], hidden.of_run[2], secrets.length_m)
    x = np.linspace(-30000, 12000, len(rows))
    assert not rows[np.abs(x) < 500].any()
    assert rows[np.abs(x + 15000) < 500].all()
    kept = on_own_clock(runs[2], rows)
    step = np.diff(kept["t_s"])
    assert step.max() == HOLE_S  # not as long as it took
    assert (step == HOLE_S).sum() == 1


def test_a_place_of_one_run_is_hidden_from_that_run_alone() -> None:
    runs = [straight(0, 12000), straight(12000, 0), straight(12000, 6000)]
    chance = random.Random(4)
    secrets = draw_secrets(chance)
    hidden = hide(runs, secrets, chance)
    x = np.linspace(0, 12000, len(runs[0]))
    assert shown_rows(runs[0], hidden.of_run[0], secrets.length_m)[np.abs(x - 6000) < 300].all()


def test_roads_of_one_home_are_cut_so_that_their_cuts_lie_off_it() -> None:
    roads = [(1, 0), (-1, 0.2), (0.1, 1), (0, -1)]
    d = np.linspace(0, 15000, 1000)
    bend = 3000 * (1 - np.cos(d / 4000))
    runs = [drive(a * d + b * bend, b * d - a * bend) for a, b in roads for _ in range(3)]
    for seed in range(4):
        chance = random.Random(seed)
        secrets = draw_secrets(chance)
        hidden = hide(runs, secrets, chance)
        home = Place(LAT, LON, 0.0, 0.0, 0.0)
        firsts = []
        for run, own in zip(runs, hidden.of_run, strict=True):
            first = np.flatnonzero(shown_rows(run, own, secrets.length_m))[0]
            firsts.append(home.metres_from(run["lat_deg"][first], run["lon_deg"][first]))
        assert np.hypot(*np.mean(firsts, axis=0)) > MEAN_AWAY_M - 150


def test_positions_across_the_date_line_are_hidden() -> None:
    run = straight(0, 12000)
    run["lon_deg"] = (run["lon_deg"] - 10.0 + 179.99 + 180) % 360 - 180
    place = draw_place(LAT, 179.99, 1000.0, random.Random(1))
    rows = shown_rows(run, [place], 1000.0)
    assert not rows[:35].any()
    assert rows[-100:].all()


def test_without_positions_the_drawn_length_goes_by_the_wheels() -> None:
    run = straight(0, 14000).drop(columns=["lat_deg", "lon_deg"])
    run["speed_kmh"] = 50.0
    rows = shown_rows(run, [], 1000.0)
    metres = run["t_s"] * 50 / 3.6
    assert metres[rows].min() == pytest.approx(1000, abs=20)
    assert metres.max() - metres[rows].max() == pytest.approx(1000, abs=20)


def test_what_a_car_did_without_a_fix_near_home_is_hidden() -> None:
    """The receiver is silent while the car turns in and out; its wheels would tell how far."""
    run = straight(-12000, 12000)
    near = (np.linspace(-12000, 12000, len(run)) > 1500) & (
        np.linspace(-12000, 12000, len(run)) < 3500
    )
    place = Place(LAT, LON, 600.0, 300.0, 0.0)
    run.loc[near, ["lat_deg", "lon_deg"]] = np.nan
    rows = shown_rows(run, [place], 600.0)
    x = np.linspace(-12000, 12000, len(run))
    assert not rows[(x > 1600) & (x < 2700)].any()


def test_secrets_are_kept_and_a_damaged_file_is_refused(tmp_path: Path) -> None:
    chance = random.Random(1)
    secrets = with_circles(draw_secrets(chance), [Circle(lat=1, lon=2, radius_m=300)], chance)
    path = tmp_path / "computed" / "private.json"
    keep_secrets(path, secrets)
    assert read_secrets(path) == secrets
    assert with_circles(secrets, [Circle(lat=1, lon=2, radius_m=300)], chance) == secrets
    grown = with_circles(secrets, [Circle(lat=1, lon=2, radius_m=2000)], chance).circles[0]
    assert (grown.east_m, grown.north_m) == (secrets.circles[0].east_m, secrets.circles[0].north_m)
    path.write_text(path.read_text().replace("length_m", "length"))
    with pytest.raises(InputError, match="put back the copy"):
        read_secrets(path)


def test_circles_are_checked() -> None:
    with pytest.raises(InputError, match="radius_m"):
        parse_study("[privacy]\ncircles = [{ lat = 52.5, lon = 13.4, radius_m = 5 }]")
    with pytest.raises(InputError, match="latitude 152\\.5 is beyond 90"):
        parse_study("[privacy]\ncircles = [{ lat = 152.5, lon = 13.4, radius_m = 500 }]")


def at(text: str) -> pd.Timestamp:
    return pd.Timestamp(text)


def test_whole_hours_keep_day_and_order() -> None:
    clock = PublicClock("hours")
    events = [
        Happened(at("2026-03-02T07:10:41"), 1200),
        Happened(at("2026-03-02T07:40")),  # a fill
        Happened(at("2026-03-02T07:50"), 600),
        Happened(at("2026-03-02T23:59:50"), 300, at("2026-03-02")),
        Happened(at("2026-03-03T00:03"), 300, at("2026-03-02")),
        Happened(at("2026-03-03T06:59:59"), 60),
    ]
    public = clock.in_order(events)
    assert public[0] == at("2026-03-02T07:00")
    assert public[1:3] == [at("2026-03-02T08:00"), at("2026-03-02T09:00")]
    assert all(a < b for a, b in pairwise(public))
    assert [p.date().isoformat() for p in public] == 5 * ["2026-03-02"] + ["2026-03-03"]


def test_a_shifted_clock_keeps_weekdays_and_days_together() -> None:
    events = [Happened(at("2026-03-02T05:10:41"), 1200), Happened(at("2026-03-06T21:30"), 1800)]
    for seed in range(30):
        chance = random.Random(seed)
        clock, secrets = public_clock("shifted", draw_secrets(chance), events, chance)
        public = clock.in_order(events)
        assert [p.weekday() for p in public] == [0, 4]
        assert public[0].hour != 5
        assert public[0].minute % 10 == 0
        assert public_clock("shifted", secrets, events, chance)[0] == clock


def test_many_runs_in_one_hour_wait_for_one_another() -> None:
    events = [Happened(at("2026-03-02T08:00") + pd.Timedelta(minutes=25 * i), 1200)
              for i in range(30)]  # fmt: skip
    for clock in (PublicClock("hours"), PublicClock("shifted", -10, 3)):
        public = clock.in_order(events)
        gaps = np.diff(np.array(public, "datetime64[s]")).astype(float)
        assert (gaps >= 1200).all()


def test_notes_lose_free_text_and_keep_what_rules_read() -> None:
    study = parse_study(
        {"labels": {"baseline": "out", "fitted": "in"},
         "analysis": {"exclude_if": ["trailer"], "noted_covariates": ["driver"]}}
    )  # fmt: skip
    notes = pd.DataFrame(
        {"date": ["2026-03-02", "2026-03-03"], "arm": ["out", "in"], "A/C": ["off", "40 %"],
         "tyres [kPa]": ["231", "230.5"], "driver": ["A", "B"], "seal": ["77123", "77124"],
         "deviation": ["Trailer, fetched at Anna's", "stopped at 5 Elm Street"],
         "remarks": ["saw Tom", ""], "windows": ["shut", "open"]}
    )  # fmt: skip
    public = public_notes(notes, study, {}, PublicClock("hours", 1))
    assert public["date"].tolist() == ["2026-03-09", "2026-03-10"]
    assert public["deviation"].tolist() == ["trailer", "other"]
    assert {"remarks", "seal"}.isdisjoint(public.columns)
    assert public[["A/C", "tyres [kPa]", "driver", "windows"]].iloc[0].tolist() == [
        "off", "231", "A", "shut",
    ]  # fmt: skip


def test_notes_of_a_log_that_is_not_shown_go_with_it() -> None:
    notes = pd.DataFrame({"file": ["a.csv", "b.csv"], "load [kg]": ["10", "20"]})
    public = public_notes(notes, parse_study({}), {"b.csv": "run-001.csv"}, PublicClock("hours"))
    assert public.to_numpy().tolist() == [["run-001.csv", "20"]]


def test_fills_and_cans_tell_nothing_of_the_hidden_road() -> None:
    """Distance and fuel of what is hidden can't be had by subtraction: only ratios are left."""
    runs = pd.DataFrame(
        {"run": range(4), "file": [f"logs/{c}.csv" for c in "abcd"], "switch_unit": list("1122"),
         "start": pd.to_datetime(["2026-03-02", "2026-03-03", "2026-03-04", "2026-03-05"])
         + pd.Timedelta(hours=8)}
    )  # fmt: skip
    shown = pd.DataFrame({"km": 20.0, "burned": 1000.0, "shown_km": [12.0, 13, 14, 15],
                          "shown_burned": [600.0, 700, 650, 800]})  # fmt: skip
    fills = tuple(
        Fill(time=dt.datetime(2026, 3, d, 6), litres=litres, odometer_km=km)
        for d, litres, km in ((2, 30.0, 51230.0), (4, 2.81, 51271.0), (6, 2.9, 51312.0))
    )
    cans = (Can(before_kg=3.0, after_kg=2.2, run="a.csv", km=20),)
    public = to_published_road(
        Ledger(fills, cans), runs, shown, {"a.csv": "logs/baseline/run-001.csv"}, parse_study({})
    )
    assert [f.odometer_km for f in public.fills] == [0.0, 25.6, 55.3]  # 41 km x 25/40, 29/40
    assert public.fills[1].litres == pytest.approx(2.81 * 1300 / 2000, abs=0.005)
    can = public.cans[0]
    assert can.run == "logs/baseline/run-001.csv"
    assert can.before_kg - can.after_kg == pytest.approx(0.8 * 0.6)
    assert can.km == pytest.approx(12.0)


def test_weather_at_the_runs_is_that_of_the_true_times() -> None:
    hours = pd.date_range("2026-03-02T06:00", periods=4, freq="h")
    weather = pd.DataFrame(
        {"time": hours, "temp_c": [4.0, 6.0, 8.0, 10.0], "qnh_kpa": 101.0, "pressure_kpa": 96.7,
         "wind_speed_m_s": 3.0, "wind_from_deg": [350.0, 10, 20, 30],
         "station_elevation_m": 372.0, "station_lat_deg": LAT, "station_lon_deg": LON}
    )  # fmt: skip
    window = Window(at("2026-03-02T07:30"), at("2026-03-02T07:00"), 1200.0)
    public, height = public_weather(weather, [window], 0.4)
    row = public.set_index("time").loc["2026-03-02T07:00"]
    assert height == 400
    assert row["temperature [degC]"] == pytest.approx(7.0 - 0.0065 * 28, abs=0.01)
    assert row["wind from [deg]"] == pytest.approx(15.0, abs=0.5)
    assert not [c for c in public.columns if "lat" in c or "lon" in c or c.startswith("pressure")]
    unknown, height = public_weather(
        weather.drop(columns=["station_elevation_m", "qnh_kpa"]), [window], 0.4
    )
    assert height is None
    assert unknown["pressure [kPa]"].iloc[-1] == pytest.approx(97.1)


def test_secrets_lie_within_what_the_rule_says() -> None:
    drawn = [draw_secrets(random.Random(i)) for i in range(300)]
    lengths = np.array([s.length_m for s in drawn])
    assert 500 <= lengths.min() < 550
    assert 1450 < lengths.max() <= 1500
    assert isinstance(drawn[0], Secrets)


def test_moved_dates_move_the_units_of_fills_and_cans_too() -> None:
    """They stood in cans.csv as they were, and told by how much all dates were moved."""
    clock = PublicClock("shifted", weeks=-3)
    fill = Fill(time=dt.datetime(2026, 3, 2, 6), litres=30.0, unit="2026-03-02")
    units = ("2026-03-02", dt.date(2026, 3, 3), "2026-03-04 evening", "week 2")
    cans = tuple(Can(before_kg=3.0, after_kg=2.2, unit=u) for u in units)
    ledger = Ledger((fill,), cans)
    runs = pd.DataFrame({"file": [], "start": [], "switch_unit": []}, dtype=str)
    runs["start"] = pd.to_datetime(runs["start"])
    shown = pd.DataFrame(columns=["km", "burned", "shown_km", "shown_burned"], dtype=float)
    for public in (
        without_logs(ledger, {}, clock),
        to_published_road(ledger, runs, shown, {}, clock),
    ):
        assert [str(c.unit) for c in public.cans] == [
            "2026-02-09", "2026-02-10", "2026-02-11 evening", "week 2",
        ]  # fmt: skip
        assert str(public.fills[0].unit) == "2026-02-09"


def test_a_true_date_beside_moved_ones_is_found(tmp_path: Path) -> None:
    (tmp_path / "cans.csv").write_text("unit\n2026-03-02\n")
    (found,) = leaks(tmp_path, PrivateFacts(dates=frozenset({"2026-03-02"})))
    assert "a true date" in str(found)
