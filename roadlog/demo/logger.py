"""The invented logger of the demonstration: engine and car state in, rows of a log file out.

It polls about twelve PIDs a second over CAN, rounds as SAE J1979 scales them, adds GPS errors,
and writes one row a second with the last known values (or one row a reading). It feeds the
generator behind `roadlog demo` and implements no part of the method.

References
----------
SAE J1979 (scaling and offset of each PID; the values here are from memory).
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roadlog.demo.car import Conditions, Engine
from roadlog.demo.driver import STEP_S, Drive, smooth_noise
from roadlog.demo.road import Road
from roadlog.demo.variants import Meter
from roadlog.quantities.arrays import Floats
from roadlog.quantities.signals import CLOSED_LOOP, OPEN_LOOP_COLD, OPEN_LOOP_LOAD_OR_CUT

Texts = NDArray[np.str_]
Style = Literal["rows", "sparse", "long"]

PIDS_PER_S = 12.0
METER_READS_PCT = 1.6  # the air meter reads this much high; closed-loop trims take it off again
WHEEL_SPEED_FACTOR = 1.008  # worn tyres turn faster than the road passes
# What the loop takes off a speed-density controller's model of the air, over manifold pressure.
MODEL_TRIM_PCT, MODEL_KPA = (1.5, -4.0), (35.0, 70.0)
NO_METER = frozenset({"maf_g_s", "absolute_load_pct"})  # not logged without an air meter
PEDAL_REST_PCT = 15.7  # PID 49 reads the sensor; PID 5A would start at zero
FIX_S = (4.0, 18.0)  # time to the first position fix
PERCENT_BYTE = 100 / 255
TRIM_BYTE = 100 / 128


@dataclass(frozen=True)
class Channel:
    """One polled PID: header, step of its J1979 scaling, how it is printed, how often polled."""

    header: str
    step: float
    form: str
    turn: Literal["fast", "medium", "slow"]


CHANNELS = {
    "speed_kmh": Channel("vehicle speed [km/h]", 1, "%.0f", "fast"),
    "rpm": Channel("engine speed [rpm]", 0.25, "%.7g", "fast"),
    "maf_g_s": Channel("MAF air flow rate [g/s]", 0.01, "%.5g", "fast"),
    "fuel_status": Channel("fuel system status [-]", 1, "%.0f", "fast"),
    "map_kpa": Channel("manifold absolute pressure [kPa]", 1, "%.0f", "fast"),
    "absolute_load_pct": Channel("absolute load [%]", PERCENT_BYTE, "%.1f", "fast"),
    "pedal_pct": Channel("accelerator pedal position [%]", PERCENT_BYTE, "%.1f", "fast"),
    "stft1_pct": Channel("short term fuel trim [%]", TRIM_BYTE, "%.2f", "medium"),
    "lambda_commanded": Channel("commanded equivalence ratio [-]", 2 / 65536, "%.4g", "medium"),
    "throttle_pct": Channel("throttle position [%]", PERCENT_BYTE, "%.1f", "medium"),
    "engine_load_pct": Channel("calculated load [%]", PERCENT_BYTE, "%.1f", "medium"),
    "ltft1_pct": Channel("long term fuel trim [%]", TRIM_BYTE, "%.2f", "slow"),
    "coolant_temp_c": Channel("coolant temperature [degC]", 1, "%.0f", "slow"),
    "intake_air_temp_c": Channel("intake air temperature [degC]", 1, "%.0f", "slow"),
    "ambient_temp_c": Channel("ambient air temperature [degC]", 1, "%.0f", "slow"),
    "baro_kpa": Channel("barometric pressure [kPa]", 1, "%.0f", "slow"),
    "supply_voltage_v": Channel("supply voltage [V]", 0.001, "%.2f", "slow"),
}
POSITION_HEADERS = ("latitude [deg]", "longitude [deg]", "altitude [m]", "GPS speed [km/h]")


def true_signals(
    drive: Drive,
    engine: Engine,
    now: Conditions,
    rng: np.random.Generator,
    meter_pct: float = 0.0,
    meter: Meter = "air",
) -> dict[str, Floats]:
    """What the controller knows every 0.2 s, before polling and rounding.

    `meter_pct` is a further error of the air meter, or of manifold pressure where `meter` is
    "pressure" [%] (an add-on that bends its reading); the closed loop trims it away, so real fuel
    stays as it is. Without an air meter the controller takes air from manifold pressure: neither
    MAF nor absolute load is logged, and its trims make up for its model. In fuel cut the controller
    goes on reporting the commanded equivalence ratio of closed loop.
    """
    n = drive.t_s.size
    bent = 1 + meter_pct / 100
    reads = bent * (1 + METER_READS_PCT / 100 if meter == "air" else 1.0)
    model_pct = np.interp(engine.map_kpa, MODEL_KPA, MODEL_TRIM_PCT) if meter == "pressure" else 0.0
    trim = 100 * ((1 + model_pct / 100) / reads - 1)
    learned = np.round((np.mean(trim) + 0.5 * rng.standard_normal()) / TRIM_BYTE) * TRIM_BYTE
    hunting = 1.1 * smooth_noise(rng, n, 3 / STEP_S)
    air = engine.air_g_s * reads
    status = np.where(engine.closed_loop, CLOSED_LOOP, OPEN_LOOP_COLD)
    status = np.where(engine.cut | engine.enriched, OPEN_LOOP_LOAD_OR_CUT, status)
    charge = 0.4 * smooth_noise(rng, n, 60 / STEP_S)
    pressure = engine.map_kpa * (bent if meter == "pressure" else 1.0)
    signals = {
        "speed_kmh": 3.6 * drive.speed_m_s * WHEEL_SPEED_FACTOR,
        "rpm": engine.rpm + 6 * smooth_noise(rng, n, 0.6 / STEP_S),
        "maf_g_s": air * (1 + 0.008 * rng.standard_normal(n)),
        "fuel_status": status.astype(float),
        "map_kpa": np.minimum(pressure, engine.baro_kpa),
        "absolute_load_pct": 100 * engine.absolute_load * reads,
        "pedal_pct": PEDAL_REST_PCT + (100 - PEDAL_REST_PCT) * engine.pedal,
        "stft1_pct": np.where(engine.closed_loop, trim - learned + hunting, 0.0),
        "lambda_commanded": engine.lambda_ratio,
        "throttle_pct": 13 + 62 * engine.calculated_load**1.5 - 2.5 * engine.cut,
        "engine_load_pct": 100 * np.minimum(engine.calculated_load * reads, 1),
        "ltft1_pct": np.full(n, learned),
        "coolant_temp_c": engine.coolant_c + 0.5 * rng.standard_normal(n),
        "intake_air_temp_c": engine.intake_c,
        "ambient_temp_c": np.full(n, now.ambient_c),
        "baro_kpa": engine.baro_kpa,
        "supply_voltage_v": 14.1 + 0.05 * charge - 0.25 * (drive.t_s < 4),
    }
    return {k: v for k, v in signals.items() if meter == "air" or k not in NO_METER}


def positions(drive: Drive, road: Road, rng: np.random.Generator) -> dict[str, Floats]:
    """What a GPS receiver reports every 0.2 s: an offset that lasts the drive, drift and noise."""
    n = drive.t_s.size
    metre_deg = 1 / 111_200
    east, north = (
        2.4 * rng.standard_normal()
        + 1.8 * smooth_noise(rng, n, 90 / STEP_S)
        + 0.4 * smooth_noise(rng, n, 3 / STEP_S)
        for _ in range(2)
    )
    up = 4.0 * rng.standard_normal() + 3.5 * smooth_noise(rng, n, 250 / STEP_S)
    seen = np.maximum(drive.t_s - 0.4, 0)  # the receiver reports a little late
    at = np.interp(seen, drive.t_s, drive.s_m)
    lat = np.interp(at, road.s_m, road.lat_deg)
    lon = np.interp(at, road.s_m, road.lon_deg)
    speed = np.interp(seen, drive.t_s, drive.speed_m_s) + 0.1 * rng.standard_normal(n)
    return {
        POSITION_HEADERS[0]: lat + north * metre_deg,
        POSITION_HEADERS[1]: lon + east * metre_deg / np.cos(np.radians(lat)),
        POSITION_HEADERS[2]: np.interp(at, road.s_m, road.elevation_m) + up,
        POSITION_HEADERS[3]: np.where(speed < 0.6, 0.0, 3.6 * speed),
    }


def poll(end_s: float, names: Collection[str], rng: np.random.Generator) -> dict[str, Floats]:
    """When each PID is read [s]: fast ones every turn, medium in rotation, slow now and then."""
    by_turn = {
        turn: [name for name, c in CHANNELS.items() if c.turn == turn and name in names]
        for turn in ("fast", "medium", "slow")
    }
    rotation = [name for slow in by_turn["slow"] for name in [*by_turn["medium"], slow]]
    order = [name for last in rotation for name in [*by_turn["fast"], last]]
    gaps = np.maximum(1 / PIDS_PER_S + 0.012 * rng.standard_normal(int(end_s * PIDS_PER_S)), 0.03)
    times = 0.3 + np.cumsum(gaps)
    which = np.arange(times.size) % len(order)
    return {
        name: times[np.isin(which, [i for i, each in enumerate(order) if each == name])]
        for name in CHANNELS
        if name in names
    }


def _text(values: Floats, step: float, form: str) -> Texts:
    return np.char.mod(form, np.round(values / step) * step + 0.0)


def _read(name: str, signals: Mapping[str, Floats], drive: Drive, at_s: Floats) -> Texts:
    channel = CHANNELS[name]
    index = np.minimum(np.round(at_s / STEP_S).astype(int), drive.t_s.size - 1)
    return _text(signals[name][index], channel.step, channel.form)


def _row_times(end_s: float, rng: np.random.Generator) -> Floats:
    """About one a second, with jitter, a few rows lost singly and one or two short gaps."""
    t = np.arange(1, end_s - 0.5) + 0.03 * rng.standard_normal(int(np.ceil(end_s - 1.5)))
    keep = rng.uniform(size=t.size) > 0.003
    for start, length in zip(
        rng.uniform(60, end_s, size=2), rng.uniform(-4, 8, size=2), strict=True
    ):
        keep &= ~((t > start) & (t < start + length))
    return np.asarray(t[keep])


def stamps(start: np.datetime64, t_s: Floats, offset: str) -> Texts:
    """ISO 8601 local times with UTC offset, to the millisecond."""
    moments = start.astype("datetime64[ms]") + np.round(1000 * t_s).astype("timedelta64[ms]")
    return np.char.add(np.datetime_as_string(moments, unit="ms"), offset)


def log_rows(
    drive: Drive, signals: Mapping[str, Floats], gps: Mapping[str, Floats], rng: np.random.Generator
) -> tuple[Floats, dict[str, Texts]]:
    """One row a second of last-known values.

    Slow PIDs appear only in the row after they were read; a few cells are blank.

    Returns
    -------
    row times [s] and header -> cells
    """
    end_s = float(drive.t_s[-1])
    rows = _row_times(end_s, rng)
    since = np.concatenate([[0.0], rows[:-1]])
    columns = dict[str, Texts]()
    for name, at_s in poll(end_s, signals.keys(), rng).items():
        latest = np.searchsorted(at_s, rows) - 1
        cells = _read(name, signals, drive, at_s)[np.maximum(latest, 0)]
        blank = (latest < 0) | (rng.uniform(size=rows.size) < 0.002)
        if CHANNELS[name].turn == "slow":
            blank |= at_s[np.maximum(latest, 0)] < since
        columns[CHANNELS[name].header] = np.where(blank, "", cells)
    fix = rng.uniform(*FIX_S)
    for (header, values), form in zip(
        gps.items(), ("%.6f", "%.6f", "%.1f", "%.1f"), strict=bool(gps)
    ):
        cells = np.char.mod(form, np.interp(rows, drive.t_s, values))
        columns[header] = np.where(rows < fix, "", cells)
    return rows, columns


def log_readings(
    drive: Drive, signals: Mapping[str, Floats], gps: Mapping[str, Floats], rng: np.random.Generator
) -> tuple[Floats, NDArray[np.str_], Texts]:
    """One entry a reading, in order of time.

    Returns
    -------
    time [s], header and cell of each reading
    """
    end_s = float(drive.t_s[-1])
    times, headers, cells = list[Floats](), list[Texts](), list[Texts]()
    for name, at_s in poll(end_s, signals.keys(), rng).items():
        times.append(at_s)
        headers.append(np.full(at_s.size, CHANNELS[name].header))
        cells.append(_read(name, signals, drive, at_s))
    seconds = np.arange(np.ceil(rng.uniform(*FIX_S)), end_s)
    for (header, values), form in zip(
        gps.items(), ("%.6f", "%.6f", "%.1f", "%.1f"), strict=bool(gps)
    ):
        times.append(seconds)
        headers.append(np.full(seconds.size, header))
        cells.append(np.char.mod(form, np.interp(seconds, drive.t_s, values)))
    t = np.concatenate(times)
    order = np.argsort(t, kind="stable")
    return t[order], np.concatenate(headers)[order], np.concatenate(cells)[order]
