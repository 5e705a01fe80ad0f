"""GPX tracks, and positions joined from them to logs that have none."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from geographiclib.geodesic import Geodesic

from roadlog.errors import InputError
from roadlog.ingest import Log, join_positions, read_log
from roadlog.ingest.positions.join import ground_speed_kmh
from roadlog.study.settings import TimeRule

START = pd.Timestamp("2024-03-05 08:00", tz="UTC")


def _speeds(n: int) -> np.ndarray:
    """A town drive [km/h]: stops and goes, never twice alike."""
    rng = np.random.default_rng(5)
    wanted = np.repeat(rng.uniform(0, 60, n // 20 + 1), 20)[:n]
    return np.convolve(wanted, np.ones(9) / 9, mode="same")


def _track(n: int = 600, start: pd.Timestamp | None = START) -> Log:
    speed = _speeds(n)
    north_m = np.concatenate([[0], np.cumsum(speed[1:] / 3.6)])
    frame = pd.DataFrame(
        {
            "t_s": np.arange(n, dtype=float),
            "lat_deg": 52.5 + north_m / 111_200,
            "lon_deg": np.full(n, 13.4),
            "altitude_m": np.linspace(30, 60, n),
        }
    )
    return Log(Path("track.gpx"), frame, start)


def _log(n: int = 600, start: pd.Timestamp | None = START) -> Log:
    frame = pd.DataFrame({"t_s": np.arange(n, dtype=float), "speed_kmh": _speeds(n)})
    return Log(Path("drive.csv"), frame, start)


def _gpx(tmp_path: Path, points: str, name: str = "track.gpx") -> Path:
    path = tmp_path / name
    path.write_text(
        '<?xml version="1.0"?><gpx version="1.1" creator="test" '
        'xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
        f"{points}</trkseg></trk></gpx>"
    )
    return path


POINT = (
    '<trkpt lat="{lat}" lon="13.4"><ele>{ele}</ele><time>2024-03-05T08:00:{s:02d}Z</time>'
    "<hdop>0.9</hdop><extensions><speed>{v}</speed><course>90</course></extensions></trkpt>"
)


def test_gpx_gives_positions_altitude_speed_and_course(tmp_path: Path) -> None:
    points = "".join(POINT.format(lat=52.5 + s / 1e4, ele=30 + s, s=s, v=10) for s in range(5))
    log = read_log(_gpx(tmp_path, points))
    assert log.start == START
    assert log.frame["t_s"].tolist() == [0, 1, 2, 3, 4]
    assert log.frame["altitude_m"].tolist() == [30, 31, 32, 33, 34]
    np.testing.assert_allclose(log.frame["gps_speed_kmh"], 36)
    assert set(log.frame["heading_deg"]) == {90}
    assert set(log.frame["hdop"]) == {0.9}


def test_gpx_is_known_by_its_content(tmp_path: Path) -> None:
    points = "".join(POINT.format(lat=52.5, ele=30, s=s, v=10) for s in range(3))
    assert len(read_log(_gpx(tmp_path, points, "track.csv")).frame) == 3


def test_gpx_start_is_told_in_the_zone_of_the_study(tmp_path: Path) -> None:
    points = "".join(POINT.format(lat=52.5, ele=30, s=s, v=10) for s in range(3))
    log = read_log(_gpx(tmp_path, points), time=TimeRule(zone="Europe/Paris"))
    assert log.start == START
    assert str(log.start) == "2024-03-05 09:00:00+01:00"


@pytest.mark.parametrize(
    ("points", "message"),
    [
        ('<trkpt lat="52.5" lon="13.4"/>' * 3, "the track has no times"),
        ("", "holds no track points"),
        ("<trkpt", "is not a readable GPX track"),
        ('<trkpt lat="north" lon="13.4"/>', "is not a readable GPX track"),
    ],
)
def test_a_track_that_cannot_serve_is_refused(tmp_path: Path, points: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_log(_gpx(tmp_path, points))


def test_other_xml_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.gpx"
    path.write_text("<html><body>no</body></html>")
    with pytest.raises(InputError, match=r"is not a readable GPX track|holds no track points"):
        read_log(path)


def test_positions_are_interpolated_by_wall_clock() -> None:
    log = _log(60, START + pd.Timedelta("100.5s"))
    joined = join_positions(log, [_track()])
    lat = _track().frame["lat_deg"].to_numpy()
    np.testing.assert_allclose(joined.frame["lat_deg"], (lat[100:160] + lat[101:161]) / 2)
    assert joined.frame["altitude_m"].notna().all()
    assert any("joined from track.gpx" in n for n in joined.notes)
    assert "lat_deg" not in log.frame


def test_no_position_is_made_up_across_a_long_gap() -> None:
    track = _track()
    kept = track.frame[(track.frame["t_s"] <= 100) | (track.frame["t_s"] >= 111)]
    joined = join_positions(_log(200), [replace(track, frame=kept.reset_index(drop=True))])
    missing = joined.frame["lat_deg"].isna().to_numpy()
    assert missing[101:111].all()
    assert missing.sum() == 10


def test_course_goes_round_north_the_short_way() -> None:
    frame = pd.DataFrame(
        {"t_s": [0.0, 2.0], "lat_deg": [52.0, 52.1], "lon_deg": [179.9, -179.9]}
    ).assign(heading_deg=[350.0, 20.0])
    log = Log(Path("a.csv"), pd.DataFrame({"t_s": [0.0, 1.0, 2.0]}), START)
    joined = join_positions(log, [Log(Path("t.gpx"), frame, START)])
    np.testing.assert_allclose(joined.frame["heading_deg"], [350, 5, 20])
    np.testing.assert_allclose(np.abs(joined.frame["lon_deg"]), [179.9, 180, 179.9])


def test_a_log_with_positions_is_left_alone() -> None:
    own = _track()
    assert join_positions(own, [_track()]) is own


def test_a_track_of_another_time_is_not_joined_and_it_is_said() -> None:
    joined = join_positions(_log(60, START + pd.Timedelta("1D")), [_track()])
    assert "lat_deg" not in joined.frame
    assert any("no track overlaps" in n for n in joined.notes)


def test_zone_of_the_study_brings_a_naive_clock_to_the_track() -> None:
    log = _log(60, pd.Timestamp("2024-03-05 09:00"))
    joined = join_positions(log, [_track()], zone="Europe/Paris")
    np.testing.assert_allclose(joined.frame["lat_deg"], _track().frame["lat_deg"][:60])
    with pytest.raises(InputError, match="zone 'Nowhere' is not known"):
        join_positions(log, [_track()], zone="Nowhere")


def test_a_naive_clock_is_placed_where_the_two_speeds_agree() -> None:
    log = _log(600, pd.Timestamp("2024-03-05 13:30"))
    joined = join_positions(log, [_track()])
    np.testing.assert_allclose(joined.frame["lat_deg"], _track().frame["lat_deg"])
    assert any("differ by +5.5 h" in n for n in joined.notes)


def test_a_naive_clock_is_not_placed_on_speeds_that_disagree() -> None:
    log = _log(600, pd.Timestamp("2024-03-05 13:30"))
    other = log.frame.assign(speed_kmh=log.frame["speed_kmh"].to_numpy()[::-1])
    joined = join_positions(replace(log, frame=other), [_track()])
    assert "lat_deg" not in joined.frame
    assert any("set zone under [time]" in n for n in joined.notes)


def test_ground_speed_agrees_with_the_geodesic() -> None:
    """Source: Karney's geodesic on WGS 84 (GeographicLib), within the sphere's 0.6 %."""
    lat, lon = np.array([52.5, 52.5002, 52.5002]), np.array([13.4, 13.4, 13.4004])
    frame = pd.DataFrame({"t_s": [0.0, 1.0, 2.0], "lat_deg": lat, "lon_deg": lon})
    expected = [
        3.6 * Geodesic.WGS84.Inverse(lat[i], lon[i], lat[i + 1], lon[i + 1])["s12"]
        for i in range(2)
    ]
    np.testing.assert_allclose(ground_speed_kmh(frame)[1:], expected, rtol=0.006)
