"""Sensors that stick, values that can't be, and what the engine's controller says of itself.

In come the readings of a run as they were logged, or its samples; out come findings. Thresholds are
common practice without a source, unless said otherwise.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.check.remark import Remark
from roadlog.fuel.air import LOAD_AIR_DENSITY_KG_M3
from roadlog.fuel.flattop import at_ceiling
from roadlog.fuel.levels import MOST_FILLING
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import Log
from roadlog.quantities.arrays import Floats
from roadlog.quantities.signals import CLOSED_LOOP, CLOSED_LOOP_FAULT, SIGNALS, TRIMS, plain
from roadlog.quantities.units import unit_symbol
from roadlog.quantities.warm import WARM_COOLANT_C
from roadlog.study.car import Vehicle

STUCK_S = 60.0
STUCK_READINGS = 20
HARDEST_M_S2 = 10.0  # a road car on dry tyres brakes at about 1 g
TRIM_BAND_PCT = 10.0
LEAST_CLOSED_LOOP = 0.6
_WITNESSES = {  # a change that another signal of a driven car doesn't sit out
    "speed_kmh": 30.0, "gps_speed_kmh": 30.0, "rpm": 1000.0, "maf_g_s": 10.0, "map_kpa": 20.0,
    "throttle_pct": 15.0, "pedal_pct": 15.0, "engine_load_pct": 30.0,
}  # fmt: skip
_REST = (
    "speed_kmh",
    "gps_speed_kmh",
    "rpm",
    "maf_g_s",
    "throttle_pct",
    "pedal_pct",
    "engine_load_pct",
)
_BLANKED_SHARE = 0.01
_TEMPERATURE_JUMP_C = 20.0


def stuck(frame: pd.DataFrame) -> list[Remark]:
    """Signals that keep one value for a minute and more while another one changes much.

    Parameters
    ----------
    frame : DataFrame
        `t_s` [s] and signals as logged.
    """
    found = []
    others = {name: readings(frame, name) for name in _WITNESSES if name in frame}
    for name in others:
        t, v = others[name]
        whole = len(v) > STUCK_READINGS and bool((v == v[0]).all())
        for start, end, value in _still(t, v):
            resting = name in _REST and value == v.min() and not whole
            if not resting and _others_move(others, name, start, end):
                how = "all along" if whole else f"for {(end - start) / 60:.0f} min"
                found.append(
                    Remark(
                        "care",
                        "stuck",
                        f"{plain(name)} stuck at {value:g} {unit_symbol(SIGNALS[name].unit)} {how}",
                    )
                )
                break
    return [*found, *_stuck_slow(frame)]


def _others_move(
    others: Mapping[str, tuple[Floats, Floats]], name: str, start: float, end: float
) -> bool:
    """Whether another signal changes much within the stretch; a car at rest may rev and idle."""
    for other, least in _WITNESSES.items():
        speeds = {"speed_kmh", "gps_speed_kmh"}
        if other == name or other not in others or (name in speeds and other not in speeds):
            continue
        t, v = others[other]
        inside = v[(t >= start) & (t <= end)]
        if len(inside) and np.ptp(inside) > least:
            return True
    return False


def _stuck_slow(frame: pd.DataFrame) -> list[Remark]:
    found = []
    t, coolant = readings(frame, "coolant_temp_c")
    still = len(t) > 5 and t[-1] - t[0] > 600 and np.ptp(coolant) == 0
    if still and coolant[0] < WARM_COOLANT_C:
        found.append(Remark("care", "stuck", f"coolant stuck at {coolant[0]:g} °C all along"))
    status_t, status = readings(frame, "fuel_status")
    closed_s = float(np.diff(status_t)[status[:-1] == CLOSED_LOOP].sum()) if len(status) > 1 else 0
    trim_t, trim = readings(frame, "stft1_pct")
    if closed_s > 300 and len(trim_t) > STUCK_READINGS and np.ptp(trim) == 0:
        found.append(
            Remark("care", "stuck", f"a short-term trim that stays at {trim[0]:g} % in closed loop")
        )
    return found


def impossible(log: Log) -> list[Remark]:
    """Values that the sensor, the car or the engine can't have had."""
    found = []
    outside = {f.value("signal"): f.value("n") for f in log.facts if f.code is Repair.OUT_OF_RANGE}
    for name, n in outside.items():
        if n > _BLANKED_SHARE * len(log.frame):
            found.append(
                Remark(
                    "care", "range", f"{n} of {len(log.frame)} {plain(name)} values out of range"
                )
            )
    t, v = readings(log.frame, "speed_kmh")
    if len(t) > 1:
        dt = np.diff(t)
        # a whole km/h is the step of most logs, so a change may be one less than it looks
        hard = (np.abs(np.diff(v)) - 1) / 3.6 / np.maximum(dt, 1e-3) > HARDEST_M_S2
        hard &= (dt <= 5) & (np.abs(np.diff(v)) > 15)
        if hard.any():
            where = f"first at {t[int(np.argmax(hard))] / 60:.1f} min"
            found.append(
                Remark("care", "speed-jump", f"{_times(int(hard.sum()), 'jump')} of speed, {where}")
            )
    for name in ("coolant_temp_c", "oil_temp_c", "intake_air_temp_c"):
        t, v = readings(log.frame, name)
        jumps = (np.abs(np.diff(v)) > _TEMPERATURE_JUMP_C) & (np.diff(t) < 10)
        if jumps.any():
            found.append(
                Remark(
                    "care",
                    "temperature-jump",
                    f"{_times(int(jumps.sum()), 'jump')} of {plain(name)}",
                )
            )
    return found


def overfilled(samples: pd.DataFrame, vehicle: Vehicle) -> list[Remark]:
    """More air than the engine's cylinders can hold: a wrong unit or displacement."""
    litres = vehicle.displacement_l
    if litres is None or not {"maf_g_s", "rpm"} <= set(samples.columns):
        return []
    rpm = samples["rpm"].to_numpy(np.float64)
    maf = samples["maf_g_s"].to_numpy(np.float64)
    running = (rpm > 500) & np.isfinite(maf)
    if not running.any():
        return []
    filling = maf[running] / (LOAD_AIR_DENSITY_KG_M3 * litres * rpm[running] / 120)
    most = MOST_FILLING[vehicle.aspiration]
    share = float((filling > most).mean())
    if share < 0.01:
        return []
    return [
        Remark(
            "care",
            "too-much-air",
            f"more air than {litres:g} litres can draw in {100 * share:.0f} % of the time",
        )
    ]


def ceiling(samples: pd.DataFrame) -> list[Remark]:
    """An air meter that stands at its ceiling while the engine goes on: air and fuel are lost."""
    held = at_ceiling(samples)
    if not held.any():
        return []
    seconds = float(samples["dt_s"].to_numpy(np.float64)[held].sum())
    top = float(samples["maf_g_s"].max())
    return [Remark("care", "ceiling", f"MAF at its ceiling of {top:.0f} g/s for {seconds:.0f} s")]


def trims(samples: pd.DataFrame) -> list[Remark]:
    """Fuel trims whose warm mean lies beyond ± 10 %."""
    found = []
    warm = is_warm(samples)
    for bank, (short, long) in enumerate(TRIMS, 1):
        if short not in samples or long not in samples:
            continue
        total = samples[short].to_numpy(np.float64) + samples[long].to_numpy(np.float64)
        total = total[warm & np.isfinite(total)]
        if len(total) > 60 and abs(float(total.mean())) > TRIM_BAND_PCT:
            found.append(
                Remark("care", "trims", f"fuel trims of {total.mean():+.0f} % on bank {bank}")
            )
    return found


def lamp(frame: pd.DataFrame) -> list[Remark]:
    """The check-engine lamp and stored trouble codes, where they were logged."""
    _, on = readings(frame, "mil_on")
    _, codes = readings(frame, "dtc_count")
    if len(on) and on.max() > 0:
        return [Remark("care", "check-engine", "the check-engine lamp on")]
    if len(codes) and codes.max() > 0:
        return [Remark("care", "trouble-codes", _times(int(codes.max()), "stored trouble code"))]
    if len(on) or len(codes):
        return [Remark("note", "check-engine", "the check-engine lamp was off")]
    return []


def closed_loop_share(samples: pd.DataFrame) -> float:
    """Share of warm time in closed loop, NaN where status was not logged."""
    if "fuel_status" not in samples:
        return float("nan")
    status = samples["fuel_status"].to_numpy(np.float64)
    dt = samples["dt_s"].to_numpy(np.float64)
    known = np.isfinite(status) & is_warm(samples)
    if dt[known].sum() < 60:
        return float("nan")
    closed = known & ((status == CLOSED_LOOP) | (status == CLOSED_LOOP_FAULT))
    return float(dt[closed].sum() / dt[known].sum())


def loop(samples: pd.DataFrame, vehicle: Vehicle) -> list[Remark]:
    """Little closed loop on a warm petrol engine, or a loop that runs on a failed sensor."""
    share = closed_loop_share(samples)
    if vehicle.fuel == "diesel" or not np.isfinite(share):
        return []
    found = []
    status = samples["fuel_status"].to_numpy(np.float64)
    if (status == CLOSED_LOOP_FAULT).any():
        found.append(Remark("care", "loop-fault", "closed loop with a failed oxygen sensor"))
    if share < LEAST_CLOSED_LOOP:
        text = f"closed loop in only {100 * share:.0f} % of the warm time"
        text = "no closed loop" if share < 0.01 else text
        found.append(Remark("care", "open-loop", text))
    return found


def warm_up(samples: pd.DataFrame) -> tuple[float, float]:
    """Coolant at the start [°C], and the time until it was warm [s]; NaN where unknown or never."""
    if "coolant_temp_c" not in samples:
        return float("nan"), float("nan")
    coolant = samples["coolant_temp_c"].to_numpy(np.float64)
    known = np.flatnonzero(np.isfinite(coolant))
    if not len(known):
        return float("nan"), float("nan")
    warm = np.flatnonzero(coolant >= WARM_COOLANT_C)
    t = samples["t_s"].to_numpy(np.float64)
    return float(coolant[known[0]]), float(t[warm[0]] - t[0]) if len(warm) else float("nan")


def is_warm(samples: pd.DataFrame) -> NDArray[np.bool_]:
    """Samples with coolant at 70 °C or more; all of them where it was not logged."""
    if "coolant_temp_c" not in samples or samples["coolant_temp_c"].isna().all():
        return np.ones(len(samples), bool)
    warm: NDArray[np.bool_] = samples["coolant_temp_c"].to_numpy(np.float64) >= WARM_COOLANT_C
    return warm


def readings(frame: pd.DataFrame, name: str) -> tuple[Floats, Floats]:
    """Times and values of a signal's readings; empty if it was not logged."""
    if name not in frame:
        return np.empty(0), np.empty(0)
    v = frame[name].to_numpy(np.float64)
    there = np.isfinite(v)
    return frame["t_s"].to_numpy(np.float64)[there], v[there]


def _still(t: Floats, v: Floats) -> list[tuple[float, float, float]]:
    """Stretches of one value that last at least a minute over at least 20 readings."""
    if len(v) < STUCK_READINGS:
        return []
    edges = np.flatnonzero(np.diff(v) != 0) + 1
    first = np.concatenate([[0], edges])
    last = np.concatenate([edges, [len(v)]]) - 1
    long = (t[last] - t[first] >= STUCK_S) & (last - first >= STUCK_READINGS)
    return [
        (float(t[i]), float(t[j]), float(v[i]))
        for i, j in zip(first[long], last[long], strict=True)
    ]


def _times(n: int, noun: str) -> str:
    return f"one {noun}" if n == 1 else f"{n} {noun}s"
