"""Columns whose header names no unit: what their values say, in one log and over a study."""

import tarfile
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.errors import InputError
from roadlog.ingest import Log, read_alike, read_log
from roadlog.quantities.units import convert
from roadlog.study.settings import ColumnRule

N = 1500
_T = np.arange(float(N))
_PULL = 0.5 + 0.5 * np.sin(_T / 17)
_KMH = np.round(50 + 40 * np.sin(_T / 60))
_KM_NORTH = np.concatenate([[0.0], np.cumsum((_KMH[1:] + _KMH[:-1]) / 2 / 3600)])
CAR: Mapping[str, np.ndarray] = {
    "Speed (km/h)": _KMH,
    "Engine speed": 800 + 25 * np.round(60 * _PULL),
    "MAP": np.round(25 + 70 * _PULL),
    "Baro": np.full(N, 99.0),
    "Coolant": np.round(np.minimum(90 + 3 * np.sin(_T / 90), 15 + _T / 6)),
    "Intake temp": np.round(24 + 6 * np.sin(_T / 200)),
    "Outside temp": np.full(N, 17.0),
    "Throttle": np.round(12 + 50 * _PULL, 1),
    "Engine load": np.round(20 + 60 * _PULL, 1),
    "Battery voltage": np.round(14 + 0.2 * _PULL, 2),
    "Latitude": 48.1 + _KM_NORTH / 111.2,
    "Longitude": np.full(N, 11.5),
    "Altitude": np.round(520 + 20 * np.sin(_T / 300), 1),
}
SIGNAL = {
    "Engine speed": "rpm", "MAP": "map_kpa", "Baro": "baro_kpa", "Coolant": "coolant_temp_c",
    "Intake temp": "intake_air_temp_c", "Outside temp": "ambient_temp_c",
    "Throttle": "throttle_pct", "Engine load": "engine_load_pct",
    "Battery voltage": "supply_voltage_v", "Latitude": "lat_deg", "Longitude": "lon_deg",
    "Altitude": "altitude_m",
}  # fmt: skip
OWN = {
    "Engine speed": "rpm", "MAP": "kpa", "Baro": "kpa", "Coolant": "°c", "Intake temp": "°c",
    "Outside temp": "°c", "Throttle": "%", "Engine load": "%", "Battery voltage": "v",
    "Latitude": "°", "Longitude": "°", "Altitude": "m",
}  # fmt: skip
REAL = Path(__file__).parents[3] / "shared" / "real_drives" / "trips.tar.gz"
TEMPERATURES = ("Coolant", "Intake temp", "Outside temp")
Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def _write(
        units: Mapping[str, tuple[str, int]] | None = None,
        name: str = "log.csv",
        rows: slice = slice(None),
        **others: np.ndarray,
    ) -> Path:
        columns = {k: others.get(k.split()[0].lower(), v) for k, v in CAR.items()}
        columns["Engine speed"] = others.get("rpm", CAR["Engine speed"])
        for header, (unit, digits) in (units or {}).items():
            columns[header] = np.round(convert(columns[header], OWN[header], unit), digits)
        frame = pd.DataFrame({"time_s": _T, **columns})[rows]
        path = tmp_path / name
        path.write_text(frame.to_csv(index=False, float_format="%.9g"))
        return path

    return _write


def _alike(*paths: Path) -> list[Log]:
    def reread(path: Path, rules: Mapping[str, ColumnRule]) -> Log:
        return read_log(path, columns=rules)

    return read_alike([read_log(p, alone=False) for p in paths], reread)


def test_a_plain_log_is_read_as_it_stands(write: Write) -> None:
    log = read_log(write())
    for header, signal in SIGNAL.items():
        np.testing.assert_allclose(log.frame[signal], CAR[header], rtol=1e-6)
    assert not any("names no unit" in n for n in log.notes)


@pytest.mark.parametrize(
    "units",
    [
        {"Coolant": ("°f", 0)},
        dict.fromkeys(TEMPERATURES, ("°f", 0)),
        dict.fromkeys(TEMPERATURES, ("k", 1)),
        {"MAP": ("hpa", 0)},
        {"MAP": ("bar", 2)},
        {"MAP": ("inhg", 2), "Baro": ("inhg", 2)},
        {"MAP": ("psi", 2), "Baro": ("psi", 2)},
        {"Baro": ("inhg", 2)},
        {"Baro": ("hpa", 0)},
        {"Engine speed": ("1000 rpm", 3)},
        {"Engine speed": ("rev/s", 2)},
        {"Throttle": ("fraction", 3)},
        {"Engine load": ("fraction", 3)},
        {"Latitude": ("rad", 9), "Longitude": ("rad", 9)},
        {"Battery voltage": ("mv", 0)},
    ],
    ids=lambda u: ", ".join(f"{k} {v[0]}" for k, v in u.items()),
)
def test_a_unit_that_values_leave_alone_is_read_and_told(
    write: Write, units: dict[str, tuple[str, int]]
) -> None:
    log = read_log(write(units))
    for header, signal in SIGNAL.items():
        unit, digits = units.get(header, (OWN[header], 9))
        within = convert(1 + 0.51 * 10.0**-digits, unit, OWN[header]) - convert(
            1.0, unit, OWN[header]
        )
        np.testing.assert_allclose(log.frame[signal], CAR[header], rtol=1e-6, atol=within)
    told = [n for n in log.notes if "names no unit" in n]
    assert {h for h in units if any(f"'{h}'" in n for n in told)} == set(units)


def test_pounds_or_inches_of_manifold_pressure_are_asked_for_with_the_line_to_write(
    write: Write,
) -> None:
    slow = np.minimum(CAR["MAP"], 70.0)
    path = write({"MAP": ("inhg", 1)}, map=slow)
    with pytest.raises(InputError, match=r"may be psi or inHg: .*--column 'MAP=map_kpa\[psi\]'"):
        read_log(path)
    rule = ColumnRule(signal="map_kpa", unit="inhg")
    np.testing.assert_allclose(
        read_log(path, columns={"MAP": rule}).frame["map_kpa"], slow, atol=0.2
    )


def test_an_engine_that_never_warms_up_is_no_fahrenheit(write: Write) -> None:
    log = read_log(write(coolant=np.round(np.minimum(44.0, 15 + _T / 20))))
    assert log.frame["coolant_temp_c"].max() == 44


def test_a_turbo_and_a_parked_car_keep_their_kilopascal(write: Write) -> None:
    assert read_log(write(map=np.round(25 + 190 * _PULL))).frame["map_kpa"].max() == 215
    parked = {"map": np.full(N, 25.0), "speed": np.zeros(N), "rpm": np.full(N, 655.0)}
    assert read_log(write(**parked)).frame["map_kpa"].max() == 25


def test_a_throttle_that_stays_shut_is_no_fraction(write: Write) -> None:
    log = read_log(write(throttle=np.where(_T % 7 == 0, 0.39, 0.0)))
    assert log.frame["throttle_pct"].max() == pytest.approx(0.39)


def test_a_boosted_engine_beside_inches_of_mercury_keeps_its_own_unit(write: Write) -> None:
    log = read_log(write({"Baro": ("inhg", 2)}, map=np.round(30 + 170 * _PULL)))
    assert log.frame["map_kpa"].max() == 200


def test_a_short_cold_log_takes_the_unit_of_the_long_ones(write: Write) -> None:
    fahrenheit = dict.fromkeys(TEMPERATURES, ("°f", 0))
    cold = write(fahrenheit, "cold.csv", rows=slice(0, 60), outside=np.full(N, 5.0))
    assert read_log(cold).frame["coolant_temp_c"].iloc[0] == 59  # by itself it can't be told
    logs = _alike(cold, write(fahrenheit, "warm.csv"))
    assert logs[0].frame["coolant_temp_c"].iloc[0] == pytest.approx(15, abs=0.3)
    assert logs[0].frame["intake_air_temp_c"].iloc[0] == pytest.approx(24, abs=0.3)


def test_one_arm_in_fahrenheit_is_refused_with_both_files(write: Write) -> None:
    paths = write(name="a.csv"), write(dict.fromkeys(TEMPERATURES, ("°f", 0)), "b.csv")
    with pytest.raises(InputError, match=r"can only be °C in .*a\.csv but °F in .*b\.csv"):
        _alike(*paths)


def test_what_one_log_leaves_open_another_settles(write: Write) -> None:
    pounds = partial(write, {"MAP": ("psi", 1)})
    paths = pounds("fast.csv"), pounds("slow.csv", map=np.minimum(CAR["MAP"], 70.0))
    with pytest.raises(InputError, match="may be psi or inHg"):
        read_log(paths[0])
    assert _alike(*paths)[0].frame["map_kpa"].max() == pytest.approx(95, abs=0.4)


def test_an_idle_log_is_read_as_the_drives_are(write: Write) -> None:
    fractions = {"Throttle": ("fraction", 3)}
    idle = write(fractions, "idle.csv", throttle=np.full(N, 14.0))
    logs = _alike(idle, write(fractions, "drive.csv"))
    assert logs[0].frame["throttle_pct"].iloc[0] == pytest.approx(14)
    parked = write(name="parked.csv", throttle=np.zeros(N))
    assert _alike(parked, write(name="drive.csv"))[0].frame["throttle_pct"].max() == 0


def test_altitudes_that_the_air_pressure_contradicts_are_feet(write: Write) -> None:
    high = {"baro": np.full(N, 84.0), "altitude": np.round(1550 + 20 * np.sin(_T / 300), 1)}
    log = read_log(write({"Altitude": ("ft", 0)}, **high))
    assert log.frame["altitude_m"].mean() == pytest.approx(1550, abs=5)
    assert read_log(write(**high)).frame["altitude_m"].mean() == pytest.approx(1550, abs=5)


def test_a_header_that_says_rpm_counts_no_revolutions_a_second(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time_s,rpm", *(f"{i},{i % 61}" for i in range(100))]))
    assert read_log(path).frame["rpm"].max() == 60
    path.write_text("\n".join(["time_s,rpm", *(f"{i},{0.8 + i % 9 / 4}" for i in range(100))]))
    assert read_log(path).frame["rpm"].max() == 2800


@pytest.mark.skipif(not REAL.is_file(), reason="the real drives are not beside the repository")
@pytest.mark.parametrize(
    "units",
    [
        {"COOLANT_TEMPERATURE ()": ("°f", 0), "INTAKE_AIR_TEMP ()": ("°f", 0)},
        {"THROTTLE ()": ("fraction", 3)},
    ],
    ids=["°F", "0 to 1"],
)
def test_real_drives_and_idling_are_read_alike(
    tmp_path: Path, units: dict[str, tuple[str, int]]
) -> None:
    """Public logs of one petrol car (shared/real_drives/README.md), values written in a unit."""
    rules = {"ENGINE_RUN_TINE ()": ColumnRule(signal="time")}
    own = {"COOLANT_TEMPERATURE ()": "°c", "INTAKE_AIR_TEMP ()": "°c", "THROTTLE ()": "%"}
    paths, plain = [], []
    with tarfile.open(REAL) as archive:
        wanted = ("drive1.csv", "idle25.csv", "ufpe4.csv")
        for member in (m for m in archive.getmembers() if Path(m.name).name in wanted):
            content = archive.extractfile(member)
            assert content is not None
            frame = pd.read_csv(content, index_col=False, skipinitialspace=True)
            plain.append(frame)
            written = frame.copy()
            for header, (unit, digits) in units.items():
                values = frame[header].to_numpy(float)
                written[header] = np.round(convert(values, own[header], unit), digits)
            paths.append(tmp_path / Path(member.name).name)
            written.to_csv(paths[-1], index=False)

    def reread(path: Path, more: Mapping[str, ColumnRule]) -> Log:
        return read_log(path, columns={**rules, **more})

    logs = read_alike([read_log(p, columns=rules, alone=False) for p in paths], reread)
    signals = {
        "COOLANT_TEMPERATURE ()": "coolant_temp_c",
        "INTAKE_AIR_TEMP ()": "intake_air_temp_c",
        "THROTTLE ()": "throttle_pct",
    }
    for log, frame in zip(logs, plain, strict=True):
        for header in units:
            middle = float(np.median(frame[header]))
            assert log.frame[signals[header]].median() == pytest.approx(middle, abs=0.6)
