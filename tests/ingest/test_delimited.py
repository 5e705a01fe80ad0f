"""Delimited text in every dialect that loggers write, and the ugly ones."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roadlog.errors import InputError
from roadlog.ingest import read_log
from roadlog.ingest.facts import Repair
from roadlog.quantities.units import convert
from roadlog.study.settings import ColumnRule

Write = Callable[[str | bytes], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def _write(content: str | bytes) -> Path:
        path = tmp_path / "log.csv"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return _write


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1"]
)
def test_dialect(write: Write, delimiter: str, newline: str, encoding: str) -> None:
    rows = [["time_s", "Speed (mph)", "Intake air temp (°C)"]]
    rows += [[str(i), str(10 * i), f"{20 + i / 2}"] for i in range(5)]
    text = newline.join(delimiter.join(r) for r in rows) + newline
    frame = read_log(write(text.encode(encoding))).frame
    np.testing.assert_allclose(frame["speed_kmh"], np.arange(5) * 16.09344)
    np.testing.assert_allclose(frame["intake_air_temp_c"], 20 + np.arange(5) / 2)


@pytest.mark.parametrize("delimiter", [";", "\t", "|"])
def test_decimal_comma(write: Write, delimiter: str) -> None:
    text = "time_s;MAF (g/s)\n0;3,25\n0,5;4,5\n".replace(";", delimiter)
    frame = read_log(write(text)).frame
    assert frame["t_s"].tolist() == [0, 0.5]
    assert frame["maf_g_s"].tolist() == [3.25, 4.5]


def test_quoted_decimal_comma_in_a_comma_delimited_file(write: Write) -> None:
    frame = read_log(write('time_s,MAF (g/s)\n"0,0","3,25"\n"0,5","4,5"\n')).frame
    assert frame["maf_g_s"].tolist() == [3.25, 4.5]


def test_bare_decimal_commas_in_a_comma_delimited_file_are_refused(write: Write) -> None:
    with pytest.raises(InputError, match="line 2: rows have 3 cells but the header names 2"):
        read_log(write("time_s,MAF (g/s)\n0,3,25\n1,4,5\n"))


def test_preamble_units_row_and_repeated_header(write: Write) -> None:
    block = "time,Vehicle speed,Engine RPM\ns,mph,rpm\n"
    text = "Log of a drive\nvehicle, hatchback\n\n" + block + "0,10,800\n" + block + "1,20,900\n"
    log = read_log(write(text))
    np.testing.assert_allclose(log.frame["speed_kmh"], [16.09344, 32.18688])
    assert "2 repeated header rows dropped" in log.notes


def test_blank_cells_of_every_spelling_are_blank(write: Write) -> None:
    blanks = ["", "-", "N/A", "NaN", "null", "None", "#N/A", "no data", " ", "n/a", "NA", "--"]
    text = "time_s;rpm;Speed (km/h)\n" + "".join(f"{i};{b};{i}\n" for i, b in enumerate(blanks))
    log = read_log(write(text + "12;900;12\n"))
    assert log.frame["rpm"].isna().sum() == len(blanks)
    assert log.notes == ()


def test_incomplete_last_line_is_dropped_and_noted(write: Write) -> None:
    log = read_log(write("time_s,rpm,Speed (km/h)\n0,800,1\n1,900,2\n2,9"))
    assert len(log.frame) == 2
    assert log.notes == ("the last line is incomplete and was dropped",)


def test_one_torn_line_is_dropped_and_noted(write: Write) -> None:
    rows = [f"{i},{i},800" for i in range(50)]
    rows[20] = "20,2"
    log = read_log(write("time_s,Speed (km/h),rpm\n" + "\n".join(rows) + "\n"))
    assert len(log.frame) == 49
    assert log.notes == ("1 line with the wrong number of cells dropped, first in line 22",)


def test_rows_without_their_blank_tail_are_filled(write: Write) -> None:
    rows = [f"{i},{i},800" if i % 2 else f"{i},{i}" for i in range(20)]
    log = read_log(write("time_s,Speed (km/h),rpm\n" + "\n".join(rows) + "\n"))
    assert len(log.frame) == 20
    assert log.frame["rpm"].notna().sum() == 10


def test_trailing_delimiters_do_no_harm(write: Write) -> None:
    frame = read_log(write("time_s,rpm\n0,800,\n1,900,\n")).frame
    assert frame["rpm"].tolist() == [800, 900]
    frame = read_log(write("time_s,rpm,\n0,800\n1,900\n")).frame
    assert frame["rpm"].tolist() == [800, 900]


def test_quoted_cells_with_delimiters_and_newlines(write: Write) -> None:
    text = 'time_s,note,"Speed (km/h)"\n0,"stop, then\ngo",10\n1,"a ""b""",20\n'
    assert read_log(write(text)).frame["speed_kmh"].tolist() == [10, 20]


def test_units_behind_values(write: Write) -> None:
    log = read_log(write("Time,Speed,Coolant\n0,10 mph,176 °F\n1,20 mph,178 °F\n"))
    np.testing.assert_allclose(log.frame["speed_kmh"], [16.09344, 32.18688])
    np.testing.assert_allclose(log.frame["coolant_temp_c"].iloc[0], 80)


def test_a_cell_with_another_unit_is_converted_and_one_that_cannot_be_is_blank(
    write: Write,
) -> None:
    log = read_log(write("time_s,Vehicle speed\n0,10 km/h\n1,6 mph\n2,7 kPa\n"))
    np.testing.assert_allclose(log.frame["speed_kmh"], [10, 6 * 1.609344, np.nan])
    assert any("1 cell without a number, first in line 4" in n for n in log.notes)


def test_a_preamble_of_time_words_is_not_the_header(write: Write) -> None:
    text = "# time, of, day\n# speed, and, date\ntime_s,rpm\n0,800\n1,810\n"
    assert read_log(write(text)).frame["rpm"].tolist() == [800, 810]


def test_two_equal_columns_of_one_name_are_one(write: Write) -> None:
    log = read_log(write("time_s,Speed (km/h),Speed (km/h)\n0,1,1\n1,2,2\n"))
    assert [c.role for c in log.columns] == ["time", "signal", "ignored"]


def test_thousands_marks(write: Write) -> None:
    frame = read_log(write('time_s,rpm,MAF (g/s)\n0,"1,234",3.5\n1,"2,345",4.5\n')).frame
    assert frame["rpm"].tolist() == [1234, 2345]


def test_a_cell_that_is_no_number_is_blanked_with_its_line(write: Write) -> None:
    log = read_log(write("time_s,rpm\n0,800\n1,banana\n2,900\n"))
    assert np.isnan(log.frame["rpm"].iloc[1])
    assert log.notes == ("'rpm': 1 cell without a number, first in line 3: left blank",)


def test_long_log_becomes_wide_on_the_union_of_times(write: Write) -> None:
    log = read_log(
        write(
            "time,signal,value,unit\n0,Engine RPM,800,rpm\n0.4,Vehicle speed,10,mph\n"
            "1,Engine RPM,900,rpm\n1,Fuel system status,CL,\n1,Gear,3,\n"
        )
    )
    assert log.frame["t_s"].tolist() == [0, 0.4, 1]
    assert log.frame["rpm"].tolist()[::2] == [800, 900]
    np.testing.assert_allclose(log.frame["speed_kmh"].iloc[1], 16.09344)
    assert log.frame["fuel_status"].iloc[2] == 2
    assert [c.header for c in log.columns if c.role == "unmatched"] == ["Gear"]


def test_one_reading_a_row_with_the_other_cells_blank(write: Write) -> None:
    frame = read_log(write("time_s,rpm,Speed (km/h)\n0,800,\n0.3,,12\n0.6,810,\n")).frame
    assert frame["rpm"].tolist()[::2] == [800, 810]
    assert frame["speed_kmh"].notna().tolist() == [False, True, False]


def test_fuel_system_status_in_words(write: Write) -> None:
    words = {
        "CL": 2, "OL": 1, "OL-Drive": 4, "OL-Fault": 8, "CL-Fault": 16, "2/0": 2, "2": 2,
        "Closed loop, using oxygen sensor": 2, "Open loop due to engine load": 4,
        "Open loop due to insufficient engine temperature": 1, "512": 2,
    }  # fmt: skip
    text = "time_s;fuel system status;rpm\n"
    text += "".join(f"{i};{w};800\n" for i, w in enumerate([*words, "purple", "open loop"]))
    log = read_log(write(text))
    assert log.frame["fuel_status"].tolist()[:-2] == list(words.values())
    assert log.frame["fuel_status"].isna().sum() == 2
    assert any("2 cells without a plain fuel-system status" in n for n in log.notes)


def test_two_columns_that_differ_are_never_chosen_between(write: Write) -> None:
    path = write("time_s,Speed,Speed (mph)\n0,10,6.21\n1,20,15.43\n")
    with pytest.raises(InputError, match=r"'Speed' and 'Speed \(mph\)' both claim .*ignore"):
        read_log(path)
    settled = read_log(path, columns={"Speed (mph)": ColumnRule(signal="ignore")})
    assert settled.frame["speed_kmh"].tolist() == [10, 20]
    as_gps = read_log(path, columns={"Speed (mph)": ColumnRule(signal="gps_speed_kmh")})
    np.testing.assert_allclose(as_gps.frame["gps_speed_kmh"].iloc[1], 15.43 * 1.609344)


def test_two_columns_that_agree_are_one_and_the_finer_is_kept(write: Write) -> None:
    log = read_log(write("time_s,Speed,Speed (mph)\n0,10,6.21\n1,20,12.43\n"))
    np.testing.assert_allclose(log.frame["speed_kmh"].iloc[0], 6.21 * 1.609344)
    assert any("the finer is used" in n for n in log.notes)


def test_values_out_of_range_are_blanked_and_counted(write: Write) -> None:
    log = read_log(write("time_s,rpm,Intake air temp (°C)\n0,800,20\n1,99999,-60\n"))
    assert log.frame.iloc[1].isna().sum() == 2
    assert "rpm: 1 value outside 0 … 12000 rpm: left blank" in log.notes


def test_missing_unit_is_noted(write: Write) -> None:
    log = read_log(write("time_s,Speed,rpm\n0,10,800\n"))
    assert any("Speed in km/h" in n for n in log.notes)


def test_unmatched_columns_are_listed(write: Write) -> None:
    log = read_log(write("time_s,rpm,Gear\n0,800,3\n"))
    assert list(log.frame.columns) == ["t_s", "rpm"]
    assert [(c.header, c.role) for c in log.columns if c.role != "signal"] == [
        ("time_s", "time"),
        ("Gear", "unmatched"),
    ]


def test_swapped_latitude_and_longitude_are_refused(write: Write) -> None:
    with pytest.raises(InputError, match="latitude and longitude look swapped"):
        read_log(write("time_s,lat,lon\n0,113.4,22.5\n1,113.5,22.5\n"))
    with pytest.raises(InputError, match=r"latitudes such as 5\.25e\+08 are impossible"):
        read_log(write("time_s,lat,lon\n0,525000000,134000000\n1,525000000,134000000\n"))


def test_fixes_at_nought_are_blank(write: Write) -> None:
    frame = read_log(write("time_s,lat,lon\n0,0,0\n1,52.5,13.4\n")).frame
    assert frame["lat_deg"].isna().tolist() == [True, False]
    assert frame["lon_deg"].isna().tolist() == [True, False]


def test_degrees_may_stand_behind_an_angle_in_words(write: Write) -> None:
    log = read_log(write("time,speed [km/h],lat,lon\n0,9,47.5 deg,-21.25 degrees\n1,9,47.6 deg,\n"))
    assert log.frame["lat_deg"].tolist() == [47.5, 47.6]
    assert log.frame["lon_deg"].iloc[0] == -21.25


def test_angles_in_degrees_and_minutes(write: Write) -> None:
    frame = read_log(
        write("time_s;lat;lon\n0;52°30.5'N;13°24'36\"W\n1;52°30.6'S;13°24'36\"E\n")
    ).frame
    np.testing.assert_allclose(frame["lat_deg"], [52 + 30.5 / 60, -52.51])
    np.testing.assert_allclose(frame["lon_deg"], [-13.41, 13.41])


def test_packed_minutes_with_hemisphere_columns(write: Write) -> None:
    text = "time_s,lat,n/s,lon,e/w\n0,5230.5,N,01324.6,W\n1,5230.5,S,01324.6,E\n"
    frame = read_log(write(text)).frame
    np.testing.assert_allclose(frame["lat_deg"], [52 + 30.5 / 60, -52 - 30.5 / 60])
    np.testing.assert_allclose(frame["lon_deg"], [-13.41, 13.41])


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "is empty"),
        (b"\n\n  \n", "is empty"),
        (b"time_s,rpm\n", "no rows after the header in line 1"),
        (bytes(range(256)) * 10, "is not a text file"),
        (b"just some words\nand more\n", "no header row found"),
        (b"time_s,foo\n0,1\n", "no column is recognised among 'time_s', 'foo'"),
        (b"foo,bar\n1,2\n", "no time column among 'foo', 'bar'"),
        (b"1,2,3\n4,5,6\n", "no header row found"),
        (b"time,rpm\nx,1\ny,2\nz,3\n", "no time can be read from column 'time'"),
    ],
)
def test_what_is_no_log_is_refused_in_one_sentence(
    write: Write, content: bytes, message: str
) -> None:
    with pytest.raises(InputError, match=message):
        read_log(write(content))


def test_missing_file_and_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist"):
        read_log(tmp_path / "none.csv")
    with pytest.raises(InputError, match="is a folder"):
        read_log(tmp_path)


def test_a_log_without_fuel_signals_is_still_a_log(write: Write) -> None:
    assert list(read_log(write("time_s,Speed (km/h)\n0,1\n")).frame.columns) == ["t_s", "speed_kmh"]


def test_line_numbers_count_blank_lines_and_the_preamble(write: Write) -> None:
    log = read_log(write("made by hand\n\ntime_s,rpm\n0,800\n\n\n1,banana\n2,900\n"))
    assert "first in line 7" in log.notes[0]


UNITS_OF = {
    "speed_kmh": ("Vehicle speed", ["km/h", "mph", "m/s", "kn"], 0, 200),
    "maf_g_s": ("MAF", ["g/s", "kg/h", "lb/min"], 0, 120),
    "coolant_temp_c": ("Coolant temperature", ["°C", "°F", "K"], -30, 110),
    "map_kpa": ("Manifold absolute pressure", ["kPa", "psi", "inHg", "mbar"], 10, 250),
    "altitude_m": ("Altitude", ["m", "ft"], -100, 3000),
    "fuel_rate_l_h": ("Engine fuel rate", ["L/h", "US gal/h", "mL/min"], 0, 40),
}


@settings(
    max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_a_frame_written_in_any_dialect_comes_back(tmp_path: Path, data: st.DataObject) -> None:
    draw = data.draw
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    decimal = draw(st.sampled_from([".", ","] if delimiter != "," else ["."]))
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))
    newline = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    clock = draw(st.sampled_from(list(CLOCKS)))
    style = draw(st.sampled_from(["{} [{}]", "{} ({})", "{} {}", "{}/{}"]))
    units_row = draw(st.booleans())
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    rows = draw(st.integers(8, 40))
    t_s = np.round(np.cumsum(rng.uniform(0.1, 3, rows)), 1)
    t_s = t_s - t_s[0]
    header, stamps = CLOCKS[clock](pd.Timestamp("2024-03-31 23:59:50.5"), t_s)
    heads, units, columns, expected = [header], [""], [stamps], {}
    for signal in draw(st.sets(st.sampled_from(list(UNITS_OF)), min_size=1)):
        name, choices, low, high = UNITS_OF[signal]
        unit = draw(st.sampled_from(choices))
        values = np.round(convert(rng.uniform(low, high, rows), CANONICAL[signal], unit), 4)
        blank = rng.random(rows) < 0.1
        blank[0] = False
        heads.append(name if units_row else style.format(name, unit))
        units.append(unit)
        columns.append(["" if b else f"{v:.4f}" for v, b in zip(values, blank, strict=True)])
        expected[signal] = np.where(blank, np.nan, convert(values, unit, CANONICAL[signal]))
    if decimal == ",":
        columns = [[c.replace(".", ",") for c in column] for column in columns[1:]]
        columns = [[s.replace(".", ",") if "." in s else s for s in stamps], *columns]
    lines = [heads, *([units] if units_row else []), *zip(*columns, strict=True)]
    quoted = [[f'"{c}"' if delimiter in c else c for c in line] for line in lines]
    text = newline.join(delimiter.join(line) for line in quoted) + newline
    path = tmp_path / "log.txt"
    path.write_bytes(text.encode(encoding))
    log = read_log(path)
    np.testing.assert_allclose(log.frame["t_s"], t_s, atol=2e-3)
    for signal, values in expected.items():
        np.testing.assert_allclose(log.frame[signal], values, rtol=1e-9, atol=1e-9)


CANONICAL = {
    "speed_kmh": "km/h", "maf_g_s": "g/s", "coolant_temp_c": "°c", "map_kpa": "kpa",
    "altitude_m": "m", "fuel_rate_l_h": "l/h",
}  # fmt: skip


def _stamps(start: pd.Timestamp, t_s: np.ndarray, form: str) -> list[str]:
    at = start + pd.to_timedelta(t_s, unit="s")
    return [x[:-3] for x in at.strftime(form)]


CLOCKS: dict[str, Callable[[pd.Timestamp, np.ndarray], tuple[str, list[str]]]] = {
    "elapsed s": lambda start, t: ("time (s)", [f"{x:.1f}" for x in t]),
    "elapsed ms": lambda start, t: ("time_ms", [f"{1000 * x:.0f}" for x in t]),
    "iso": lambda start, t: ("Timestamp", _stamps(start, t, "%Y-%m-%dT%H:%M:%S.%f")),
    "day first": lambda start, t: ("Time", _stamps(start, t, "%d/%m/%Y %H:%M:%S.%f")),
    "month first": lambda start, t: ("Time", _stamps(start, t, "%m/%d/%Y %H:%M:%S.%f")),
    "time of day": lambda start, t: ("Time", _stamps(start, t, "%H:%M:%S.%f")),
    "epoch ms": lambda start, t: (
        "Device time",
        [f"{1e3 * (start.timestamp() + x):.0f}" for x in t],
    ),
}


@pytest.mark.parametrize(("unit", "factor"), [("mph", 1.609344), ("m/s", 3.6), ("kn", 1.852)])
def test_a_speed_without_unit_is_held_against_the_positions(
    write: Write, unit: str, factor: float
) -> None:
    t = np.arange(300)
    kmh = 90 + 10 * np.sin(t / 20)
    lat = 52 + np.cumsum(kmh / 3.6) / 111_195

    def text(scale: float) -> str:
        rows = (f"{i},{kmh[i] / scale:.2f},{lat[i]:.6f},13.4,2000" for i in t)
        return "time_s,Speed,lat,lon,rpm\n" + "\n".join(rows) + "\n"

    assert read_log(write(text(1))).frame["speed_kmh"].median() == pytest.approx(90, abs=4)
    path = write(text(factor))
    with pytest.raises(InputError, match=f"'Speed' has no unit and looks like {unit}"):
        read_log(path)
    settled = read_log(path, columns={"Speed": ColumnRule(signal="speed_kmh", unit=unit)})
    assert settled.frame["speed_kmh"].median() == pytest.approx(90, abs=4)


def test_positions_beside_a_long_log_are_kept_in_their_unit(write: Write) -> None:
    log = read_log(
        write(
            "time_s,parameter,value,unit,Altitude (ft)\n0,Engine RPM,800,rpm,100\n"
            "0,Vehicle speed,10,km/h,100\n1,Engine RPM,810,rpm,200\n"
        )
    )
    np.testing.assert_allclose(log.frame["altitude_m"], [30.48, 60.96])
    assert log.frame["rpm"].tolist() == [800, 810]


def _drive(first: int, last: int, end: str = "") -> str:
    return "".join(f"{i},{30 + i % 40},{900 + 3 * i}{end}\n" for i in range(first, last))


def test_a_header_written_once_more_with_a_delimiter_behind_it_loses_no_row(tmp_path: Path) -> None:
    """The later one fits the rows' width better: taken for the header, it cost 40 rows of 60."""
    head = "time (s),speed (km/h),rpm"
    (tmp_path / "log.csv").write_text(f"{head}\n{_drive(0, 40, ',')}{head},\n{_drive(40, 60, ',')}")
    log = read_log(tmp_path / "log.csv")
    assert log.frame["t_s"].tolist() == list(range(60))


@pytest.mark.parametrize(
    ("above", "told"),
    [
        ("time (s),speed (km/h)\n" + "".join(f"{i},30\n" for i in range(40)), True),
        ("Distance (km),Average speed (km/h),Duration (min)\n12.3,45,16\n\n", False),
        ("Vehicle: van\nspeed in km/h, rpm in 1/min\n", False),
    ],
)
def test_rows_of_numbers_above_the_header_are_told(above: str, told: bool, tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(f"{above}time (s),speed (km/h),rpm\n{_drive(0, 60)}")
    log = read_log(tmp_path / "log.csv")
    assert len(log.frame) == 60
    assert [f.code for f in log.facts] == [Repair.ABOVE] * told
