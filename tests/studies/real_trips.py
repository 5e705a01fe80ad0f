"""Run errors of expected fuel on real trips of one car, with and without accessory time.

Reads the public trips in ../shared/real_drives as they are (90 logs of one 1.5-litre petrol car,
master's thesis behind "Detecting Anomalies in the Engine Coolant Sensor Using One-Class
Classifiers", IEEE 2019; nothing of them is kept here) and prints idle modes, their separation, and
the leave-one-run-out error of expected fuel E = a T + c km + w W + k C + x p T [g]:

    python -m tests.studies.real_trips [ARCHIVE]
"""

import sys
import tarfile
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog import fuel
from roadlog.fuel.accessory_state import AccessoryState, Modes, find_accessory
from roadlog.ingest import read_log, timebase
from roadlog.study.settings import ColumnRule, parse_study

ARCHIVE = Path(__file__).parents[3] / "shared" / "real_drives" / "trips.tar.gz"
RULES = {
    "ENGINE_RUN_TINE ()": ColumnRule(signal="time"),
    "PEDAL_D ()": ColumnRule(signal="pedal_pct"),
}
TRIMS = ("stft1_pct", "ltft1_pct")
CAR = parse_study('[vehicle]\nfuel = "E10"\ndisplacement_l = 1.5\n')
MASS_KG, ROTATING, CRR, RHO, CDA_M2, G = 1100.0, 1.04, 0.011, 1.13, 0.65, 9.81
SMOOTH_S = 2.4
WARM_C = 80.0
LEAST_KM = 1.0


@dataclass(frozen=True)
class Found:
    """What the trips show: modes parked and on the road, run errors [%] by set of terms, and the
    fitted coefficients with accessory time."""

    parked: AccessoryState
    driven: AccessoryState
    kpa: Mapping[str, tuple[float, float]]
    errors_pct: Mapping[str, float]
    coefficients: Mapping[str, float]
    runs: int


def trips(archive: Path = ARCHIVE) -> dict[str, pd.DataFrame]:
    """Samples of every trip, by file name."""
    found = {}
    with tempfile.TemporaryDirectory() as folder, tarfile.open(archive) as packed:
        packed.extractall(folder, filter="data")
        for path in sorted(Path(folder).glob("*.csv")):
            found[path.stem] = timebase.resample(read_log(path, columns=RULES).frame)
    return found


def terms_of(samples: pd.DataFrame, flow: pd.DataFrame) -> dict[str, float]:
    """Fuel [g] and the terms of expected fuel of one run: s, km, kJ, K s/1000."""
    dt = samples["dt_s"].to_numpy(float)
    speed = samples["speed_kmh"].interpolate(limit_direction="both").to_numpy(float) / 3.6
    window = max(1, round(SMOOTH_S))
    v = pd.Series(speed).rolling(window, center=True, min_periods=1).mean().to_numpy(float)
    a = np.gradient(v, samples["t_s"].to_numpy(float))
    power_w = ROTATING * MASS_KG * a * v + CRR * MASS_KG * G * v + 0.5 * RHO * CDA_M2 * v**3
    known = np.isfinite(flow["fuel_flow_g_s"].to_numpy(float))
    dt = np.where(known, dt, 0.0)
    burned = np.nan_to_num(flow["fuel_flow_g_s"].to_numpy(float))
    on = samples["rpm"].to_numpy(float) > 0
    coolant = samples["coolant_temp_c"].to_numpy(float)
    return {
        "fuel_g": float(burned @ dt),
        "T": float(dt[on].sum()),
        "km": float(v @ dt) / 1000,
        "W": float(np.maximum(power_w, 0) @ dt) / 1000,
        "C": float(np.maximum(WARM_C - np.nan_to_num(coolant, nan=WARM_C), 0) @ dt) / 1000,
    }


def left_out_error_pct(table: pd.DataFrame, names: tuple[str, ...]) -> float:
    """Standard deviation [%] of log fuel over what the other runs' fit expects of each run."""
    x, y = table[list(names)].to_numpy(float), table["fuel_g"].to_numpy(float)
    error = []
    for i in range(len(y)):
        keep = np.arange(len(y)) != i
        b, *_ = np.linalg.lstsq(x[keep] / y[keep, None], np.ones(keep.sum()), rcond=None)
        error.append(np.log(y[i] / (x[i] @ b)))
    return float(100 * np.std(error, ddof=1))


def study(archive: Path = ARCHIVE) -> Found:
    """Everything that the script prints."""
    every = trips(archive)
    parked = {k: s for k, s in every.items() if k.startswith("idle")}
    driven = {
        k: s for k, s in every.items() if k not in parked and timebase.distance_km(s) >= LEAST_KM
    }
    states = {
        name: find_accessory(list(group.values()), ["baseline"] * len(group), 1.5)
        for name, group in (("parked", parked), ("driven", driven))
    }
    kpa = {
        name: _pressure(states[name], list(group.values()))
        for name, group in (("parked", parked), ("driven", driven))
    }
    table, trimmed = (_table(driven, states["driven"], t) for t in (False, True))
    plain, full = ("T", "km", "W", "C"), ("T", "km", "W", "C", "pT")
    x, y = table[list(full)].to_numpy(float), table["fuel_g"].to_numpy(float)
    b, *_ = np.linalg.lstsq(x / y[:, None], np.ones(len(y)), rcond=None)
    errors = {
        "km alone": left_out_error_pct(table, ("km",)),
        "without accessory time": left_out_error_pct(table, plain),
        "with accessory time": left_out_error_pct(table, full),
        "with accessory time, air x trims": left_out_error_pct(trimmed, full),
    }
    return Found(
        states["parked"], states["driven"], kpa, errors, dict(zip(full, b, strict=True)), len(y)
    )


def _pressure(state: AccessoryState, samples: list[pd.DataFrame]) -> tuple[float, float]:
    kpa = np.concatenate([s["map_kpa"].to_numpy(float) for s in samples])
    told, here = np.concatenate(state.states), np.concatenate(state.standing)
    return float(np.median(kpa[here & (told == 0)])), float(np.median(kpa[here & (told == 1)]))


def _table(driven: dict[str, pd.DataFrame], state: AccessoryState, trims: bool) -> pd.DataFrame:
    """One row a run; without trims they are left out of the samples before fuel is computed."""
    used = {k: s if trims else s.drop(columns=list(TRIMS)) for k, s in driven.items()}
    calibration = fuel.calibrate(list(used.values()), CAR)
    flows = [fuel.fuel_flow(s, CAR, "speed-density", calibration) for s in used.values()]
    rows = [terms_of(s, f) for s, f in zip(used.values(), flows, strict=True)]
    table = pd.DataFrame(rows, index=list(used))
    return table.assign(pT=state.runs["share"].to_numpy(float) * table["T"])


def _told(name: str, state: AccessoryState, kpa: tuple[float, float]) -> str:
    modes = state.modes
    assert isinstance(modes, Modes)
    return (
        f"{name}: {len(state.runs)} logs, visible {state.visible}, D {modes.separation:.1f}, "
        f"valley {modes.valley:.2f}, off {kpa[0]:.0f} kPa {state.off_rpm:.0f} 1/min, "
        f"on {kpa[1]:.0f} kPa {state.on_rpm:.0f} 1/min, "
        f"known {state.runs['known_s'].median():.0f} s (median)"
    )


def main(archive: Path = ARCHIVE) -> None:
    """Print the study."""
    found = study(archive)
    print(_told("parked", found.parked, found.kpa["parked"]))
    print(_told("driven", found.driven, found.kpa["driven"]))
    print(f"run error, leave one run out, {found.runs} runs [%]:")
    for name, error in found.errors_pct.items():
        print(f"  {name:<34} {error:.1f}")
    print("coefficients:", {k: round(v, 4) for k, v in found.coefficients.items()})


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else ARCHIVE)
