"""Invented pass tables with a known effect, for the tests of the effect stage."""

import numpy as np
import pandas as pd

from roadlog.effect import fuel_physics
from roadlog.quantities.fuels import FUELS

E10 = FUELS["E10"]
PETROL = fuel_physics(density_kg_m3=E10.density_kg_m3, lhv_mj_kg=E10.lhv_mj_kg, displacement_l=1.8)


def passes(
    rng: np.random.Generator,
    *,
    days: int = 12,
    runs: int = 2,
    segments: int = 8,
    effect: float = -0.05,
    day_sd: float = 0.01,
    run_sd: float = 0.005,
    pass_sd: float = 0.03,
    drift: float = 0.0,
    paired: bool = True,
    switched_by_run: bool = False,
) -> pd.DataFrame:
    """A pass table with every column of `roadlog.quantities.tables.PASSES`.

    Days are switch units in randomised pairs (`block` empty if not `paired`), or, if
    `switched_by_run`, every run is one and each day holds both arms. `effect` is the log ratio,
    `drift` the log change over the whole study.
    """
    run = np.repeat(np.arange(days * runs), segments)
    day = run // runs
    segment = np.tile(np.arange(segments), days * runs)
    if switched_by_run:
        per_run = np.concatenate([rng.permutation(np.arange(runs) % 2) for _ in range(days)])
        arm = per_run[run]
    else:
        first = rng.integers(0, 2, -(-days // 2))
        arm = np.column_stack([first, 1 - first]).ravel()[day]
    km = rng.uniform(0.8, 1.4, segments)[segment]
    demand = 500 + 40 * np.sin(segment) + rng.normal(0, 15, len(run))
    speed = 55 + 10 * np.cos(segment) + rng.normal(0, 2, len(run))
    log_ml_per_km = (
        4.2
        + effect * arm
        + drift * day / max(days - 1, 1)
        + rng.normal(0, 0.1, segments)[segment]
        + 0.001 * (demand - 500)
        + rng.normal(0, day_sd, days)[day]
        + rng.normal(0, run_sd, days * runs)[run]
        + rng.normal(0, pass_sd, len(run))
    )
    ml_per_km = np.exp(log_ml_per_km)
    dates = pd.Timestamp("2026-03-02") + pd.to_timedelta(day, unit="D")
    label = pd.Series(dates).dt.strftime("%Y-%m-%d")
    start = dates + pd.to_timedelta(7 * 60 + 500 * (run % runs) + 2 * segment, unit="min")
    return pd.DataFrame(
        {
            "run": run,
            "arm": np.where(arm == 1, "fitted", "baseline"),
            "day": label,
            "switch_unit": [f"run {r}" for r in run] if switched_by_run else label,
            "block": [f"b{d // 2}" if paired and not switched_by_run else "" for d in day],
            "segment": [f"s{i}" for i in segment],
            "start": start,
            "distance_km": km,
            "duration_s": 3600 * km / speed,
            "fuel_ml": ml_per_km * km,
            "fuel_low_ml": 0.99 * ml_per_km * km,
            "fuel_high_ml": 1.01 * ml_per_km * km,
            "ml_per_km": ml_per_km,
            "mean_speed_kmh": speed,
            "idle_s_per_km": rng.gamma(2, 2, len(run)),
            "demand_kj_per_km": demand,
            "mean_vsp_kw_t": 5.0,
            "cold_share": 0.0,
            "coolant_start_c": 80.0,
            "since_start_s": 60.0 * segment,
            "ambient_c": 10 + rng.normal(0, 3, days)[day],
            "pressure_kpa": 100.0,
            "air_density_kg_m3": 1.2,
            "headwind_m_s": np.nan,
            "supply_voltage_v": 14.0,
            "coverage": 1.0,
            "used": True,
            "reason": "",
        }
    )
