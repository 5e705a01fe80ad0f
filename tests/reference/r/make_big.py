"""Write a large pass table as CSV: 80,000 passes, 100 segments, 1,000 runs, 200 switch units.

Goes into big.R (lme4 alone) and into roadlog's own benchmark of the same model, method section 5.
Usage: ``python make_big.py OUT.csv [--seed N]``.
"""

import argparse
from pathlib import Path

import numpy as np
import pandas as pd

SEGMENTS = 100
UNITS = 200
RUNS_PER_UNIT = 5
SEGMENTS_PER_RUN = 80


def big_passes(rng: np.random.Generator) -> pd.DataFrame:
    """Return the table: every run passes 80 of the 100 segments, every unit has one arm."""
    runs = UNITS * RUNS_PER_UNIT
    order = rng.permuted(np.tile(np.arange(SEGMENTS), (runs, 1)), axis=1)
    segment = np.sort(order[:, :SEGMENTS_PER_RUN], axis=1).ravel()
    run = np.repeat(np.arange(runs), SEGMENTS_PER_RUN)
    unit = run // RUNS_PER_UNIT
    first = rng.integers(0, 2, UNITS // 2)
    arm = np.column_stack([first, 1 - first]).ravel()[unit]
    demand = rng.normal(0.0, 1.0, run.size)
    speed = rng.normal(0.0, 1.0, run.size)
    ambient = rng.normal(0.0, 1.0, UNITS)[unit]
    log_fuel = (
        4.2
        + 0.006 * arm
        + 0.06 * demand
        - 0.02 * speed
        - 0.01 * ambient
        + rng.normal(0.0, 0.15, SEGMENTS)[segment]
        + rng.normal(0.0, 0.02, UNITS)[unit]
        + rng.normal(0.0, 0.02, runs)[run]
        + rng.normal(0.0, 0.06, run.size)
    )
    return pd.DataFrame(
        {
            "y": log_fuel.round(7),
            "arm": arm,
            "segment": [f"s{i:03d}" for i in segment],
            "run": [f"r{i:04d}" for i in run],
            "unit": [f"u{i:03d}" for i in unit],
            "demand": demand.round(5),
            "speed": speed.round(5),
            "ambient": ambient.round(5),
        }
    )


def main() -> None:
    """Read the arguments and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seed", type=int, default=20250401)
    arguments = parser.parse_args()
    big_passes(np.random.default_rng(arguments.seed)).to_csv(arguments.out, index=False)


if __name__ == "__main__":
    main()
