"""How often the trials' 95 % intervals hold the truth, in simulation with known truth.

Run by hand, `pytest -m slow tests/trials/test_coverage.py -s`; docs/trials.md has the table that it
prints. The quick tests beside it keep a small sample of the same in the ordinary run.
"""

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import pytest

from roadlog.trials.runout import compare_runouts
from roadlog.trials.standing_start import gather_starts, standing_start_result
from tests.trials.synthetic import (
    CAR,
    POWER_KW,
    runout_table,
    runs_table,
    speed_trace,
    start_log,
    true_time,
)

GAIN_PCT = 4.0


@lru_cache(maxsize=4096)
def trace(power_half_permille: int, grade_permille: int):
    """A start at a multiple of the car's power, on a grid so that replicates share traces."""
    power = POWER_KW * np.exp(power_half_permille / 2000)
    return speed_trace(power, grade=grade_permille / 1000)


def truth() -> float:
    """True change of the time from 10 to 100 km/h [log]."""
    gain = round(2000 * np.log1p(GAIN_PCT / 100))
    return float(np.log(true_time(*trace(gain, 0)) / true_time(*trace(0, 0))))


def starts_interval(
    rng: np.random.Generator,
    *,
    units: int,
    interval_s: float,
    unit_sd: float,
    start_sd: float = 0.01,
    whole: bool = True,
    grade: int = 5,
    blocked: bool = False,
) -> tuple[float, float, float]:
    """Estimate and bounds [log time] of one simulated session: four starts a unit, both ways."""
    if blocked:
        arms = [a for _ in range(units // 2) for a in rng.permutation(["baseline", "fitted"])]
    else:
        arms = rng.permutation(["baseline", "fitted"] * (units // 2)).tolist()
    gain = round(2000 * np.log1p(GAIN_PCT / 100)) / 2000
    logs = []
    for i, arm in enumerate(arms):
        day = rng.normal(0, unit_sd) + (0.03 * (i // 2) if blocked else 0.0)
        powers = day + gain * (arm == "fitted") + rng.normal(0, start_sd, 4)
        traces = [
            trace(round(2000 * p), grade if k % 2 == 0 else -grade) for k, p in enumerate(powers)
        ]
        logs.append(
            start_log(
                traces, interval_s=interval_s, whole=whole, headings=[20.0, 200.0] * 2,
                phase_s=rng.uniform(0, interval_s), stale=rng, name=f"log {i}",
            )
        )  # fmt: skip
    blocks = [str(i // 2) for i in range(units)] if blocked else None
    result = standing_start_result(
        gather_starts(
            logs, runs_table([str(a) for a in arms], blocks=blocks), CAR, target_kmh=100.0
        )
    )
    assert result.estimate is not None
    assert result.low is not None
    assert result.high is not None
    e, low, high = (np.log1p(x / 100) for x in (result.estimate, result.low, result.high))
    return float(e), float(low), float(high)


RUNOUT_TRUTH = float(np.log(0.95))


def runout_interval(
    rng: np.random.Generator, *, trials: int, sd: float = 0.01, kind: str = "plain"
) -> tuple[float, float, float]:
    """Estimate and bounds [log fuel] of one simulated set of run-outs."""
    arms = [str(a) for a in rng.permutation(["baseline", "fitted"] * (trials // 2))]
    fuels, loads, hold_up = [300.0] * trials, [1000.0] * trials, 0.0
    if kind == "two volumes":
        arms = ["baseline", "fitted"] * (trials // 2)
        fuels, hold_up = [200.0, 200.0, 400.0, 400.0] * (trials // 4), 40.0
    if kind == "loads apart":
        loads = rng.uniform(800, 1200, trials).tolist()
    if kind == "loads near":
        loads = rng.uniform(960, 1040, trials).tolist()
    table = runout_table(
        rng, arms=arms, fuels_g=fuels, loads_w=loads, hold_up_g=hold_up, effect_pct=-5.0, sd=sd,
        follows=float(rng.normal(0.6, 0.15)) if kind == "loads near" else 0.7,
    )  # fmt: skip
    c = compare_runouts(table, fixed_end_state=hold_up == 0, randomised=True).change
    assert c.low is not None
    assert c.high is not None
    return c.estimate, c.low, c.high


def coverage(
    once: Callable[[np.random.Generator], tuple[float, float, float]], true: float, n: int
) -> tuple[float, float, float]:
    """Share of intervals that hold the truth, bias [%], median width [%]."""
    got = np.array([once(np.random.default_rng([7, k])) for k in range(n)])
    inside = (got[:, 1] <= true) & (true <= got[:, 2])
    bias = 100 * (got[:, 0].mean() - true)
    return float(inside.mean()), bias, float(100 * np.median(got[:, 2] - got[:, 1]))


def test_a_small_sample_of_standing_starts_covers():
    share, bias, _ = coverage(
        lambda r: starts_interval(r, units=6, interval_s=0.25, unit_sd=0.01), truth(), 16
    )
    assert share >= 0.8
    assert abs(bias) < 0.7


def test_a_small_sample_of_run_outs_covers():
    for kind in ("plain", "two volumes", "loads apart", "loads near"):
        share, bias, _ = coverage(
            lambda r, kind=kind: runout_interval(r, trials=8, kind=kind), RUNOUT_TRUTH, 60
        )
        assert share >= 0.86, kind
        assert abs(bias) < 0.4, kind


STARTS = [
    *({"units": u, "interval_s": 0.25, "unit_sd": 0.01} for u in (4, 6, 8, 12)),
    {"units": 8, "interval_s": 0.1, "unit_sd": 0.01},
    {"units": 8, "interval_s": 1.0, "unit_sd": 0.01},
    {"units": 8, "interval_s": 0.25, "unit_sd": 0.0},
    {"units": 8, "interval_s": 0.25, "unit_sd": 0.01, "blocked": True},
]
RUNOUTS = [
    {"trials": t, "kind": k}
    for t in (4, 8, 12, 20)
    for k in ("plain", "two volumes", "loads apart", "loads near")
    if not (t == 4 and k in ("two volumes", "loads apart"))
]


@pytest.mark.slow
@pytest.mark.parametrize("cell", STARTS, ids=str)
def test_standing_start_intervals_cover(cell):
    share, bias, width = coverage(lambda r: starts_interval(r, **cell), truth(), 400)
    print(f"\n| {cell} | {100 * share:.1f} | {bias:+.2f} | {width:.1f} |")
    assert share > 0.92  # 400 replicates pin a share of 95 % to 2.1 points
    assert abs(bias) < 0.5


@pytest.mark.slow
@pytest.mark.parametrize("cell", RUNOUTS, ids=str)
def test_runout_intervals_cover(cell):
    share, bias, width = coverage(lambda r: runout_interval(r, **cell), RUNOUT_TRUTH, 2000)
    print(f"\n| {cell} | {100 * share:.1f} | {bias:+.2f} | {width:.1f} |")
    assert share > 0.93
    assert abs(bias) < 0.2
