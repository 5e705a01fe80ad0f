"""A week's load for timing: 20 runs of 40 minutes at 1 Hz with 15 columns, as two piles of CSV.

Made from the synthetic demonstration: each day's drive out and back become one run, followed by
idling until 2,400 rows are full. `python tests/benchmarks/week.py DIR` writes DIR/out and DIR/in
and prints the command to time.
"""

import sys
import tempfile
from pathlib import Path

import pandas as pd

from roadlog.demo import make_study
from roadlog.study.folder import load_study

ROWS = 2400
COLUMNS = [
    "time", "vehicle speed [km/h]", "engine speed [rpm]", "MAF air flow rate [g/s]",
    "fuel system status [-]", "manifold absolute pressure [kPa]", "calculated load [%]",
    "short term fuel trim [%]", "long term fuel trim [%]", "coolant temperature [degC]",
    "intake air temperature [degC]", "ambient air temperature [degC]", "latitude [deg]",
    "longitude [deg]", "altitude [m]",
]  # fmt: skip


def make_week(folder: Path) -> None:
    """Write the two piles."""
    with tempfile.TemporaryDirectory() as scratch:
        source = Path(scratch) / "demo"
        make_study(source, days=20)
        schedule = load_study(source).schedule
        assert schedule is not None
        for unit in schedule.unit:
            legs = sorted((source / "logs").glob(f"*{unit.unit}*.csv"))
            frames = [pd.read_csv(f)[COLUMNS] for f in legs]
            times = [pd.to_datetime(f["time"]) for f in frames]
            gap = times[1].iloc[0] - times[0].iloc[-1] - pd.Timedelta(seconds=1)
            frames[1]["time"] = (times[1] - gap).map(lambda t: t.isoformat(timespec="milliseconds"))
            frames[0]["time"] = times[0].map(lambda t: t.isoformat(timespec="milliseconds"))
            run = pd.concat(frames, ignore_index=True)
            last, start = run.iloc[-1], pd.Timestamp(run["time"].iloc[-1])
            extra = max(0, ROWS - len(run))
            idle = pd.DataFrame([last] * extra)
            idle["time"] = [
                (start + pd.Timedelta(seconds=i + 1)).isoformat(timespec="milliseconds")
                for i in range(extra)
            ]
            pile = folder / ("out" if unit.arm == "baseline" else "in")
            pile.mkdir(parents=True, exist_ok=True)
            whole = pd.concat([run, idle], ignore_index=True).head(ROWS)
            whole.to_csv(pile / f"{unit.unit}.csv", index=False)


if __name__ == "__main__":
    target = Path(sys.argv[1])
    make_week(target)
    print(
        f"/usr/bin/time -v roadlog analyze --baseline {target}/out --fitted {target}/in "
        f"--switched-by day --claim-economy 12 --displacement 1.8 --out {target}/results"
    )
