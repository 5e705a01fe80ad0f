"""Decimal marks, marks between thousands and units in cells: read right or asked for."""

from pathlib import Path

import numpy as np
import pytest

from roadlog.errors import InputError
from roadlog.ingest import read_log


def column(path: Path, header: str, cells: list[str], *, delimiter: str = ";", other: str = "7"):
    """The values read from a column beside a clock and one more column."""
    rows = [f'{i}{delimiter}"{c}"{delimiter}{other}' for i, c in enumerate(cells)]
    head = delimiter.join(["time_s", f'"{header}"', "Coolant temperature (°C)"])
    path.write_text("\n".join([head, *rows]) + "\n")
    return read_log(path).frame.iloc[:, 1].tolist()


CASES = {
    "decimal commas before units": ("Speed", ["12,5 km/h", "13,0 km/h", "8 km/h"], [12.5, 13, 8]),
    "three decimals before units": ("Fuel rate", ["1,234 l/h", "0,812 l/h"], [1.234, 0.812]),
    "three decimals, never below one": ("Fuel rate (L/h)", ["1,234", "2,812"], [1.234, 2.812]),
    "points between thousands, commas": ("rpm", ["950,5", "1.234,0"], [950.5, 1234]),
    "commas between thousands, points": ("rpm", ["950.5", "1,234.0"], [950.5, 1234]),
    "thin spaces": ("rpm", ["950", "1\u2009234", "11\u2009000"], [950, 1234, 11000]),
    "narrow no-break spaces": ("rpm", ["950", "1\u202f234,5"], [950, 1234.5]),
    "no-break spaces": ("rpm", ["1\u00a0234 rpm", "950 rpm"], [1234, 950]),
    "plain spaces": ("rpm", ["1 234", "950"], [1234, 950]),
    "apostrophes": ("rpm", ["1'234", "1’934", "950"], [1234, 1934, 950]),
    "millions": ("Odometer (m)", ["1,234,567", "1,234,568"], [1234.567, 1234.568]),
    "a true minus": ("Intake air temperature (°C)", ["\u22125,5", "4"], [-5.5, 4]),
    "mixed marks": ("MAF (g/s)", ["12,5", "12.25", "7"], [12.5, 12.25, 7]),
    "units alone": ("MAF", ["g/s", "3,5 g/s", "4,25 g/s"], [np.nan, 3.5, 4.25]),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
@pytest.mark.parametrize("other", ["7", "7,5"])
def test_numbers_are_read_as_meant(tmp_path: Path, case: tuple, other: str) -> None:
    header, cells, values = case
    assert column(tmp_path / "log.csv", header, cells, other=other) == pytest.approx(
        values, nan_ok=True
    )


@pytest.mark.parametrize("delimiter", [",", ";"])
def test_points_in_one_column_leave_commas_in_another_to_group(
    tmp_path: Path, delimiter: str
) -> None:
    path = tmp_path / "log.csv"
    assert column(path, "rpm", ["1,234", "2,345"], delimiter=delimiter, other="7.5") == [1234, 2345]
    with pytest.raises(InputError, match=r"line 2, column 'MAF .*': '3,250' can have decimals or"):
        column(path, "MAF (g/s)", ["3,250", "4,125"], delimiter=delimiter, other="7.5")
    assert column(path, "MAF (g/s)", ["3,250", "4,12"], delimiter=delimiter, other="7.5") == [
        3.25, 4.12,
    ]  # fmt: skip


def test_points_with_three_decimals_beside_decimal_commas_are_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    assert column(path, "rpm", ["1.234", "2.345"], other="7,5") == [1234, 2345]
    assert column(path, "rpm", ["950", "1.234"], other="7,5") == [950, 1234]
    assert column(path, "lat", ["52.123", "52.124"], other="7,5") == [52.123, 52.124]
    with pytest.raises(InputError, match=r"'3\.250' can have decimals or be in thousands"):
        column(path, "MAF (g/s)", ["3.250", "4.125"], other="7,5")


def test_readings_of_a_long_log_are_asked_for_too(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [f'{i};{n};"{v}";{u}' for i in range(9) for n, v, u in
            (("Vehicle speed", "20,5", "km/h"), ("MAF", "3.250", "g/s"))]  # fmt: skip
    path.write_text("\n".join(["time_s;signal;value;unit", *rows]) + "\n")
    with pytest.raises(InputError, match=r"line 3: '3\.250' of 'MAF' can have decimals"):
        read_log(path)


def test_a_column_of_units_without_numbers_is_blank_and_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [f"{i} s;{20 + i},5 km/h;{800 + i} rpm; g/s;°C" for i in range(9)]
    path.write_text("\n".join(["Time;Speed;RPM;MAF;Coolant temp", *rows]) + "\n")
    log = read_log(path)
    assert log.frame["speed_kmh"].tolist() == [20.5 + i for i in range(9)]
    assert log.frame[["maf_g_s", "coolant_temp_c"]].isna().all(axis=None)
