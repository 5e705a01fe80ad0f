"""Speed, latitude and longitude held against each other, labelled or not (synthetic drives)."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.check import check_study
from roadlog.errors import InputError
from roadlog.ingest import Log, join_positions, read_log
from roadlog.ingest.log import ColumnMatch
from roadlog.ingest.positions.fixes import without_false_fixes
from roadlog.ingest.positions.speedcheck import held_against_positions
from roadlog.runs.table import pile_sources, read_logs
from roadlog.study.settings import Study

START = pd.Timestamp("2026-03-02 07:10", tz="UTC")
FACTORS = {
    "mph": 1.609344,
    "m/s": 3.6,
    "kn": 1.852,
    "km/h": 1.0,
}  # km/h in one of each; NIST SP 811


def drive(
    seconds: int = 1200,
    *,
    lat: float = 46.2,
    lon: float = 7.6,
    noise_m: float = 5.0,
    course: Callable[[np.ndarray], np.ndarray] = lambda s: 0.9 * np.sin(s / 1500) + s / 9000,
) -> pd.DataFrame:
    """A drive with stops on a winding road, positions each second; speed in whole km/h."""
    rng = np.random.default_rng(11)
    t = np.arange(float(seconds))
    kmh = np.clip(48 + 38 * np.sin(t / 70) + 6 * np.sin(t / 13), 0, None)
    s = np.cumsum(kmh / 3.6)
    heading = course(s)
    north = np.cumsum(kmh / 3.6 * np.cos(heading)) + rng.normal(0, noise_m, seconds)
    east = np.cumsum(kmh / 3.6 * np.sin(heading)) + rng.normal(0, noise_m, seconds)
    return pd.DataFrame(
        {
            "t_s": t,
            "speed_kmh": np.round(kmh),
            "lat_deg": lat + north / 111_195,
            "lon_deg": lon + east / 111_195 / np.cos(np.radians(lat)),
            "rpm": 1800.0,
            "maf_g_s": 4 + kmh / 10,
        }
    )


def log_of(frame: pd.DataFrame, unit: str = "km/h", note: str = "") -> Log:
    column = ColumnMatch(f"Speed ({unit})", "speed_kmh", unit, note)
    return Log(Path("drive.csv"), frame, START, (column,))


@pytest.mark.parametrize("label", FACTORS)
@pytest.mark.parametrize("true", FACTORS)
def test_a_labelled_speed_is_held_against_the_positions(label: str, true: str) -> None:
    frame = drive()
    frame["speed_kmh"] *= FACTORS[label] / FACTORS[true]
    if label == true:
        held_against_positions(log_of(frame, label))
        return
    with pytest.raises(InputError, match=rf"taken in {label} and looks like {true} by the log's"):
        held_against_positions(log_of(frame, label))


@pytest.mark.parametrize("noise_m", [0.0, 15.0, 30.0])
@pytest.mark.parametrize("scale", [0.9, 1.0, 1.1])
def test_a_speedometer_and_a_noisy_receiver_are_no_other_unit(noise_m: float, scale: float) -> None:
    frame = drive(noise_m=noise_m)
    frame["speed_kmh"] *= scale
    held_against_positions(log_of(frame))


@pytest.mark.parametrize("radius_m", [40.0, 60.0, 150.0])
def test_laps_and_hairpins_are_no_other_unit(radius_m: float) -> None:
    frame = drive(2400, course=lambda s: s / radius_m, noise_m=2.0)
    held_against_positions(log_of(frame))
    held_against_positions(
        log_of(drive(course=lambda s: np.where(np.floor(s / 180) % 2 == 0, 0.1, 3.1)))
    )


def test_mph_on_a_winding_road_is_never_taken_for_km_h() -> None:
    """Bends shorten chords by as much as they like: it is refused, whatever the unit is called."""
    for wind in (150.0, 300.0, 700.0):
        frame = drive(course=lambda s, w=wind: 0.8 * np.sin(s / w))
        frame["speed_kmh"] /= FACTORS["mph"]
        with pytest.raises(InputError, match=r"by the log's positions|fits in no unit"):
            held_against_positions(log_of(frame))


def test_a_speed_that_fits_in_no_unit_is_refused() -> None:
    frame = drive()
    frame["speed_kmh"] /= 1.4
    with pytest.raises(InputError, match=r"1\.4\d times as far apart .* fits in no unit"):
        held_against_positions(log_of(frame))


def test_the_receivers_own_speed_is_held_against_its_positions() -> None:
    frame = drive()
    frame["gps_speed_kmh"] = frame["speed_kmh"] / FACTORS["kn"]
    column = ColumnMatch("GPS speed (km/h)", "gps_speed_kmh", "km/h")
    with pytest.raises(
        InputError, match=r"'GPS speed \(km/h\)' is taken in km/h and looks like kn"
    ):
        held_against_positions(Log(Path("drive.csv"), frame, START, (column,)))


def test_two_speeds_without_positions_are_held_against_each_other() -> None:
    frame = drive().drop(columns=["lat_deg", "lon_deg"])
    frame["gps_speed_kmh"] = frame["speed_kmh"] * FACTORS["mph"]
    with pytest.raises(InputError, match="as if one of the two were in mph"):
        held_against_positions(log_of(frame))
    held_against_positions(log_of(frame.assign(gps_speed_kmh=frame["speed_kmh"] * 1.04)))


@pytest.mark.parametrize(("lat", "lon"), [(46.2, 7.6), (-33.9, 18.4), (52.1, -1.2), (28.6, 77.2)])
@pytest.mark.parametrize("noise_m", [0.0, 5.0, 10.0])
def test_exchanged_latitude_and_longitude_are_refused(
    lat: float, lon: float, noise_m: float
) -> None:
    frame = drive(lat=lat, lon=lon, noise_m=noise_m)
    held_against_positions(log_of(frame))
    swapped = frame.assign(lat_deg=frame["lon_deg"], lon_deg=frame["lat_deg"])
    with pytest.raises(InputError, match="latitude and longitude look swapped"):
        held_against_positions(log_of(swapped))


def test_an_exchange_on_a_road_due_east_is_seen_by_its_length_alone() -> None:
    frame = drive(course=lambda s: 1.55 + 0.1 * np.sin(s / 900))
    swapped = frame.assign(lat_deg=frame["lon_deg"], lon_deg=frame["lat_deg"])
    with pytest.raises(InputError, match="latitude and longitude look swapped"):
        held_against_positions(log_of(swapped))


def test_positions_joined_from_a_track_are_held_against_the_speed() -> None:
    frame = drive()
    track = Log(Path("track.gpx"), frame[["t_s", "lat_deg", "lon_deg"]], START)
    own = frame.drop(columns=["lat_deg", "lon_deg"])
    join_positions(log_of(own), [track])
    with pytest.raises(InputError, match="looks like mph"):
        join_positions(log_of(own.assign(speed_kmh=own["speed_kmh"] / 1.609344)), [track])


def test_positions_that_freeze_are_a_gap() -> None:
    frame = drive()
    frame.loc[600:, ["lat_deg", "lon_deg"]] = frame.loc[600, ["lat_deg", "lon_deg"]].to_numpy()
    log = held_against_positions(log_of(frame))
    assert log.frame["lat_deg"].notna().sum() == 601
    assert log.frozen_s == pytest.approx(599)
    assert any("positions stood still for 599 s while the wheels turned" in n for n in log.notes)


def test_a_fix_kept_from_another_day_is_no_fix() -> None:
    frame = drive()
    frame.loc[:299, ["lat_deg", "lon_deg"]] = [46.9, 7.1]
    log = without_false_fixes(log_of(frame))
    assert log.frame["lat_deg"].first_valid_index() == 300


def test_a_car_that_stands_and_a_slow_receiver_have_no_frozen_fix() -> None:
    frame = drive(noise_m=0.0)
    frame.loc[300:400, "speed_kmh"] = 0.0
    frame.loc[300:400, ["lat_deg", "lon_deg"]] = frame.loc[300, ["lat_deg", "lon_deg"]].to_numpy()
    held = np.floor(frame["t_s"] / 5).astype(int) * 5
    slow = frame.assign(**{c: frame[c].to_numpy()[held] for c in ("lat_deg", "lon_deg")})
    assert without_false_fixes(log_of(slow)).frame["lat_deg"].notna().all()
    coarse = frame.assign(lat_deg=frame["lat_deg"].round(3), lon_deg=frame["lon_deg"].round(3))
    assert without_false_fixes(log_of(coarse)).frame["lat_deg"].notna().all()


def test_nought_north_nought_east_is_a_gap_whoever_wrote_it() -> None:
    frame = drive()
    frame.loc[100:120, ["lat_deg", "lon_deg"]] = 0.0
    log = held_against_positions(log_of(frame))
    assert log.frame["lat_deg"].isna().sum() == 21
    assert any("21 positions at 0, 0 taken as no fix" in n for n in log.notes)


def test_one_slipped_log_stops_the_analysis_and_is_named_by_the_check(tmp_path: Path) -> None:
    good = drive().rename(columns={"t_s": "time_s", "speed_kmh": "Speed (km/h)"})
    paths = []
    for i in range(2):
        paths.append(tmp_path / f"{i}.csv")
        slipped = good["Speed (km/h)"] / (1.609344 if i else 1.0)
        good.assign(**{"Speed (km/h)": slipped, "rpm": 1800 + i}).to_csv(paths[-1], index=False)
    read_log(paths[0])
    sources = pile_sources(paths[:1], paths[1:])
    with pytest.raises(InputError, match=r"1\.csv: column 'Speed \(km/h\)' is taken in km/h"):
        read_logs(Study(), sources)
    runs = {r.file: r for r in check_study(Study(), sources).runs}
    assert runs["0.csv"].usable
    assert "looks like mph by the log's positions" in runs["1.csv"].verdict


def test_a_frozen_log_says_so_in_the_check(tmp_path: Path) -> None:
    frame = drive()
    frame.loc[600:, ["lat_deg", "lon_deg"]] = frame.loc[600, ["lat_deg", "lon_deg"]].to_numpy()
    path = tmp_path / "a.csv"
    names = {"t_s": "time_s", "speed_kmh": "Speed (km/h)"}
    frame.rename(columns=names).to_csv(path, index=False)
    other = tmp_path / "b.csv"
    other.write_bytes(path.read_bytes())
    run = check_study(Study(), pile_sources([path], [other])).runs[0]
    assert "positions that stand still for 599 s" in run.verdict
