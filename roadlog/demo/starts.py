"""The standing starts of the demonstration: an invented morning on an invented airstrip.

A day's weather and a true change of power go in; one log for each time that the add-on was put in
or taken out comes out, with four full-throttle starts in whole km/h, and the truth behind them.
It feeds the generator behind `roadlog demo --trials` and implements no part of the method.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid

from roadlog.demo import car
from roadlog.demo.driver import smooth_noise
from roadlog.demo.logger import PERCENT_BYTE, POSITION_HEADERS, WHEEL_SPEED_FACTOR, stamps
from roadlog.demo.schedule import UTC_OFFSET, WARMER_PER_HOUR_C, WIND_SHARE, Day
from roadlog.quantities.arms import ARMS
from roadlog.quantities.arrays import Floats
from roadlog.quantities.units import STANDARD_GRAVITY_M_S2

TARGET_KMH, FROM_KMH = 100.0, 10.0
POWER_PCT = -1.0  # the collar's true change of full-throttle power: a slight restriction
CLAIM_POWER_PCT = 8.0
UNITS, STARTS_A_UNIT = 8, 4
UNIT_SD_PCT, START_SD_PCT, LAUNCH_SD_PCT = 0.7, 0.9, 3.0
FIRST_HOUR, UNIT_HOURS = 9.0, 1 / 3

LAUNCH_RPM, LAUNCH_M_S2 = 3000.0, 4.0  # while the clutch slips; the tyres always hold
SHIFT_RPM, SHIFT_S = 6000.0, 0.45
TOP_KMH = 105.0
BRAKING_M_S2 = 2.5
REST_S, TURN_S, TURN_KMH = 9.0, 14.0, 12.0
STEP_S = 0.02

STRIP_LAT, STRIP_LON, STRIP_HEADING_DEG = 47.635, 20.99, 78.0  # open grassland, no real strip
STRIP_GRADE = 0.002
READING_S, READING_SD_S, OLDEST_S = 0.22, 0.012, 0.1
ZERO_BELOW_KMH = 3.0
PEDAL_DOWN_PCT, PEDAL_SHIFT_PCT = 88.2, 14.9


@dataclass(frozen=True)
class Moment:
    """What one start meets: air, wind along the course, slope, and what moves its power."""

    ambient_c: float = 25.0
    pressure_kpa: float = 100.6
    headwind_m_s: float = 0.0
    grade: float = 0.0
    power_factor: float = 1.0
    launch_factor: float = 1.0


@dataclass(frozen=True)
class Rise:
    """One start as driven: time [s], speed [m/s], and whether a gear is being changed."""

    t_s: Floats
    speed_m_s: Floats
    shifting: NDArray[np.bool_]


def full_throttle_rise(now: Moment) -> Rise:
    """From rest to `TOP_KMH` through the gears, the clutch slipping at first.

    Force depends on speed and gear alone, so that time is the integral of mass over force.

    >>> start = full_throttle_rise(Moment())
    >>> round(float(np.interp(100 / 3.6, start.speed_m_s, start.t_s)), 1)
    11.8
    """
    mass = car.MASS_KG * car.ROTATING_MASS_FACTOR
    at, v = 0.0, 0.0
    times, speeds, shifts = [], [], []
    for gear, per_1000 in enumerate(car.KMH_PER_1000_RPM):
        top = min(SHIFT_RPM / 1000 * per_1000, TOP_KMH) / 3.6
        grid = np.linspace(v, top, 150)
        force = _wheel_force_n(grid, gear, now)
        pace = mass / (force - _load_n(grid, now))
        times.append(at + cumulative_trapezoid(pace, grid, initial=0))
        speeds.append(grid)
        shifts.append(np.zeros(grid.size, dtype=bool))
        if top >= TOP_KMH / 3.6:
            break
        slowed = top - float(_load_n(grid[-1:], now)[0]) / mass * SHIFT_S
        times.append(times[-1][-1] + np.array([0.01, SHIFT_S - 0.01]))
        speeds.append(np.array([top, slowed]))
        shifts.append(np.ones(2, dtype=bool))
        at, v = float(times[-2][-1]) + SHIFT_S, slowed
    return Rise(*(np.concatenate(x) for x in (times, speeds, shifts)))


def starts_of_a_morning(
    day: Day, rng: np.random.Generator, *, power_pct: float = POWER_PCT, gps: bool = True
) -> tuple[dict[str, str], dict[str, object]]:
    """Logs of a morning of starts, and the truth behind them.

    Parameters
    ----------
    day : Day
        Its weather; its arm means nothing here.
    rng : Generator
    power_pct : float [%]
        True change of the power at the wheels at full throttle, fitted against baseline.
    gps : bool
        Whether the logs hold positions.

    Returns
    -------
    file name -> text, truth for JSON
        Chance decides which four of the eight units have the add-on.
    """
    arms = rng.permutation(np.repeat(ARMS, UNITS // 2)).tolist()
    files = {}
    for unit, arm in enumerate(arms):
        hour = FIRST_HOUR + UNIT_HOURS * unit
        gain = 1 + power_pct / 100 if arm == "fitted" else 1.0
        gain *= float(np.exp(UNIT_SD_PCT / 100 * rng.standard_normal()))
        rises = [
            full_throttle_rise(_moment(day, hour, gain, 1.0 if k % 2 == 0 else -1.0, rng))
            for k in range(STARTS_A_UNIT)
        ]
        clock = f"{int(hour):02d}{round(60 * (hour % 1)):02d}"
        files[f"synthetic_{clock}_{arm}.csv"] = _log_text(rises, day, hour, rng, gps=gps)
    return files, starts_truth(power_pct)


def starts_truth(power_pct: float) -> dict[str, object]:
    """The true changes of power and time, on the level in still air, without any chance."""
    before, after = (
        _time_s(full_throttle_rise(Moment(power_factor=f))) for f in (1.0, 1 + power_pct / 100)
    )
    return {
        "full_throttle_power_pct": power_pct,
        "time_10_to_100_pct": 100 * (after / before - 1),
        "baseline_time_10_to_100_s": before,
        "note": "the power at the wheels at every engine speed is multiplied; gear changes and the "
        "first metres on a slipping clutch take no notice of it, so the time changes less",
    }


def _moment(day: Day, hour: float, gain: float, way: float, rng: np.random.Generator) -> Moment:
    gust, start, launch = rng.standard_normal(3)
    along = np.cos(np.radians(day.wind_from_deg - STRIP_HEADING_DEG))
    return Moment(
        ambient_c=day.morning_c + WARMER_PER_HOUR_C * (hour - 7.2),
        pressure_kpa=day.pressure_kpa,
        headwind_m_s=float(way * along * WIND_SHARE * day.wind_m_s * max(1 + 0.15 * gust, 0.0)),
        grade=way * STRIP_GRADE,
        power_factor=gain * float(np.exp(START_SD_PCT / 100 * start)),
        launch_factor=float(np.exp(LAUNCH_SD_PCT / 100 * launch)),
    )


def _wheel_force_n(speed_m_s: Floats, gear: int, now: Moment) -> Floats:
    """Force at the wheels: the engine's power at the speed at which the clutch lets it turn."""
    per_1000 = float(car.KMH_PER_1000_RPM[gear])
    geared = 3600 * speed_m_s / per_1000
    slipping = (gear == 0) & (geared < LAUNCH_RPM)
    rpm = np.maximum(geared, LAUNCH_RPM if gear == 0 else car.IDLE_RPM)
    power = now.power_factor * car.full_throttle_w(rpm, now.ambient_c, now.pressure_kpa)
    force = power / (rpm * per_1000 / 3600)
    gentle = LAUNCH_M_S2 * now.launch_factor * car.MASS_KG * car.ROTATING_MASS_FACTOR
    return np.asarray(np.where(slipping, np.minimum(force, gentle), force))


def _load_n(speed_m_s: Floats, now: Moment) -> Floats:
    density = 1000 * now.pressure_kpa / car.AIR_GAS_CONSTANT / (now.ambient_c + 273.15)
    felt = speed_m_s + now.headwind_m_s
    weight = car.MASS_KG * STANDARD_GRAVITY_M_S2
    return np.asarray(
        weight * (car.CRR + now.grade) + 0.5 * density * car.CDA_M2 * felt * np.abs(felt)
    )


def _time_s(start: Rise) -> float:
    """Time from 10 km/h to the target [s]."""
    reached = np.maximum.accumulate(start.speed_m_s)
    begin, end = np.interp([FROM_KMH / 3.6, TARGET_KMH / 3.6], reached, start.t_s)
    return float(end - begin)


def _session(rises: list[Rise]) -> tuple[Floats, Floats, Floats, Floats]:
    """Time [s], speed [m/s], pedal [%] and way along the strip [m] of a unit, every 0.02 s.

    Rest, start, brake, rest, turn round: every second start goes back.
    """
    v, pedal, way = [], [], []
    for k, start in enumerate(rises):
        sign = 1.0 if k % 2 == 0 else -1.0
        t = np.arange(0, start.t_s[-1], STEP_S)
        rising = np.interp(t, start.t_s, start.speed_m_s)
        shifting = np.interp(t, start.t_s, start.shifting.astype(float)) > 0.5
        braking = np.arange(rising[-1], 0, -BRAKING_M_S2 * STEP_S)
        turn = np.arange(0, TURN_S, STEP_S) / TURN_S
        turning = TURN_KMH / 3.6 * np.minimum(1, 4 * np.minimum(turn, 1 - turn))
        still = np.zeros(round(REST_S / STEP_S))
        v += [still, rising, braking, still, turning]
        pedal += [still, np.where(shifting, PEDAL_SHIFT_PCT, PEDAL_DOWN_PCT),
                  0 * braking, still, 12 * (turning > 0)]  # fmt: skip
        way += [still, sign * rising, sign * braking, still, 0 * turning]
    speed = np.concatenate(v)
    t = STEP_S * np.arange(speed.size)
    along = np.cumsum(np.concatenate(way)) * STEP_S
    return np.asarray(t), np.asarray(speed), np.asarray(np.concatenate(pedal)), along


def _log_text(
    rises: list[Rise], day: Day, hour: float, rng: np.random.Generator, *, gps: bool
) -> str:
    """Speed and pedal polled in turn, four to five rows a second, positions once a second."""
    t, speed, pedal, along = _session(rises)
    gaps = READING_S + READING_SD_S * rng.standard_normal(int(t[-1] / READING_S))
    rows = rng.uniform(0.1, 0.3) + np.cumsum(np.maximum(gaps, 0.1))
    rows = rows[rows < t[-1]]
    seen = np.interp(rows - rng.uniform(0, OLDEST_S, rows.size), t, speed)
    kmh = np.floor(3.6 * WHEEL_SPEED_FACTOR * seen)
    pressed = np.round(np.interp(rows, t, pedal) / PERCENT_BYTE) * PERCENT_BYTE
    midnight = np.datetime64(day.date.isoformat(), "ms")
    start = midnight + np.timedelta64(round(3_600_000 * hour), "ms")
    columns = {
        "time": stamps(start, rows, UTC_OFFSET),
        "vehicle speed [km/h]": np.char.mod("%.0f", np.where(kmh < ZERO_BELOW_KMH, 0, kmh)),
        "accelerator pedal position [%]": np.char.mod("%.1f", pressed),
    }
    if gps:
        fixes = np.floor(rows)
        metres = np.interp(fixes, t, along)
        east, north = (2 * rng.standard_normal() + smooth_noise(rng, rows.size, 400) for _ in "en")
        heading = np.radians(STRIP_HEADING_DEG)
        lat = STRIP_LAT + (metres * np.cos(heading) + north) / 111_200
        per_deg = 111_200 * np.cos(np.radians(STRIP_LAT))
        lon = STRIP_LON + (metres * np.sin(heading) + east) / per_deg
        columns |= {
            POSITION_HEADERS[0]: np.char.mod("%.6f", lat),
            POSITION_HEADERS[1]: np.char.mod("%.6f", lon),
        }
    cells = zip(*columns.values(), strict=True)
    return "\n".join([",".join(columns), *map(",".join, cells), ""])
