"""The weather's station against the route: near, far, in another country, on another level."""

import json

import numpy as np
import pandas as pd
import pytest

from roadlog.cli import main
from roadlog.errors import InputError
from roadlog.physics.geodesic import distances_km
from roadlog.weather.station import about, locate, station_warnings

VALLEY = (np.linspace(47.2, 47.3, 200), np.full(200, 8.5), np.full(200, 450.0))  # 11 km to north


def weather(lat=None, lon=None, elevation=None) -> pd.DataFrame:
    given = {"station_lat_deg": lat, "station_lon_deg": lon, "station_elevation_m": elevation}
    table = pd.DataFrame({"time": [pd.Timestamp("2026-03-02 07:00")], "temp_c": [5.0]})
    return table.assign(**{k: v for k, v in given.items() if v is not None})


def test_a_station_beside_the_route_raises_no_warning() -> None:
    found = locate(weather(47.25, 8.6, 430.0), "weather.csv", VALLEY)
    assert station_warnings(found) == []
    assert "8 to 9 km from the route and 20 m below it" in about(found)


def test_a_station_in_the_next_province_is_far() -> None:
    found = locate(weather(48.3, 8.5, 430.0), "metar.txt", VALLEY)
    (said,) = station_warnings(found)
    assert "111 to 122 km" in said
    assert "wind and rain are local" in said
    assert "temperature and pressure less so" in said


def test_the_far_end_of_a_long_route_counts() -> None:
    route = (np.linspace(47.2, 48.2, 500), np.full(500, 8.5), np.full(500, np.nan))
    found = locate(weather(47.2, 8.5, 450.0), "weather.csv", route)
    assert found.nearest_km < 2
    assert len(station_warnings(found)) == 1


def test_one_stray_fix_does_not_make_a_station_far() -> None:
    lat = VALLEY[0].copy()
    lat[17] = 0.1
    assert not station_warnings(locate(weather(47.25, 8.5), "weather.csv", (lat, *VALLEY[1:])))


def test_weather_of_another_country_is_refused() -> None:
    with pytest.raises(
        InputError, match=r"60\.20, 24\.90 is 1,7\d\d km from .* another country"
    ) as e:
        locate(weather(60.2, 24.9), "weather.csv", VALLEY)
    assert "\n" not in str(e.value)


def test_exchanged_latitude_and_longitude_are_recognised_on_the_road() -> None:
    with pytest.raises(InputError, match="write the latitude first"):
        locate(weather(8.5, 47.25), "weather.csv", VALLEY)


def test_a_mountain_station_is_of_another_level() -> None:
    (said,) = station_warnings(locate(weather(47.2, 8.5, 2100.0), "weather.csv", VALLEY))
    assert "1650 m below the weather station" in said
    assert "-6.5 K/km" in said


def test_an_unknown_place_is_said_to_be_unknown() -> None:
    found = locate(weather(), "weather.csv", VALLEY)
    assert found.nearest_km is None
    assert "isn't known" in about(found)
    none = np.empty(0)
    unplaced = locate(weather(47.2, 8.5), "weather.csv", (none, none, none))
    assert "no positions" in about(unplaced)
    assert station_warnings(unplaced) == []
    assert locate(None, "weather.csv", VALLEY) is None


def test_distance_across_180_degrees_is_short() -> None:
    assert distances_km((-17.0, 179.9), np.array([-17.0]), np.array([-179.9]))[0] < 25


@pytest.fixture(scope="module")
def placed(demo_study, tmp_path_factory):
    """The demonstration with the station 71 km north of its route."""
    import shutil

    folder = tmp_path_factory.mktemp("station") / "study"
    shutil.copytree(demo_study, folder)
    log = pd.read_csv(
        sorted((folder / "logs").iterdir())[0], usecols=["latitude [deg]", "longitude [deg]"]
    )
    lat, lon = log.median()
    return folder, (folder / "study.toml").read_text(), float(lat), float(lon)


def test_report_and_check_tell_how_far_the_weather_is(placed, capsys) -> None:
    folder, text, lat, lon = placed
    (folder / "study.toml").write_text(
        f"{text}\n[weather]\nstation = [{lat + 0.64:.4f}, {lon:.4f}]\nstation_elevation_m = 10\n"
    )
    assert main(["analyze", str(folder)]) == 0
    results = json.loads((folder / "results" / "results.json").read_text())
    assert results["weather_station"]["farthest_km"] == pytest.approx(75, abs=10)
    assert "weather-station" in {w["code"] for w in results["warnings"]}
    page = (folder / "results" / "report.html").read_text(encoding="utf-8")
    assert "its station stands" in page
    assert main(["check", str(folder)]) == 0
    assert "the weather station stands" in capsys.readouterr().out


def test_check_says_that_the_stations_place_is_unknown(placed, capsys) -> None:
    folder, text, _, _ = placed
    (folder / "study.toml").write_text(text)
    table = pd.read_csv(folder / "weather.csv")
    unplaced = table.drop(columns=[c for c in table if c.startswith(("latitude", "longitude"))])
    unplaced.to_csv(folder / "weather.csv", index=False)
    assert main(["check", str(folder)]) == 0
    out = capsys.readouterr().out
    assert "where its station stands isn't known" in out


def test_analysis_refuses_weather_from_elsewhere(placed, capsys) -> None:
    folder, text, lat, lon = placed
    far = f"{text}\n[weather]\nstation = [{lat - 20:.2f}, {lon:.2f}]\n"
    (folder / "study.toml").write_text(far)
    assert main(["analyze", str(folder)]) == 2
    assert "another country" in capsys.readouterr().err
