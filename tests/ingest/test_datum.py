"""What altitudes are above: by the heading, by the kind of file, or by the study."""

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.errors import InputError
from roadlog.ingest import Log, join_positions, read_log
from roadlog.ingest.datum import datum_of, settled, uneven_datum
from roadlog.ingest.text.columns import match_header
from roadlog.physics.atmosphere import standard_pressure
from roadlog.study.settings import RoadRule, parse_study
from tests.ingest.recorder.receiver import START, instant


@pytest.mark.parametrize(
    ("header", "datum"),
    [
        ("Altitude (m)", "unknown"),
        ("GPS Altitude (ft)", "unknown"),
        ("Altitude above mean sea level (m)", "sea level"),
        ("alt_msl", "sea level"),
        ("AltitudeAMSL [m]", "sea level"),
        ("Orthometric height, m", "sea level"),
        ("Height above geoid (m)", "sea level"),
        ("elevation (m, MSL)", "sea level"),
        ("Höhe über NN (m)", "sea level"),
        ("Meereshöhe [m]", "sea level"),
        ("Altitude HAE (m)", "ellipsoid"),
        ("HAE [m]", "ellipsoid"),
        ("Ellipsoidal height (m)", "ellipsoid"),
        ("height above ellipsoid", "ellipsoid"),
        ("Altitude (WGS84)", "ellipsoid"),
        ("altitude WGS 84 [m]", "ellipsoid"),
    ],
)
def test_a_heading_tells_what_its_heights_are_above(header: str, datum: str) -> None:
    assert match_header(header).signal == "altitude_m"
    assert datum_of(header) == datum


@pytest.mark.parametrize(
    "header", ["Geoid separation (m)", "geoid_height", "Geoid height above ellipsoid [m]"]
)
def test_the_geoids_own_height_is_no_altitude(header: str) -> None:
    assert match_header(header).signal == "geoid_height_m"


@pytest.mark.parametrize(
    "header", ["Latitude (WGS84)", "sea level pressure", "MSL", "the ellipsoid"]
)
def test_other_headings_with_these_words_are_no_altitude(header: str) -> None:
    assert match_header(header).signal != "altitude_m"


def csv(path: Path, **columns: object) -> Path:
    table = pd.DataFrame({"time_s": range(30), "speed [km/h]": 50.0, **columns})
    table.to_csv(path, index=False)
    return path


def test_altitudes_above_the_ellipsoid_are_carried_down_by_the_logs_own_geoid(tmp_path) -> None:
    columns = {"height above ellipsoid [m]": 447.0, "geoid separation [m]": 47.2}
    log = read_log(csv(tmp_path / "a.csv", **columns))
    assert log.altitude_datum == "sea level"
    assert log.frame["altitude_m"].to_numpy() == pytest.approx(399.8)
    assert any("carried to sea level" in n and "+47.2 m" in n for n in log.notes)


def test_altitudes_above_sea_level_stay_whatever_the_geoid(tmp_path) -> None:
    log = read_log(csv(tmp_path / "a.csv", **{"alt MSL [m]": 400.0, "geoid separation [m]": 47.2}))
    assert log.altitude_datum == "sea level"
    assert (log.frame["altitude_m"] == 400).all()
    assert not any("carried" in n for n in log.notes)


def test_of_two_altitudes_the_one_above_sea_level_is_used(tmp_path) -> None:
    path = csv(tmp_path / "a.csv", **{"altitude HAE [m]": 447.0, "altitude MSL [m]": 400.0})
    log = read_log(path)
    assert (log.frame["altitude_m"] == 400).all()
    (left_out,) = [c for c in log.columns if c.role == "ignored"]
    assert "'altitude MSL [m]' is above sea level" in left_out.note


def test_a_log_without_altitude_has_no_datum(tmp_path) -> None:
    assert read_log(csv(tmp_path / "a.csv")).altitude_datum is None


def gpx(path: Path, extra: str = "") -> Path:
    points = "".join(
        f'<trkpt lat="50.0{i:02d}" lon="8.5"><ele>{300 + i}</ele>'
        f"<time>2026-03-02T07:00:{i:02d}Z</time>{extra}</trkpt>"
        for i in range(20)
    )
    path.write_text(
        '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
        f"{points}</trkseg></trk></gpx>"
    )
    return path


def test_gpx_says_what_ele_is_above_only_by_a_geoid_height_beside_it(tmp_path) -> None:
    """GPX 1.1 schema documentation: `ele` is "elevation", `geoidheight` as in the GGA sentence."""
    assert read_log(gpx(tmp_path / "plain.gpx")).altitude_datum == "unknown"
    with_geoid = read_log(gpx(tmp_path / "geoid.gpx", "<geoidheight>47.5</geoidheight>"))
    assert with_geoid.altitude_datum == "sea level"
    assert with_geoid.frame["altitude_m"].iloc[0] == 300


def test_a_receivers_gga_is_above_sea_level(tmp_path) -> None:
    path = tmp_path / "fixes.nmea"
    each = (START + dt.timedelta(seconds=i) for i in range(20))
    path.write_text("".join(instant(t, 45.0, 7.0) for t in each))
    log = read_log(path)
    assert (log.frame["altitude_m"] == 312).all()
    assert log.altitude_datum == "sea level"


def bare(datum: str) -> Log:
    frame = pd.DataFrame({"t_s": np.arange(3.0), "altitude_m": 447.0})
    return Log(Path("a.csv"), frame, None, altitude_datum=datum)  # type: ignore[arg-type]


def test_the_study_settles_what_a_log_leaves_open() -> None:
    said = settled(bare("unknown"), RoadRule(altitude="sea level", geoid_height_m=47))
    assert said.altitude_datum == "sea level"
    assert (said.frame["altitude_m"] == 447).all()
    carried = settled(bare("unknown"), RoadRule(altitude="ellipsoid", geoid_height_m=47))
    assert carried.altitude_datum == "sea level"
    assert (carried.frame["altitude_m"] == 400).all()
    assert "from [road]" in carried.notes[-1]


def test_the_study_doesnt_overrule_what_a_log_says() -> None:
    rule = RoadRule(altitude="ellipsoid", geoid_height_m=47)
    assert (settled(bare("sea level"), rule).frame["altitude_m"] == 447).all()


def test_above_the_ellipsoid_without_a_geoid_height_stays_and_is_known_as_such() -> None:
    assert settled(bare("ellipsoid"), RoadRule()).altitude_datum == "ellipsoid"


def test_settling_twice_carries_once(tmp_path) -> None:
    columns = {"HAE [m]": 447.0, "geoid separation [m]": 47.0}
    log = read_log(csv(tmp_path / "a.csv", **columns))
    assert (settled(log, RoadRule(altitude="ellipsoid")).frame["altitude_m"] == 400).all()


def test_a_geoid_higher_than_any_is_refused() -> None:
    with pytest.raises(InputError, match="geoid_height_m"):
        parse_study("[road]\ngeoid_height_m = 470")


def test_a_joined_track_brings_what_its_altitudes_are_above(tmp_path) -> None:
    track = read_log(gpx(tmp_path / "t.gpx", "<geoidheight>47.5</geoidheight>"))
    frame = pd.DataFrame({"t_s": np.arange(20.0), "speed_kmh": 50.0})
    log = Log(Path("car.csv"), frame, pd.Timestamp("2026-03-02T07:00", tz="UTC"))
    assert join_positions(log, [track]).altitude_datum == "sea level"


def test_arms_above_different_surfaces_are_told() -> None:
    arms = ["baseline", "fitted"] * 3
    assert uneven_datum(arms, ["sea level"] * 6) is None
    told = uneven_datum(arms, ["sea level", "ellipsoid"] * 3)
    assert told is not None
    assert "baseline: 100 % above mean sea level; fitted: 100 % above the ellipsoid" in told
    assert uneven_datum(arms, ["sea level", None] * 3) is None


def test_fifty_metres_are_six_tenths_of_a_percent_of_density() -> None:
    """ISO 2533 pressure at 300 m and 350 m; temperature is measured and stays."""
    ratio = float(standard_pressure(350.0)) / float(standard_pressure(300.0))
    assert 100 * (1 - ratio) == pytest.approx(0.6, abs=0.03)
