"""Standing starts and run-outs with known truth: physics in, logs out; nothing was measured."""

from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.ingest import Log
from roadlog.physics.demand import ROTATING_MASS
from roadlog.quantities.units import STANDARD_GRAVITY_M_S2
from roadlog.study.car import Vehicle
from roadlog.trials.course import STANDARD_DENSITY_KG_M3

CAR = Vehicle(mass_kg=1310, cda_m2=0.66, crr=0.0105, displacement_l=1.8)
POWER_KW = 75.0
FIRST_GEAR = 4.6  # m/s², what the engine gives in its lowest gear
STEP_S = 0.01


def speed_trace(
    power_kw: float,
    *,
    vehicle: Vehicle = CAR,
    grade: float = 0.0,
    headwind_m_s: float = 0.0,
    density_kg_m3: float = STANDARD_DENSITY_KG_M3,
    to_kmh: float = 106.0,
    first_gear: float = FIRST_GEAR,
) -> tuple[np.ndarray, np.ndarray]:
    """Time [s] and speed [km/h] of a start at constant power, from rest, by small steps."""
    mass = vehicle.mass_kg * ROTATING_MASS
    g = vehicle.mass_kg * STANDARD_GRAVITY_M_S2
    v, speeds = 0.0, [0.0]
    while v * 3.6 < to_kmh and len(speeds) < 6000:
        felt = v + headwind_m_s
        drag = 0.5 * density_kg_m3 * vehicle.cda_m2 * felt * abs(felt)
        force = min(first_gear * mass, 1000 * power_kw / max(v, 0.1))
        v += (force - drag - g * (vehicle.crr + np.sin(np.arctan(grade)))) / mass * STEP_S
        speeds.append(v)
    return np.arange(len(speeds)) * STEP_S, np.array(speeds) * 3.6


def true_time(
    t: np.ndarray, v: np.ndarray, target_kmh: float = 100.0, from_kmh: float = 10.0
) -> float:
    """Time from 10 km/h (or another speed) to the target [s] of an exact trace."""
    return float(np.interp(target_kmh, v, t) - np.interp(from_kmh, v, t))


def true_power(
    t: np.ndarray,
    v: np.ndarray,
    vehicle: Vehicle = CAR,
    *,
    grade: float = 0.0,
    headwind_m_s: float = 0.0,
    density_kg_m3: float = STANDARD_DENSITY_KG_M3,
) -> float:
    """Mean power at the wheels [kW] from 30 to 100 km/h of an exact trace."""
    inside = (v >= 30) & (v <= 100)
    m_s, time = v[inside] / 3.6, t[inside]
    kinetic = 0.5 * vehicle.mass_kg * ROTATING_MASS * (m_s[-1] ** 2 - m_s[0] ** 2)
    weight = vehicle.mass_kg * STANDARD_GRAVITY_M_S2
    slope = np.arctan(grade)
    road = weight * (vehicle.crr * np.cos(slope) + np.sin(slope)) * m_s
    air = 0.5 * density_kg_m3 * vehicle.cda_m2 * (m_s + headwind_m_s) ** 2 * m_s
    return float((kinetic + np.trapezoid(road + air, time)) / (time[-1] - time[0]) / 1000)


def start_log(
    traces: list[tuple[np.ndarray, np.ndarray]],
    *,
    interval_s: float = 0.2,
    whole: bool = True,
    pedal: float | None = 88.0,
    headings: list[float] | None = None,
    phase_s: float = 0.0,
    name: str = "synthetic.csv",
    start: str | None = "2026-04-01 10:00",
    stale: np.random.Generator | None = None,
) -> Log:
    """One log of several starts as a logger would write it: polled, in whole km/h.

    With `stale`, each reading is up to one interval older than its time says.
    """
    parts = []
    clock = 0.0
    lat, lon = 46.0, 8.0
    for i, (t, v) in enumerate(traces):
        length = 8.0 + t[-1] + 25.0
        at = np.arange(phase_s, length, interval_s)
        was = at if stale is None else at - stale.uniform(0, interval_s, len(at))
        moving = np.interp(was, 8.0 + t, v, left=0.0)
        after = was > 8.0 + t[-1]
        moving[after] = np.maximum(v[-1] - 2 * np.maximum(was[after] - 8.0 - t[-1], 0) ** 2, 0.0)
        rising = (at >= 8.0) & ~after
        columns = {"t_s": clock + at, "speed_kmh": np.floor(moving) if whole else moving}
        if pedal is not None:
            columns["pedal_pct"] = np.where(rising, pedal, 0.0)
        if headings is not None:
            way = np.radians(headings[i])
            metres = np.cumsum(moving / 3.6) * interval_s
            columns["lat_deg"] = lat + metres * np.cos(way) / 111_195
            columns["lon_deg"] = lon + metres * np.sin(way) / 77_000
            lat, lon = columns["lat_deg"][-1], columns["lon_deg"][-1]
        parts.append(pd.DataFrame(columns))
        clock += length
    frame = pd.concat(parts, ignore_index=True)
    frame["t_s"] -= frame["t_s"].iloc[0]
    return Log(Path(name), frame, None if start is None else pd.Timestamp(start))


def runs_table(arms: list[str], *, blocks: list[str] | None = None) -> pd.DataFrame:
    """One log a switch unit, in order."""
    return pd.DataFrame(
        {
            "log": range(len(arms)),
            "file": [f"log {i}" for i in range(len(arms))],
            "arm": arms,
            "switch_unit": [f"unit {i}" for i in range(len(arms))],
            "block": blocks or [""] * len(arms),
        }
    )


def runout_table(
    rng: np.random.Generator,
    *,
    arms: list[str],
    fuels_g: list[float],
    effect_pct: float = 0.0,
    hold_up_g: float = 0.0,
    loads_w: list[float] | None = None,
    follows: float = 0.6,
    sd: float = 0.01,
    blocks: list[str] | None = None,
    addon_w: float = 0.0,
    outside: bool = False,
) -> pd.DataFrame:
    """Trials as `read_runouts` gives them, of an engine that burns 0.25 g/s at 1,000 W."""
    loads = np.array(loads_w or [1000.0] * len(arms))
    fuel = np.array(fuels_g)
    fitted = np.array([a == "fitted" for a in arms])
    flow = 0.25 * (loads / 1000) ** follows * (1 + effect_pct / 100 * fitted)
    time = (fuel + hold_up_g) / flow * np.exp(rng.normal(0, sd, len(arms)))
    return pd.DataFrame(
        {
            "trial": [str(i) for i in range(len(arms))],
            "arm": arms,
            "block": blocks or [""] * len(arms),
            "fuel_g": fuel,
            "time_s": time,
            "load_w": loads,
            "addon_w": addon_w * fitted,
            "outside": fitted & outside,
        }
    )
