import numpy as np
import pandas as pd
import pytest

from roadlog.errors import InputError
from roadlog.study.settings import parse_study
from roadlog.weather.reports import check_dates, read_metar, study_weather

STARTS = pd.Series(pd.to_datetime(["2026-03-02 07:10", "2026-03-03 16:40"]))
REPORTS = """\
METAR EDXX 020550Z 24012KT 9999 -RA BKN025 06/04 Q1009 NOSIG=
EDXX 020620Z 25005MPS CAVOK M01/M03 Q1021
EDXX 031550Z VRB02KT 0300 FG VV001 03/03 Q1015
EDXX 031620Z 00000KT 9999 VCSH 12/02 A2992
"""


def saved(tmp_path, text: str):
    path = tmp_path / "metar.txt"
    path.write_text(text)
    return path


def test_reports_come_in_local_time_and_our_units(tmp_path) -> None:
    got = read_metar(saved(tmp_path, REPORTS), STARTS, "Europe/Berlin")
    assert got["time"].dt.strftime("%Y-%m-%d %H:%M").tolist() == [
        "2026-03-02 06:50", "2026-03-02 07:20", "2026-03-03 16:50", "2026-03-03 17:20",
    ]  # fmt: skip
    assert got["temp_c"].tolist() == [6, -1, 3, 12]
    assert got["wind_speed_m_s"].to_numpy() == pytest.approx([12 * 0.514444, 5, 2 * 0.514444, 0])
    assert got["wind_from_deg"].to_numpy()[:2].tolist() == [240, 250]
    assert np.isnan(got["wind_from_deg"].to_numpy()[2:]).all()
    assert got["qnh_kpa"].to_numpy() == pytest.approx([100.9, 102.1, 101.5, 101.32], abs=0.01)
    assert got["raining"].tolist() == [1, 0, 0, 0]  # fog and a shower nearby wet no road here


def test_a_stamp_before_the_report_gives_its_month(tmp_path) -> None:
    text = "202512310850 METAR EDXX 310850Z 24012KT 9999 06/04 Q1009\n"
    got = read_metar(saved(tmp_path, text), STARTS, "UTC")
    assert str(got["time"].iloc[0]) == "2025-12-31 08:50:00+00:00"


def test_runs_across_a_months_end_find_their_reports(tmp_path) -> None:
    starts = pd.Series(pd.to_datetime(["2026-02-27 08:00", "2026-03-02 08:00"]))
    text = "EDXX 270850Z 24012KT 9999 06/04 Q1009\nEDXX 020850Z 24012KT 9999 06/04 Q1009\n"
    got = read_metar(saved(tmp_path, text), starts, "UTC")
    assert got["time"].dt.strftime("%m-%d").tolist() == ["02-27", "03-02"]


@pytest.mark.parametrize(
    ("text", "zone", "says"),
    [
        (REPORTS, None, "METAR times are UTC"),
        (REPORTS, "Mars/Base", "no time zone"),
        ("nothing here\n", "UTC", "no METAR report found"),
        (REPORTS + "EDYY 020620Z 24012KT 9999 06/04 Q1009\n", "UTC", "reports of 2 stations"),
        ("EDXX 020670Z 24012KT 9999 06/04 Q1009\n", "UTC", "line 1"),
    ],
)
def test_unusable_metar_is_named(tmp_path, text, zone, says) -> None:
    with pytest.raises(InputError, match=says) as e:
        read_metar(saved(tmp_path, text), STARTS, zone)
    assert "\n" not in str(e.value)


def test_weather_of_another_zone_and_of_other_days_are_told_apart(tmp_path) -> None:
    path = tmp_path / "w.csv"
    noon = pd.DataFrame({"time": pd.to_datetime(["2026-03-02 13:00", "2026-03-03 22:00"])})
    with pytest.raises(InputError, match="another time zone"):
        check_dates(noon, STARTS, path)
    january = pd.DataFrame({"time": pd.to_datetime(["2026-01-02 07:00"])})
    with pytest.raises(InputError, match="none of the runs' days"):
        check_dates(january, STARTS, path)
    check_dates(pd.DataFrame({"time": pd.to_datetime(["2026-03-02 07:00"])}), STARTS, path)


def test_qnh_becomes_pressure_at_the_station(tmp_path) -> None:
    saved(tmp_path, REPORTS)
    text = '[time]\nzone = "Europe/Berlin"\n[weather]\nmetar = "metar.txt"\n'
    with pytest.raises(InputError, match="give station_elevation_m"):
        study_weather(tmp_path, parse_study(text), STARTS)
    got = study_weather(tmp_path, parse_study(text + "station_elevation_m = 500\n"), STARTS)
    assert got is not None
    assert got["pressure_kpa"].iloc[0] == pytest.approx(95.06, abs=0.03)
    assert got["humidity_pct"].iloc[2] == pytest.approx(100)


def test_csv_with_zone_comes_onto_the_logs_clock(tmp_path) -> None:
    (tmp_path / "weather.csv").write_text(
        "time,temperature [degC],pressure [hPa],rain [mm],dew point [degC]\n"
        "2026-03-02T06:00Z,5,1013,0.4,4\n"
    )
    study = parse_study('[time]\nzone = "Europe/Berlin"\n')
    got = study_weather(tmp_path, study, STARTS)
    assert got is not None
    assert got["time"].iloc[0].hour == 7
    assert got["rain_mm"].iloc[0] == pytest.approx(0.4)
    sea = parse_study('[weather]\npressure = "sea level"\nstation_elevation_m = 300\n')
    low = study_weather(tmp_path, sea, STARTS - pd.Timedelta(hours=1))
    assert low is not None
    assert low["pressure_kpa"].iloc[0] == pytest.approx(97.75, abs=0.05)
    assert study_weather(tmp_path / "none", parse_study(""), STARTS) is None


GRID = "time,latitude [degrees_north],longitude,elevation,temperature,pressure [hPa]\n"


def test_gridded_weather_tells_its_own_place(tmp_path) -> None:
    rows = "2026-03-02T07:00,47.25,8.5,412,5,965\n2026-03-02T08:00,47.25,8.5,412,6,965\n"
    (tmp_path / "weather.csv").write_text(GRID + rows)
    got = study_weather(tmp_path, parse_study(""), STARTS)
    assert got is not None
    place = got[["station_lat_deg", "station_lon_deg", "station_elevation_m"]].iloc[-1]
    assert place.tolist() == [47.25, 8.5, 412]
    assert got["qnh_kpa"].iloc[0] == pytest.approx(101.34, abs=0.02)  # from 96.5 kPa at 412 m
    told = parse_study("[weather]\nstation = [47.3, 8.6]\nstation_elevation_m = 500\n")
    own = study_weather(tmp_path, told, STARTS)
    assert own is not None
    assert own.iloc[0][["station_lat_deg", "station_elevation_m"]].tolist() == [47.3, 500]


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ("2026-03-02T07:00,47,8,400,5,965\n2026-03-02T07:00,48,8,400,5,965\n", "of 2 places"),
        ("2026-03-02T07:00,47,,400,5,965\n", "latitude without longitude"),
        ("2026-03-02T07:00,151.2,-33.9,5,15,1010\n", "are exchanged"),
        ("2026-03-02T07:00,47,8 E,400,5,965\n", "'8 E' is no number"),
    ],
)
def test_weather_of_no_single_place_is_refused(tmp_path, rows, says) -> None:
    (tmp_path / "weather.csv").write_text(GRID + rows)
    with pytest.raises(InputError, match=says) as e:
        study_weather(tmp_path, parse_study(""), STARTS)
    assert "\n" not in str(e.value)


def test_a_place_alone_is_no_weather(tmp_path) -> None:
    (tmp_path / "weather.csv").write_text("time,lat,lon\n2026-03-02T07:00,47,8\n")
    with pytest.raises(InputError, match="no weather column"):
        study_weather(tmp_path, parse_study(""), STARTS)


@pytest.mark.parametrize(
    ("place", "says"),
    [
        ("[151.2, -33.9]", "exchanged: write station"),
        ("[47.0, 190.0]", "longitude 190 is beyond 180"),
        ("[247.0, 190.0]", "latitude 247 is beyond 90: write"),
    ],
)
def test_a_station_off_the_earth_is_refused(place, says) -> None:
    with pytest.raises(InputError, match=says):
        parse_study(f"[weather]\nstation = {place}\n")
