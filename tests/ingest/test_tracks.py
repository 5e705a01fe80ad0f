"""Position tracks in KML and TCX, and logs of JSON lines; what hostile ones are told."""

import json
from pathlib import Path

import numpy as np
import pytest

from roadlog.errors import InputError
from roadlog.ingest import join_positions, read_log

KML = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<kml xmlns="http://www.opengis.net/kml/2.2" '
    'xmlns:gx="http://www.google.com/kml/ext/2.2"><Placemark><gx:Track>{}</gx:Track></Placemark>'
    "</kml>"
)
TCX = (
    '<?xml version="1.0"?>\n<TrainingCenterDatabase '
    'xmlns="http://www.garmin.com/xmlschemas/TrainingCenterDatabase/v2"><Activities><Activity>'
    "<Lap><TotalTimeSeconds>9</TotalTimeSeconds><Track>{}</Track></Lap></Activity></Activities>"
    "</TrainingCenterDatabase>"
)


def stamp(second: int) -> str:
    return f"2026-03-02T07:{second // 60:02d}:{second % 60:02d}Z"


def kml(n: int = 60, mode: str = "absolute", where: str = "{lon:.6f} {lat:.6f} {alt}") -> str:
    whens = "".join(f"<when>{stamp(i)}</when>" for i in range(n))
    coords = "".join(
        f"<gx:coord>{where.format(lon=8.5, lat=47 + 1e-4 * i, alt=400 + i)}</gx:coord>"
        for i in range(n)
    )
    return KML.format(f"<altitudeMode>{mode}</altitudeMode>{whens}{coords}")


def tcx(n: int = 60, point: str = "") -> str:
    point = point or (
        "<Trackpoint><Time>{t}</Time><Position><LatitudeDegrees>{lat:.6f}</LatitudeDegrees>"
        "<LongitudeDegrees>8.5</LongitudeDegrees></Position><AltitudeMeters>{alt}</AltitudeMeters>"
        "</Trackpoint>"
    )
    return TCX.format(
        "".join(point.format(t=stamp(i), lat=47 + 1e-4 * i, alt=400 + i) for i in range(n))
    )


def read(tmp_path: Path, text: str, name: str = "drive", encoding: str = "utf-8"):
    (tmp_path / name).write_bytes(text.encode(encoding))
    return read_log(tmp_path / name)


@pytest.mark.parametrize("text", [kml(), tcx()])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_a_track_gives_its_positions_in_order(tmp_path, text, encoding):
    log = read(tmp_path, text, encoding=encoding)
    assert log.frame["t_s"].tolist() == list(range(60))
    np.testing.assert_allclose(log.frame["lat_deg"], 47 + 1e-4 * np.arange(60), atol=1e-9)
    assert set(log.frame["lon_deg"]) == {8.5}
    assert log.frame["altitude_m"].tolist() == list(range(400, 460))
    assert log.start.isoformat() == "2026-03-02T07:00:00+00:00"
    assert log.altitude_datum == ("sea level" if "gx:Track" in text else "unknown")


def test_altitudes_that_a_track_lays_on_the_ground_are_none(tmp_path):
    log = read(tmp_path, kml(mode="clampToGround"))
    assert "altitude_m" not in log.frame
    assert "altitudes that aren't marked as absolute left out" in log.notes


def test_a_track_point_without_a_time_or_place_is_told_or_blank(tmp_path):
    text = tcx().replace(f"<Time>{stamp(7)}</Time>", "").replace("47.000900", "none")
    log = read(tmp_path, text)
    assert "1 track point without a time dropped" in log.notes
    assert log.frame["lat_deg"].isna().sum() == 1
    assert len(log.frame) == 59


def test_a_track_is_joined_to_the_log_of_its_drive(tmp_path):
    rows = "".join(f"{stamp(i)},40\n" for i in range(60))
    log = read(tmp_path, "time,speed [km/h]\n" + rows, "log.csv")
    joined = join_positions(log, [read(tmp_path, tcx(), "track.tcx")])
    assert joined.frame["lat_deg"].notna().sum() == 60


BOMB = (
    '<?xml version="1.0"?><!DOCTYPE kml [<!ENTITY a "aaaaaaaaaa">'
    + "".join(
        f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True)
    )
    + "]><kml><Track><when>&i;</when></Track></kml>"
)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (BOMB, "declares XML entities, which no track needs"),
        ('<!DOCTYPE kml [<!ENTITY x SYSTEM "file:///etc/passwd">]><kml>&x;</kml>',
         "declares XML entities"),
        ('<!DOCTYPE gpx [<!ENTITY x SYSTEM "file:///etc/passwd">]><gpx>&x;</gpx>',
         "declares XML entities"),
        ("<kml>" + "<a>" * 100_000, "line 1: the KML file holds elements more than 64 deep"),
        (kml().replace(f"<when>{stamp(7)}</when>", ""), "a track with 59 times for 60 positions"),
        (KML.format(""), "the KML file holds no track with times"),
        (TCX.format(""), "the TCX file holds no track with times"),
        (tcx(point="<Trackpoint></Trackpoint>"), "the track has no times that are read"),
        (kml(where="1" * 400 + " " + "2" * 400), "holds no positions that are numbers"),
        (kml()[:2000], "from line 2 on it is not a readable KML file"),
        (kml(where="{lon:.6f} 14{lat} 0"), "latitudes such as 1447 are impossible"),
    ],
)  # fmt: skip
def test_a_hostile_track_is_one_sentence(tmp_path, text, said):
    with pytest.raises(InputError, match=said) as e:
        read(tmp_path, text)
    assert "\n" not in str(e.value)
    assert str(tmp_path / "drive") in str(e.value)


def test_a_time_that_is_no_time_drops_its_point_only(tmp_path):
    log = read(tmp_path, kml().replace("07:00:07Z", "x" * 5000))
    assert "1 track point without a time dropped" in log.notes
    assert len(log.frame) == 59


def objects(n: int = 60) -> list[dict[str, object]]:
    return [
        {"time": stamp(i), "speed [km/h]": 40 + i % 3, "rpm": 1500.5, "maf [g/s]": None if i == 3
         else 7.25, "note": "a, \"b\""} for i in range(n)
    ]  # fmt: skip


def lines(some: list[dict[str, object]]) -> str:
    return "\n".join(map(json.dumps, some)) + "\n"


def test_json_lines_are_read_by_their_names(tmp_path):
    log = read(tmp_path, lines(objects()))
    assert log.frame["t_s"].tolist() == list(range(60))
    assert log.frame["speed_kmh"].tolist() == [40 + i % 3 for i in range(60)]
    assert log.frame["maf_g_s"].isna().sum() == 1
    assert set(log.frame["rpm"]) == {1500.5}
    assert log.start.isoformat() == "2026-03-02T07:00:00+00:00"


def test_json_lines_may_leave_out_names_and_give_them_late_and_in_any_order(tmp_path):
    some = [dict(reversed(o.items())) if i % 2 else o for i, o in enumerate(objects())]
    some[50]["coolant temperature [degC]"] = 80
    del some[10]["rpm"]
    log = read(tmp_path, lines(some))
    assert log.frame["coolant_temp_c"].dropna().tolist() == [80]
    assert log.frame["rpm"].isna().tolist() == [i == 10 for i in range(60)]


def test_a_torn_last_line_of_json_is_dropped_and_lines_keep_their_numbers(tmp_path):
    text = lines(objects())[:-30].replace('"rpm": 1500.5', '"rpm": "bad"', 1)
    log = read(tmp_path, text)
    assert "the last line is incomplete and was dropped" in log.notes
    assert len(log.frame) == 59
    assert "'rpm': 1 cell without a number, first in line 1: left blank" in log.notes


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (lines([{"time": 0, "speed": {"kmh": 3}}]), "line 1: 'speed' holds more than one value"),
        ('{"time": 0, "time": 1, "speed": 3}\n', "line 1: it names 'time' twice"),
        (lines(objects()) + '{"a":' * 100_000 + "1" + "}" * 100_000, "nested too deeply"),
        (lines([{"rpm": 800}] * 5), "one name only, 'rpm'"),
        (lines(objects(5)) + "junk\n" * 5, "line 6: no whole JSON object"),
        (lines([{f"n{i}": 1 for i in range(2000)}]), "more than 1000 names"),
        (lines([{**o, "rpm": "9" * 400} for o in objects()]), ""),
    ],
)
def test_hostile_json_lines_are_one_sentence(tmp_path, text, said):
    if not said:
        assert not (read(tmp_path, text).frame["rpm"] > 0).any()
        return
    with pytest.raises(InputError, match=said) as e:
        read(tmp_path, text)
    assert "\n" not in str(e.value)
