"""Signals and fuel against SAE J1979 as the library python-OBD (PyPI `obd`) decodes it.

Raw response bytes are built by hand and decoded by python-OBD; what comes out must be in the unit
and range of `roadlog.quantities.signals`, and give the fuel that the standard's scaling gives by
hand.
"""

import pandas as pd
import pytest

from roadlog.fuel import Calibration, VolumetricEfficiency, fuel_flow
from roadlog.fuel.air import air_flow
from roadlog.ingest.timebase import integrate
from roadlog.quantities import signals
from roadlog.quantities.fuels import FUELS, volume_l
from roadlog.quantities.signals import SIGNALS
from roadlog.quantities.units import canonical_unit
from roadlog.study.settings import parse_study

obd = pytest.importorskip("obd")

IDLE = Calibration(idle_rpm=750.0, rate_signal="fuel_rate_l_h")
CAR = parse_study('[vehicle]\nfuel = "E0"\ndisplacement_l = 2.0\n')


def decoded(command, data):
    """A service-01 answer with these data bytes, as python-OBD decodes it."""
    message = obd.protocols.protocol.Message([])
    pid = int(command.command[2:], 16)
    message.data = bytearray([0x41, pid]) + bytearray.fromhex(data)
    return command.decode([message])


def value(name, data):
    return float(decoded(obd.commands[name], data).magnitude)


# signal, python-OBD's command, highest raw value, and the value that J1979's scaling gives it
SCALINGS = [
    ("speed_kmh", "SPEED", "FF", 255.0),
    ("rpm", "RPM", "FFFF", 65535 / 4),
    ("maf_g_s", "MAF", "FFFF", 655.35),
    ("map_kpa", "INTAKE_PRESSURE", "FF", 255.0),
    ("intake_air_temp_c", "INTAKE_TEMP", "FF", 215.0),
    ("coolant_temp_c", "COOLANT_TEMP", "FF", 215.0),
    ("throttle_pct", "THROTTLE_POS", "FF", 100.0),
    ("engine_load_pct", "ENGINE_LOAD", "FF", 100.0),
    ("absolute_load_pct", "ABSOLUTE_LOAD", "FFFF", 25700.0),
    ("stft1_pct", "SHORT_FUEL_TRIM_1", "FF", 100 * 127 / 128),
    ("ltft1_pct", "LONG_FUEL_TRIM_1", "FF", 100 * 127 / 128),
    ("stft2_pct", "SHORT_FUEL_TRIM_2", "FF", 100 * 127 / 128),
    ("ltft2_pct", "LONG_FUEL_TRIM_2", "FF", 100 * 127 / 128),
    ("lambda_commanded", "COMMANDED_EQUIV_RATIO", "FFFF", 2.0),
    ("fuel_rate_l_h", "FUEL_RATE", "FFFF", 3276.75),
    ("ethanol_pct", "ETHANOL_PERCENT", "FF", 100.0),
    ("fuel_level_pct", "FUEL_LEVEL", "FF", 100.0),
    ("baro_kpa", "BAROMETRIC_PRESSURE", "65", 101.0),
    ("supply_voltage_v", "CONTROL_MODULE_VOLTAGE", "FFFF", 65.535),
    ("engine_runtime_s", "RUN_TIME", "FFFF", 65535.0),
    ("since_cleared_min", "TIME_SINCE_DTC_CLEARED", "FFFF", 65535.0),
    ("oil_temp_c", "OIL_TEMP", "00", -40.0),
    ("catalyst_temp_c", "CATALYST_TEMP_B1S1", "FFFF", 6513.5),
]


@pytest.mark.parametrize(("name", "command", "data", "expected"), SCALINGS)
def test_scaling_agrees_with_the_standard(name, command, data, expected):
    """SAE J1979 scaling of each PID, worked by hand from its bits, against python-OBD."""
    assert value(command, data) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(("name", "command"), [row[:2] for row in SCALINGS])
def test_signal_names_the_pid_that_the_library_asks_for(name, command):
    """SAE J1979 PID numbers, as python-OBD's command table has them."""
    assert obd.commands[command].command == f"01{SIGNALS[name].pid}".encode()


@pytest.mark.parametrize(("name", "command", "data", "expected"), SCALINGS)
def test_signal_range_holds_what_the_standard_can_say(name, command, data, expected):
    """Only readings that no road car gives (over 12,000 rpm, and the last half degree of PID 3C or
    bit of PID 42) may lie outside."""
    if name != "rpm":
        assert SIGNALS[name].low <= expected * 0.999 <= SIGNALS[name].high


@pytest.mark.parametrize(
    ("name", "command"),
    [("speed_kmh", "SPEED"), ("maf_g_s", "MAF"), ("map_kpa", "INTAKE_PRESSURE"),
     ("intake_air_temp_c", "INTAKE_TEMP"), ("fuel_rate_l_h", "FUEL_RATE"),
     ("stft1_pct", "SHORT_FUEL_TRIM_1"), ("supply_voltage_v", "CONTROL_MODULE_VOLTAGE")],
)  # fmt: skip
def test_signal_unit_is_the_librarys_unit(name, command):
    """Units of python-OBD's decoders (library pint), by their short form."""
    unit = f"{decoded(obd.commands[command], '0000').units:~}".replace(" ", "")
    alias = {"kilometer_per_hour": "km/h", "kph": "km/h", "gps": "g/s", "Δ°C": "°C"}
    assert canonical_unit(alias.get(unit, unit)) == SIGNALS[name].unit


def test_forty_grams_of_air_a_second_burn_as_the_standard_says():
    """PID 10 bytes 0F A0 are 40.00 g/s (J1979: 0.01 g/s a bit)."""
    air = value("MAF", "0FA0")
    assert air == pytest.approx(40.0)
    samples = pd.DataFrame({"t_s": [0.0], "dt_s": 1.0, "speed_kmh": 90.0, "rpm": 3000.0,
                            "maf_g_s": air, "fuel_status": 2.0})  # fmt: skip
    flow = fuel_flow(samples, CAR, "maf", IDLE)["fuel_flow_g_s"].item()
    assert flow == pytest.approx(40 / FUELS["E0"].stoich_afr)


def test_trim_bytes_multiply_the_fuel():
    """PID 06 byte 8C is +9.375 %, PID 07 byte 84 is +3.125 % (J1979: (A - 128) x 100/128)."""
    short, long = value("SHORT_FUEL_TRIM_1", "8C"), value("LONG_FUEL_TRIM_1", "84")
    assert (short, long) == (9.375, 3.125)
    samples = pd.DataFrame({"t_s": [0.0], "dt_s": 1.0, "speed_kmh": 90.0, "rpm": 3000.0,
                            "maf_g_s": 20.0, "stft1_pct": short, "ltft1_pct": long})  # fmt: skip
    flow = fuel_flow(samples, CAR, "maf-trims", IDLE)["fuel_flow_g_s"].item()
    assert flow == pytest.approx(1.125 * 20 / FUELS["E0"].stoich_afr)


def test_absolute_load_gives_back_the_air_it_was_made_from():
    """J1979 PID 43: air per intake stroke [g] over 1.184 g/L x displacement per cylinder, as a
    percentage. Four cylinders of 0.5 L, 0.296 g a stroke: 50 %; two strokes a revolution."""
    load = value("ABSOLUTE_LOAD", "0080")
    assert load == pytest.approx(50.2, abs=0.01)
    samples = pd.DataFrame({"rpm": [3000.0], "absolute_load_pct": [50.0]})
    by_hand = 0.296 * 2 * 3000 / 60
    assert air_flow(samples, "absolute-load", 2.0).item() == pytest.approx(by_hand)


def test_speed_density_at_standard_air_is_absolute_load():
    """J1979 PID 43's reference density 1.184 kg/m3 is air at 25 °C and 101.325 kPa: there
    speed-density at full filling must equal an absolute load of 100 %."""
    full = VolumetricEfficiency((1.0, 0.0, 0.0, 0.0, 0.0), (0, 9000), (0, 300), "test")
    samples = pd.DataFrame({"rpm": [3000.0], "map_kpa": 101.325, "intake_air_temp_c": 25.0,
                            "absolute_load_pct": 100.0})  # fmt: skip
    by_map = air_flow(samples, "speed-density", 2.0, full).item()
    assert by_map == pytest.approx(air_flow(samples, "absolute-load", 2.0).item(), rel=1e-3)


def test_fuel_rate_bytes_integrate_to_litres():
    """PID 5E bytes 00 50 are 4.00 L/h (J1979: 0.05 L/h a bit); a quarter of an hour is 1 L."""
    rate = value("FUEL_RATE", "0050")
    assert rate == pytest.approx(4.0)
    samples = pd.DataFrame({"t_s": range(900), "dt_s": 1.0, "fuel_rate_l_h": rate})
    flow = fuel_flow(samples, CAR, "rate", IDLE)
    assert volume_l(integrate(flow, "fuel_flow_g_s"), FUELS["E0"]) == pytest.approx(1.0)


def test_commanded_ratio_of_one_is_stoichiometric():
    """PID 44 bytes 80 00 are 1.00 and 6C CC are 0.85 (J1979: 2/65536 a bit; below 1 is rich)."""
    assert value("COMMANDED_EQUIV_RATIO", "8000") == pytest.approx(1.0, rel=1e-3)
    rich = value("COMMANDED_EQUIV_RATIO", "6CCC")
    assert rich == pytest.approx(0.85, rel=1e-3)
    samples = pd.DataFrame({"t_s": [0.0], "dt_s": 1.0, "speed_kmh": 90.0, "rpm": 5000.0,
                            "maf_g_s": 85.0, "lambda_commanded": rich})  # fmt: skip
    flow = fuel_flow(samples, CAR, "maf", IDLE)["fuel_flow_g_s"].item()
    assert flow == pytest.approx(100 / FUELS["E0"].stoich_afr, rel=1e-3)


def test_fuel_system_status_bits():
    """J1979 PID 03, one bit a state, in the order that python-OBD lists them."""
    order = [signals.OPEN_LOOP_COLD, signals.CLOSED_LOOP, signals.OPEN_LOOP_LOAD_OR_CUT,
             signals.OPEN_LOOP_FAULT, signals.CLOSED_LOOP_FAULT]  # fmt: skip
    texts = [decoded(obd.commands.FUEL_STATUS, f"{bit:02X}00")[0] for bit in order]
    assert texts == obd.codes.FUEL_STATUS
    assert "fuel cut" in texts[order.index(signals.OPEN_LOOP_LOAD_OR_CUT)]
