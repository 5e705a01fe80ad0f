"""The one table of signals: canonical name, unit, plausible range, J1979 PID, how it is carried
between readings, and the words by which loggers call it.

Every later stage uses these names for columns. Descriptions and PIDs follow SAE J1979 (OBD-II
service 01); the words are its names and their everyday variants, matched in any letter case
after punctuation is dropped (`roadlog.ingest.text.columns`).
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from roadlog.quantities.arrays import Floats
from roadlog.quantities.columns import Columns, Table
from roadlog.quantities.units import UNITS

Nature = Literal["flow", "slow", "status", "position"]


@dataclass(frozen=True)
class Signal:
    """One measured quantity.

    `nature` says how the time base carries it: `flow` (speed, air, rpm: interpolate over short
    gaps), `slow` (temperatures, trims: hold or interpolate over up to a minute), `status` (hold),
    `position` (interpolate, never across a long gap).
    """

    name: str
    unit: str
    low: float
    high: float
    nature: Nature
    pid: str | None
    words: tuple[str, ...]


def _signal(
    name: str, unit: str, low: float, high: float, nature: Nature, pid: str | None, *words: str
) -> Signal:
    assert unit in UNITS, unit
    return Signal(name, unit, low, high, nature, pid, words)


_ALL = (
    _signal(
        "speed_kmh", "km/h", 0, 300, "flow", "0D",
        "vehicle speed", "speed", "vss", "obd speed", "vehicle speed sensor", "wheel speed",
        "road speed", "speed obd", "car speed",
    ),
    _signal(
        "rpm", "rpm", 0, 12000, "flow", "0C",
        "engine speed", "engine rpm", "rpm", "revs", "engine revolutions", "crankshaft speed",
        "rotational speed",
    ),
    _signal(
        "maf_g_s", "g/s", 0, 655.35, "flow", "10",
        "maf", "mass air flow", "maf air flow rate", "air flow rate", "mass air flow rate",
        "mass air flow sensor", "maf rate", "intake air mass", "air mass flow", "mass airflow",
        "maf sensor", "maf flow",
    ),
    _signal(
        "map_kpa", "kpa", 0, 400, "flow", "0B",
        "map", "manifold absolute pressure", "intake manifold absolute pressure",
        "intake manifold pressure", "manifold pressure", "intake pressure",
    ),
    _signal(
        "intake_air_temp_c", "°c", -40, 215, "slow", "0F",
        "intake air temperature", "intake air temp", "iat", "intake temperature", "intake temp",
        "charge air temperature",
    ),
    _signal(
        "coolant_temp_c", "°c", -40, 215, "slow", "05",
        "engine coolant temperature", "engine coolant temp", "coolant temperature",
        "coolant temp", "ect", "water temperature", "water temp", "coolant", "engine temperature",
        "engine temp",
    ),
    _signal(
        "oil_temp_c", "°c", -40, 215, "slow", "5C",
        "engine oil temperature", "oil temperature", "engine oil temp", "oil temp",
    ),
    _signal(
        "ambient_temp_c", "°c", -40, 70, "slow", "46",
        "ambient air temperature", "ambient air temp", "ambient temperature", "ambient temp",
        "outside air temperature", "outside temperature", "outside temp", "oat",
        "outdoor temperature",
    ),
    _signal(
        "baro_kpa", "kpa", 50, 110, "slow", "33",
        "barometric pressure", "absolute barometric pressure", "baro", "barometer",
        "atmospheric pressure", "ambient pressure", "barometric",
    ),
    _signal(
        "throttle_pct", "%", 0, 100, "flow", "11",
        "throttle position", "absolute throttle position", "throttle", "tps",
        "throttle position sensor",
    ),
    _signal(
        "pedal_pct", "%", 0, 100, "flow", "49",
        "accelerator pedal position", "accelerator pedal position d", "pedal position",
        "accelerator position", "pedal", "accelerator",
    ),
    _signal(
        "engine_load_pct", "%", 0, 100, "flow", "04",
        "calculated engine load", "calculated load", "engine load", "calculated load value",
        "load", "calculated engine load value",
    ),
    _signal(
        "absolute_load_pct", "%", 0, 25700, "flow", "43",
        "absolute load", "absolute load value", "absolute engine load",
    ),
    _signal(
        "stft1_pct", "%", -100, 99.3, "slow", "06",
        "short term fuel trim bank 1", "short term fuel trim", "stft bank 1", "stft", "stft1",
        "stft b1", "short term fuel percent trim bank 1", "short fuel trim 1",
        "short term fuel trim 1",
    ),
    _signal(
        "ltft1_pct", "%", -100, 99.3, "slow", "07",
        "long term fuel trim bank 1", "long term fuel trim", "ltft bank 1", "ltft", "ltft1",
        "ltft b1", "long term fuel percent trim bank 1", "long fuel trim 1",
        "long term fuel trim 1",
    ),
    _signal(
        "stft2_pct", "%", -100, 99.3, "slow", "08",
        "short term fuel trim bank 2", "stft bank 2", "stft2", "stft b2",
        "short term fuel percent trim bank 2", "short fuel trim 2", "short term fuel trim 2",
    ),
    _signal(
        "ltft2_pct", "%", -100, 99.3, "slow", "09",
        "long term fuel trim bank 2", "ltft bank 2", "ltft2", "ltft b2",
        "long term fuel percent trim bank 2", "long fuel trim 2", "long term fuel trim 2",
    ),
    _signal(
        "fuel_status", "ratio", 0, 16, "status", "03",
        "fuel system status", "fuel status", "fuel system 1 status", "fuel system status 1",
        "fuelsys", "loop status",
    ),
    _signal(
        "lambda_commanded", "ratio", 0.4, 2, "flow", "44",
        "commanded equivalence ratio", "fuel air commanded equivalence ratio",
        "commanded lambda", "commanded air fuel equivalence ratio",
        "fuel air equivalence ratio commanded", "lambda commanded", "target lambda",
        "commanded equiv ratio",
    ),
    _signal(
        "lambda_measured", "ratio", 0.4, 2, "flow", "24",
        "o2 sensor 1 equivalence ratio", "measured lambda", "lambda", "wideband lambda",
        "oxygen sensor 1 equivalence ratio", "o2 s1 wr lambda", "air fuel equivalence ratio",
        "equivalence ratio", "lambda measured", "bank 1 sensor 1 lambda",
        "o2 sensor 1 equivalence ratio current", "o2 s1 wr equivalence ratio",
    ),
    _signal(
        "lambda_measured2", "ratio", 0.4, 2, "flow", "28",
        "bank 2 sensor 1 lambda", "lambda bank 2", "measured lambda bank 2",
        "lambda measured bank 2", "o2 sensor 5 equivalence ratio",
        "oxygen sensor 5 equivalence ratio", "o2 s5 wr lambda", "wideband lambda bank 2",
    ),
    _signal(
        "o2_upstream_v", "v", 0, 1.275, "flow", "14",
        "oxygen sensor voltage bank 1 sensor 1", "o2 voltage bank 1 sensor 1", "o2 b1s1 voltage",
        "o2 sensor 1 voltage", "oxygen sensor 1 voltage", "o2 sensor voltage bank 1 sensor 1",
        "o2 b1s1", "bank 1 sensor 1 o2 voltage",
    ),
    _signal(
        "o2_downstream_v", "v", 0, 1.275, "flow", "15",
        "oxygen sensor voltage bank 1 sensor 2", "o2 voltage bank 1 sensor 2", "o2 b1s2 voltage",
        "o2 sensor 2 voltage", "oxygen sensor 2 voltage", "o2 sensor voltage bank 1 sensor 2",
        "o2 b1s2", "bank 1 sensor 2 o2 voltage",
    ),
    _signal(
        "fuel_rate_l_h", "l/h", 0, 3300, "flow", "5E",
        "engine fuel rate", "fuel rate", "fuel flow", "fuel flow rate", "fuel consumption rate",
    ),
    _signal(
        "fuel_rate_g_s", "g/s", 0, 1310, "flow", "9D",
        "engine fuel rate mass", "fuel mass flow", "fuel rate mass", "fuel mass flow rate",
        "engine fuel mass rate",
    ),
    _signal(
        "injected_mg_stroke", "mg/stroke", 0, 1000, "flow", None,
        "injection quantity", "injected quantity", "fuel injection quantity", "injected fuel",
        "fuel quantity", "fuel per stroke", "injection amount",
    ),
    _signal(
        "fuel_level_pct", "%", 0, 100, "slow", "2F",
        "fuel level", "fuel level input", "fuel tank level", "fuel tank level input",
    ),
    _signal(
        "ethanol_pct", "%", 0, 100, "slow", "52",
        "ethanol fuel", "ethanol fuel percent", "ethanol content", "alcohol fuel percent",
        "ethanol percentage",
    ),
    _signal(
        "supply_voltage_v", "v", 0, 65.5, "slow", "42",
        "control module voltage", "battery voltage", "supply voltage", "module voltage",
        "system voltage", "ecu voltage",
    ),
    _signal(
        "engine_runtime_s", "s", 0, 65535, "slow", "1F",
        "run time since engine start", "engine run time", "time since engine start",
        "engine runtime", "runtime since engine start",
    ),
    _signal(
        "since_cleared_min", "min", 0, 65535, "slow", "4E",
        "time since dtcs cleared", "time since dtc cleared", "time since trouble codes cleared",
        "time since codes cleared", "time since diagnostic trouble codes cleared",
        "minutes since dtcs cleared", "minutes since codes cleared",
        "engine run time since dtcs cleared", "time since codes were cleared",
        "time since trouble codes were cleared",
    ),
    _signal(
        "odometer_km", "km", 0, 4e6, "slow", "A6",
        "odometer", "odometer reading", "vehicle odometer",
    ),
    _signal(
        "catalyst_temp_c", "°c", -40, 6513, "slow", "3C",
        "catalyst temperature bank 1 sensor 1", "catalyst temperature", "catalyst temp",
        "catalyst temp b1s1",
    ),
    _signal(
        "mil_on", "ratio", 0, 1, "status", "01",
        "malfunction indicator lamp", "mil", "mil status", "mil on", "check engine",
        "check engine light", "check engine lamp", "engine warning lamp",
    ),
    _signal(
        "dtc_count", "ratio", 0, 127, "status", "01",
        "number of dtcs", "dtc count", "number of stored dtcs", "stored dtcs",
        "number of trouble codes", "trouble codes",
    ),
    _signal(
        "lat_deg", "°", -90, 90, "position", None,
        "latitude", "lat", "gps latitude", "gps lat", "position latitude",
    ),
    _signal(
        "lon_deg", "°", -180, 180, "position", None,
        "longitude", "lon", "lng", "long", "gps longitude", "gps lon", "gps long",
        "position longitude",
    ),
    _signal(
        "altitude_m", "m", -500, 9000, "position", None,
        "altitude", "elevation", "alt", "ele", "gps altitude", "height", "gps elevation",
        "gps height",
    ),
    _signal(
        "geoid_height_m", "m", -120, 120, "position", None,
        "geoid height", "geoidal height", "geoid separation", "geoidal separation",
        "geoid undulation", "undulation", "height of geoid", "separation of geoid",
    ),
    _signal(
        "gps_speed_kmh", "km/h", 0, 300, "flow", None,
        "gps speed", "speed gps", "gps ground speed", "ground speed", "speed over ground",
    ),
    _signal(
        "heading_deg", "°", 0, 360, "status", None,
        "heading", "bearing", "course", "gps bearing", "gps heading", "course over ground",
        "track angle",
    ),
    _signal(
        "hdop", "ratio", 0, 100, "status", None,
        "hdop", "horizontal dilution of precision",
    ),
    _signal(
        "gps_accuracy_m", "m", 0, 5000, "status", None,
        "gps accuracy", "horizontal accuracy", "accuracy", "position accuracy",
    ),
    _signal(
        "humidity_pct", "%", 0, 100, "slow", None,
        "humidity", "relative humidity",
    ),
)  # fmt: skip

SIGNALS: dict[str, Signal] = {s.name: s for s in _ALL}


def plain(name: str) -> str:
    """A signal in words.

    >>> plain("maf_g_s"), plain("rpm"), plain("coolant_temp_c")
    ('MAF', 'engine speed', 'engine coolant temperature')
    """
    word = SIGNALS[name].words[0]
    return word.upper() if len(word) <= 3 else word


def signal(samples: Table, name: str) -> Floats:
    """One signal of a frame as an array; all NaN if the run never logged it."""
    if isinstance(samples, Columns):
        return samples.floats(name)
    if name not in samples.columns:
        return np.full(len(samples), np.nan)
    return samples[name].to_numpy(np.float64)


# Signals that a drive can hold above 999 throughout, in some unit that they are logged in.
REACHES_THOUSANDS = frozenset(
    {"rpm", "altitude_m", "odometer_km", "engine_runtime_s", "since_cleared_min"}
)
POSITION = ("lat_deg", "lon_deg", "altitude_m", "geoid_height_m", "gps_speed_kmh", "heading_deg",
            "hdop", "gps_accuracy_m")  # fmt: skip
LAMBDA_MEASURED = ("lambda_measured", "lambda_measured2")  # PIDs 24-2B or 34-3B, bank 1 and 2
TRIMS = (("stft1_pct", "ltft1_pct"), ("stft2_pct", "ltft2_pct"))

# SAE J1979 PID 03, the values of one fuel-system byte (bit-coded).
OPEN_LOOP_COLD = 1
TRIM_STEP_PCT = 100 / 128  # SAE J1979, PIDs 06 to 09: finer no trim is told
CLOSED_LOOP = 2
OPEN_LOOP_LOAD_OR_CUT = 4
OPEN_LOOP_FAULT = 8
CLOSED_LOOP_FAULT = 16
