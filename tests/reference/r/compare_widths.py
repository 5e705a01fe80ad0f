"""Hold the primary interval's width against R's Kenward-Roger interval, study by study.

Simulates studies of several designs, has widths.R fit them with lme4 and pbkrtest, and prints one
line a design: the median ratio of half-widths over the studies whose R fit has no component at zero
and drew no warning, and how the rest compare. Needs Rscript with lme4, lmerTest and pbkrtest.
Usage: ``python compare_widths.py [--studies N] [--seed N] [--json OUT]``.
"""

import argparse
import json
import subprocess
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.effect.primary import fit_primary
from roadlog.effect.reduction import reduce_design

HERE = Path(__file__).parent
SEGMENTS, RUNS_PER_UNIT = 8, 2
UNIT_SD, RUN_SD, PASS_SD = 0.03, 0.02, 0.06
DESIGNS = [(units, missing) for units in (4, 6, 8, 12) for missing in (0.0, 0.25)]


def study(rng: np.random.Generator, units: int, missing: float) -> pd.DataFrame:
    """Pass table of one study: equally many days in each arm, two runs a day."""
    run = np.repeat(np.arange(units * RUNS_PER_UNIT), SEGMENTS)
    unit = run // RUNS_PER_UNIT
    segment = np.tile(np.arange(SEGMENTS), units * RUNS_PER_UNIT)
    arm = rng.permuted(np.arange(units) % 2)[unit]
    y = (
        4.2
        + rng.normal(0, 0.15, SEGMENTS)[segment]
        + rng.normal(0, UNIT_SD, units)[unit]
        + rng.normal(0, RUN_SD, units * RUNS_PER_UNIT)[run]
        + rng.normal(0, PASS_SD, len(run))
    )
    table = pd.DataFrame(
        {
            "y": y.round(7),
            "arm": arm,
            "segment": [f"s{i}" for i in segment],
            "unit": [f"u{i:02d}" for i in unit],
            "run": [f"r{i:02d}" for i in run],
        }
    )
    return table[rng.random(len(table)) >= missing]


def our_half_width(table: pd.DataFrame) -> float:
    """Half-width of the primary interval of a study."""
    segments = pd.get_dummies(table["segment"], dtype=float).to_numpy()
    reduced = reduce_design(segments, table["arm"], table["unit"], table["run"])
    fit = fit_primary(reduced, table["y"])
    low, high = fit.bounds()
    return float(high[0] - low[0]) / 2


def compare(units: int, missing: float, studies: int, seed: int) -> dict[str, float]:
    """Ratios of half-widths, ours over R's, in one design."""
    rng = np.random.default_rng([seed, units, int(100 * missing)])
    tables = [study(rng, units, missing) for _ in range(studies)]
    with tempfile.TemporaryDirectory() as folder:
        together, out = Path(folder) / "tables.csv", Path(folder) / "widths.csv"
        labelled = [t.assign(study=f"s{i:05d}") for i, t in enumerate(tables)]
        pd.concat(labelled).to_csv(together, index=False)
        command = ["Rscript", str(HERE / "widths.R"), str(together), str(out)]
        subprocess.run([*command, "--fixed", "arm + segment"], check=True)
        theirs = pd.read_csv(out, keep_default_na=True).sort_values("study")
    ratio = np.array([our_half_width(t) for t in tables]) / theirs["half_width_kr"].to_numpy()
    sound = ~theirs["singular"].to_numpy(dtype=bool) & theirs["messages"].isna().to_numpy()
    return {
        "units": units,
        "missing": missing,
        "studies": studies,
        "sound": int(sound.sum()),
        "median_ratio": float(np.nanmedian(ratio[sound])),
        "low_decile": float(np.nanquantile(ratio[sound], 0.1)),
        "high_decile": float(np.nanquantile(ratio[sound], 0.9)),
        "median_ratio_at_bound": float(np.nanmedian(ratio[~sound])),
    }


def main() -> None:
    """Read the arguments, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=120)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    arguments = parser.parse_args()
    rows = []
    for units, missing in DESIGNS:
        rows.append(compare(units, missing, arguments.studies, arguments.seed))
        print(json.dumps(rows[-1]), flush=True)
    if arguments.json:
        arguments.json.write_text(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
