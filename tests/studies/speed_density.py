"""Speed-density with and without the fuel trims, on synthetic cars whose fuel is known.

`python -m tests.studies.speed_density 3` makes three demonstration studies (12 days, other seeds
each), takes fuel from manifold pressure alone, and prints how far the runs scatter about their
true fuel, by whether air metering was logged to fit volumetric efficiency on. Issue 11, section 3.
"""

import json
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.demo import make_study
from roadlog.fuel import calibrate, fuel_flow
from roadlog.ingest import read_log
from roadlog.ingest.timebase import integrate, resample
from roadlog.study.settings import parse_study

CAR = parse_study('[vehicle]\nfuel = "E10"\ndisplacement_l = 1.8\n[device]\nacts_on = "other"\n')
METERED = ("maf_g_s", "absolute_load_pct")


def scatter_pct(runs: Sequence[pd.DataFrame], truth_l: np.ndarray, estimator: str) -> float:
    """Standard deviation of log(computed/true fuel) over the runs [%]."""
    calibration = calibrate(runs[::2], CAR, fitted_samples=runs[1::2])
    grams = [integrate(fuel_flow(r, CAR, estimator, calibration), "fuel_flow_g_s") for r in runs]
    return float(100 * np.std(np.log(np.array(grams) / truth_l), ddof=1))


def main(studies: int) -> None:
    """Print one line a study."""
    print("seed  logged               without trims  with trims")
    for seed in range(1, studies + 1):
        with tempfile.TemporaryDirectory() as folder:
            made = Path(folder) / "study"
            make_study(made, days=12, effect_pct=0, seed=seed)
            told = {
                r["file"]: r["fuel_l"]
                for r in json.loads((made / "truth.json").read_text())["runs"]
            }
            logs = sorted((made / "logs").glob("*.csv"))
            samples = [resample(read_log(f).frame) for f in logs]
        truth = np.array([told[f.name] for f in logs])
        for name, drop in (("with air meter", ()), ("without air meter", METERED)):
            runs = [s.drop(columns=list(drop)) for s in samples]
            plain, trimmed = (
                scatter_pct(runs, truth, e) for e in ("speed-density", "speed-density-trims")
            )
            print(f"{seed:4d}  {name:19s}  {plain:13.2f}  {trimmed:10.2f}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3)
