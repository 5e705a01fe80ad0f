"""Small fleets of invented vehicles, made from the sample study's logs, and their tables."""

from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.fleet.pipeline import Tables, find_fleet, fleet_tables
from roadlog.fleet.workers import Run, serial
from roadlog.study.folder import load_study

SAMPLES = Path("sample_logs")
AIR = "mass air flow [g/s]"
ROWS = 420
STUDY = """name = "three invented cars"
synthetic = true
[vehicle]
fuel = "E10"
displacement_l = 1.8
mass_kg = 1310
[device]
acts_on = "intake"
[fleet]
logs = ["cars/*/logs/*.csv"]
schedule = "schedule.csv"
randomised = true
"""


def write_fleet(
    root: Path, vehicles: int = 3, days: int = 8, effect_pct: float = 0.0, seed: int = 1
) -> Path:
    """The first minutes of the sample study's drives out, as so many cars; each burns its own."""
    rng = np.random.default_rng(seed)
    study = load_study(SAMPLES)
    assert study.schedule is not None
    units = [(str(u.unit), u.arm) for u in study.schedule.unit][:days]
    drives = {
        day: pd.read_csv(next((SAMPLES / "logs").glob(f"*{day}*_out.csv"))) for day, _ in units
    }
    for n in range(vehicles):
        folder = root / "cars" / f"car {n}" / "logs"
        folder.mkdir(parents=True)
        for day, arm in units:
            drive = drives[day].head(ROWS)
            air = next(c for c in drive.columns if "mass" in c.lower() or "maf" in c.lower())
            factor = (1 + 0.02 * n) * np.exp(0.01 * rng.standard_normal())
            factor *= 1 + effect_pct / 100 * (arm == "fitted")
            drive = drive.assign(**{air: (drive[air] * factor).round(2)})
            drive.to_csv(folder / f"{day}.csv", index=False)
    lines = [f"car {n},{day},{arm}" for n in range(vehicles) for day, arm in units]
    (root / "schedule.csv").write_text("\n".join(["vehicle,day,arm", *lines, ""]))
    (root / "study.toml").write_text(STUDY)
    return root


def tables_of(root: Path, out: Path, run: Run = serial) -> Tables:
    """The tables of a fleet's folder."""
    fleet = find_fleet(load_study(root), root)
    return fleet_tables(fleet, run, out=out, work=out / "computed")


def frames(tables: Tables) -> list[pd.DataFrame]:
    """All tables of a fleet."""
    return [*tables.passes(), *tables.runs(), tables.left_out]
