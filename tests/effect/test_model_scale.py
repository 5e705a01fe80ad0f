"""The mixed model on large tables: cost follows levels, not rows.

lme4's figures for the 80,000-pass table: tests/reference/r/big.R with lme4 1.1-31 at its tight
setting (bobyqa, rhoend 1e-10).
"""

import resource
import time

import numpy as np
import pandas as pd
import pytest

from roadlog.stats.bounded.model import MixedFit, fit_mixed
from tests.reference.r.make_big import big_passes

LME4_TIGHT = {
    "reml": -219661.463523162,
    "tau": 0.00589333708066446,
    "se": 0.00299301449679,
    "run": 0.000416931335370814,
    "unit": 0.000355520278916971,
    "segment": 0.020492635666794,
    "residual": 0.00359628854650184,
}


def fit_big(d: pd.DataFrame) -> MixedFit:
    covariates = ["arm", "demand", "speed", "ambient"]
    return fit_mixed(
        d["y"],
        np.column_stack([np.ones(len(d)), d[covariates]]),
        ["intercept", *covariates],
        {g: d[g] for g in ("segment", "run", "unit")},
    )


def fleet(
    rng: np.random.Generator, n: int, runs: int, units: int, segments: int
) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """`n` passes at random over runs, switch units and segments; true effect 0.006."""
    run = np.sort(rng.integers(0, runs, n))
    unit, segment = run % units, rng.integers(0, segments, n)
    arm = rng.permuted(np.arange(units) % 2)[unit].astype(float)
    covariates = rng.normal(size=(n, 2))
    y = (
        4.2
        + 0.006 * arm
        + covariates @ [0.06, -0.02]
        + rng.normal(0, 0.15, segments)[segment]
        + rng.normal(0, 0.02, units)[unit]
        + rng.normal(0, 0.02, runs)[run]
        + rng.normal(0, 0.06, n)
    )
    x = np.column_stack([np.ones(n), arm, covariates])
    return y, x, {"segment": segment, "run": run, "unit": unit}


def test_eighty_thousand_passes_equal_lme4() -> None:
    fit = fit_big(big_passes(np.random.default_rng(20250401)))
    tau, se = fit.coefficient("arm")
    assert fit.reml == pytest.approx(LME4_TIGHT["reml"], rel=1e-12)
    assert tau == pytest.approx(LME4_TIGHT["tau"], rel=1e-6)
    assert se == pytest.approx(LME4_TIGHT["se"], rel=1e-6)
    assert fit.sigma**2 == pytest.approx(LME4_TIGHT["residual"], rel=1e-6)
    for group, variance in zip(fit.groups, fit.variances, strict=True):
        assert variance == pytest.approx(LME4_TIGHT[group], rel=1e-5)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("runs", "units", "segments"), [(4000, 800, 200), (2500, 400, 2100)], ids=["nested", "crossed"]
)
def test_a_million_passes_over_five_thousand_levels(runs: int, units: int, segments: int) -> None:
    y, x, factors = fleet(np.random.default_rng(1), 1_000_000, runs, units, segments)
    began = time.perf_counter()
    fit = fit_mixed(y, x, ["intercept", "arm", "demand", "speed"], factors)
    seconds = time.perf_counter() - began
    tau, se = fit.coefficient("arm")
    assert abs(tau - 0.006) < 4 * se
    assert fit.sigma == pytest.approx(0.06, rel=0.01)
    assert seconds < 60
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 4e6  # kB
