"""Headers as loggers write them, matched by meaning and unit."""

from pathlib import Path

import pytest

from roadlog.errors import InputError
from roadlog.ingest.text.columns import match_columns, match_header
from roadlog.ingest.text.languages import EVERYDAY_WORDS
from roadlog.quantities.signals import SIGNALS
from roadlog.study.settings import ColumnRule

HERE = Path("log.csv")


@pytest.mark.parametrize(
    ("header", "signal", "unit"),
    [
        ("MAF air flow rate [g/s]", "maf_g_s", "g/s"),
        ("Mass Air Flow (lb/min)", "maf_g_s", "lb/min"),
        ("speed mph", "speed_kmh", "mph"),
        ("Speed, km/h", "speed_kmh", "km/h"),
        ("Speed/km/h", "speed_kmh", "km/h"),
        ("speed_kmh", "speed_kmh", "km/h"),
        ("speedKmh", "speed_kmh", "km/h"),
        ("VEHICLE SPEED", "speed_kmh", "km/h"),
        ("vehicleSpeed", "speed_kmh", "km/h"),
        ("Intake air temp °F", "intake_air_temp_c", "°f"),
        ("coolantTempC", "coolant_temp_c", "°c"),
        ("Engine Coolant Temperature {°C}", "coolant_temp_c", "°c"),
        ("Lat", "lat_deg", "°"),
        ("Longitude (deg)", "lon_deg", "°"),
        ("Latitude (GPS)", "lat_deg", "°"),
        ("Altitude m", "altitude_m", "m"),
        ("Altitude (ft)", "altitude_m", "ft"),
        ("maf_g_s", "maf_g_s", "g/s"),
        ("MAF (gps)", "maf_g_s", "g/s"),
        ("Engine speed [1/min]", "rpm", "rpm"),
        ("Speed (rpm)", "rpm", "rpm"),
        ("Manifold Absolute Pressure - psi", "map_kpa", "psi"),
        ("Baro (inHg)", "baro_kpa", "inhg"),
        ("Fuel rate (L/h)", "fuel_rate_l_h", "l/h"),
        ("Fuel rate (g/s)", "fuel_rate_g_s", "g/s"),
        ("Fuel flow gal/h", "fuel_rate_l_h", "gal/h"),
        ("Speed (GPS) (mph)", "gps_speed_kmh", "mph"),
        ("GPS Speed (m/s)", "gps_speed_kmh", "m/s"),
        ("STFT B1 %", "stft1_pct", "%"),
        ("Long term fuel trim - bank 2 (%)", "ltft2_pct", "%"),
        ("010C Engine RPM", "rpm", "rpm"),
        ("PID 0D - Vehicle speed", "speed_kmh", "km/h"),
        ("Commanded equivalence ratio", "lambda_commanded", "ratio"),
        ("Control module voltage (mV)", "supply_voltage_v", "mv"),
        ("Odometer (mi)", "odometer_km", "mi"),
    ],
)
def test_header_means_signal_and_unit(header: str, signal: str, unit: str) -> None:
    meaning = match_header(header)
    assert (meaning.signal, meaning.unit) == (signal, unit)


@pytest.mark.parametrize("name", list(SIGNALS))
def test_each_canonical_name_means_itself(name: str) -> None:
    meaning = match_header(name)
    assert meaning.signal == name
    assert meaning.unit == SIGNALS[name].unit


@pytest.mark.parametrize("name", list(SIGNALS))
def test_each_word_of_the_table_means_its_signal(name: str) -> None:
    for word in SIGNALS[name].words:
        assert match_header(word.title()).signal == name, word
        assert match_header(f"{word} [{SIGNALS[name].unit}]").signal == name, word


@pytest.mark.parametrize("header", ["AFR", "Commanded AFR", "Air fuel ratio", "Measured A/F φ"])
def test_air_fuel_ratio_is_reported_and_never_taken_for_lambda(header: str) -> None:
    meaning = match_header(header)
    assert meaning.role == "unmatched"
    assert "log λ" in meaning.note


@pytest.mark.parametrize("header", ["Fuel level (L)", "Throttle position (V)", "Coolant%"])
def test_a_unit_of_another_dimension_keeps_the_column_out_and_says_why(header: str) -> None:
    meaning = match_header(header)
    assert meaning.signal is None
    assert "needs a" in meaning.note


@pytest.mark.parametrize(
    "header", ["Long g", "Acceleration (g)", "banana", "", "Gear", "Boost (bar)", "Torque Nm"]
)
def test_what_no_word_covers_stays_out(header: str) -> None:
    assert match_header(header).role == "unmatched"


@pytest.mark.parametrize(
    ("header", "role", "unit"),
    [
        ("Time", "time", None),
        ("time [s]", "time", "s"),
        ("Time (ms)", "time", "ms"),
        ("elapsed_ms", "time", "ms"),
        ("Timestamp (UTC)", "time", None),
        ("Time (HH:MM:SS.fff)", "time", None),
        ("Date (dd/mm/yyyy)", "date", None),
        ("deviceTime", "time", None),
    ],
)
def test_time_columns(header: str, role: str, unit: str | None) -> None:
    meaning = match_header(header)
    assert (meaning.role, meaning.unit) == (role, unit)


def test_engine_run_time_is_a_signal_not_the_clock() -> None:
    assert match_header("Run time since engine start (s)").signal == "engine_runtime_s"


def test_rule_overrides_header() -> None:
    rules = {
        "Kanal 3": ColumnRule(signal="maf_g_s", unit="kg/h"),
        "Speed": ColumnRule(signal="ignore"),
    }
    kanal, speed = match_columns(["Kanal 3", "Speed"], [None, None], rules, HERE)
    assert (kanal.signal, kanal.unit) == ("maf_g_s", "kg/h")
    assert speed.role == "ignored"


def test_rule_with_a_unit_that_cannot_be_is_refused() -> None:
    rules = {"A": ColumnRule(signal="maf_g_s", unit="psi")}
    with pytest.raises(InputError, match=r"unit 'psi' doesn't fit maf_g_s"):
        match_columns(["A"], [None], rules, HERE)


def test_bare_speed_of_a_position_log_is_gps_speed() -> None:
    heads = ["time", "lat", "lon", "speed"]
    assert match_columns(heads, [None] * 4, {}, HERE)[3].signal == "gps_speed_kmh"
    heads = ["time", "lat", "lon", "speed", "rpm"]
    assert match_columns(heads, [None] * 5, {}, HERE)[3].signal == "speed_kmh"


@pytest.mark.parametrize("name", list(EVERYDAY_WORDS))
def test_everyday_words_of_other_languages(name: str) -> None:
    for word in EVERYDAY_WORDS[name]:
        assert match_header(f"{word} [{SIGNALS[name].unit}]").signal == name, word
        assert match_header(word.upper()).signal == name, word


def test_no_word_stands_for_two_signals() -> None:
    seen: dict[str, str] = {}
    for signal in SIGNALS.values():
        for word in (*signal.words, *EVERYDAY_WORDS.get(signal.name, ())):
            key = "".join(word.lower().split())
            assert seen.setdefault(key, signal.name) == signal.name, word


@pytest.mark.parametrize(
    ("header", "signal", "unit"),
    [
        ("Fuel rate (litres/hour)", "fuel_rate_l_h", "l/h"),
        ("Fuel rate UK gal/hr", "fuel_rate_l_h", "gal (imp)/h"),
        ("Fuel rate (imperial gallons per hour)", "fuel_rate_l_h", "gal (imp)/h"),
        ("Fuel rate (gal/h) (UK)", "fuel_rate_l_h", "gal (imp)/h"),
        ("Fuel rate [U.S. gal/h]", "fuel_rate_l_h", "gal (us)/h"),
        ("Fuel rate [gal (imp)/h]", "fuel_rate_l_h", "gal (imp)/h"),
        ("US Fuel rate [gph]", "fuel_rate_l_h", "gal (us)/h"),
        ("Fuel rate (cc/min)", "fuel_rate_l_h", "ml/min"),
        ("Fuel rate lb/h", "fuel_rate_g_s", "lb/h"),
        ("MAF (grams per second)", "maf_g_s", "g/s"),
        ("MAF (lbs/hr)", "maf_g_s", "lb/h"),
        ("Speed (miles per hour)", "speed_kmh", "mph"),
        ("Engine speed (x1000 rpm)", "rpm", "1000 rpm"),
        ("Coolant temperature in °F", "coolant_temp_c", "°f"),
        ("Intake air temp (degrees Fahrenheit)", "intake_air_temp_c", "°f"),
    ],
)
def test_units_in_words_are_read(header: str, signal: str, unit: str) -> None:
    (meaning,) = match_columns([header], [None], {}, HERE)
    assert (meaning.signal, meaning.unit) == (signal, unit)


@pytest.mark.parametrize(
    "header", ["Fuel rate (gal/h)", "Fuel flow gph", "Fuel rate, gallons/hour"]
)
def test_a_bare_gallon_is_asked_for(header: str) -> None:
    with pytest.raises(InputError, match=r"US or imperial .*fuel_rate_l_h\[gal \(us\)/h\]"):
        match_columns([header], [None], {}, HERE)
    told = {header: ColumnRule(signal="fuel_rate_l_h", unit="gal (imp)/h")}
    assert match_columns([header], [None], told, HERE)[0].unit == "gal (imp)/h"
    bare = {header: ColumnRule(signal="fuel_rate_l_h", unit="gal/h")}
    with pytest.raises(InputError, match="US or imperial"):
        match_columns([header], [None], bare, HERE)
