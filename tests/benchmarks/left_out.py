"""CPU time of the effect without each switch unit in turn, against fitting each anew.

`python -m tests.benchmarks.left_out 100 200 400 1000` makes the passes of so many runs (two a day,
34 segments each, a day is a switch unit) and prints seconds; fitting anew is timed on five units
and multiplied.
"""

import sys
import time

import numpy as np

from roadlog.effect.expected_fuel import Terms, fit_expected_fuel
from roadlog.effect.left_out import fitted_anew, without_each_unit

SEGMENTS, TIMED = 34, 5


def passes_of(runs: int) -> Terms:
    """Expected-fuel terms of a study of so many runs."""
    rng = np.random.default_rng(1)
    units = runs // 2
    unit = np.repeat(np.arange(units), 2 * SEGMENTS)
    segment = np.tile(np.arange(SEGMENTS), 2 * units)
    n = len(unit)
    km = np.eye(SEGMENTS)[segment] * rng.uniform(0.9, 1.1, n)[:, None]
    columns = np.column_stack([km, rng.uniform([60, 0, 300, 0], [120, 40, 900, 30], (n, 4))])
    b = np.concatenate([rng.uniform(20, 40, SEGMENTS), [0.15, 0.2, 0.08, 0.3]])
    fuel = columns @ b * np.exp(rng.normal(0, 0.03, n))
    names = (*(f"segment {s}" for s in range(SEGMENTS)), "time", "idle time", "work", "cold")
    return Terms(columns, names, unit, fuel, np.ones(n), np.zeros(n))


if __name__ == "__main__":
    for runs in map(int, sys.argv[1:]):
        fit = fit_expected_fuel(passes_of(runs))
        start = time.process_time()
        anew = sum(o.anew for o in without_each_unit(fit))
        taken = time.process_time() - start
        start = time.process_time()
        for u in range(TIMED):
            fitted_anew(fit, u)
        plain = (time.process_time() - start) / TIMED * fit.terms.units
        print(
            f"{runs:5d} runs, {fit.terms.units} units: {taken:.2f} s ({anew} fitted anew); "
            f"all fitted anew {plain:.1f} s"
        )
