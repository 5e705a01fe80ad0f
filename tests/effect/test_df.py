"""Kenward-Roger and Satterthwaite against their published formulas, with dense matrices.

Sources: Kenward and Roger (1997), Biometrics 53, 983-997, equations for the adjusted covariance
Phi + 2 Phi [sum W_ij (Q_ij - P_i Phi P_j)] Phi, with V linear in its variances; Fai and Cornelius
(1996), J. Statist. Comput. Simul. 54, 363-378.
"""

import numpy as np
import pytest

from roadlog.stats.bounded.df import kenward_roger, satterthwaite
from roadlog.stats.bounded.model import MixedFit, fit_mixed

NAMES = ["intercept", "arm", "demand"]


@pytest.fixture(scope="module")
def fitted() -> tuple[MixedFit, np.ndarray, np.ndarray, list[np.ndarray]]:
    """Unequal days and runs, unequal weights: nothing is balanced, so that no term vanishes."""
    rng = np.random.default_rng(8)
    sizes = rng.integers(2, 9, 20)
    run = np.repeat(np.arange(20), sizes)
    day = np.array([0, 0, 0, 1, 2, 2, 3, 3, 3, 4, 5, 5, 6, 6, 7, 7, 7, 8, 9, 9])[run]
    n = len(run)
    x = np.column_stack([np.ones(n), np.isin(day, [0, 3, 5, 6, 9]), rng.normal(size=n)])
    weights = rng.uniform(0.5, 2.0, n)
    y = (
        x @ [4.2, -0.03, 0.02]
        + rng.normal(0, 0.05, 10)[day]
        + rng.normal(0, 0.04, 20)[run]
        + rng.normal(0, 0.05, n) / np.sqrt(weights)
    )
    fit = fit_mixed(y, x, NAMES, {"day": day, "run": run}, weights=weights)
    assert fit.boundary == ()
    codes = {"day": day, "run": run}
    parts = []
    for name in fit.groups:
        z = (codes[name][:, None] == np.unique(codes[name])).astype(float)
        parts.append(z @ z.T)
    return fit, x, y, [*parts, np.diag(1 / weights)]


def dense(fitted) -> tuple[np.ndarray, ...]:
    fit, x, _, parts = fitted
    sizes = [*fit.variances, fit.sigma**2]
    inverse = np.linalg.inv(sum(s * d for s, d in zip(sizes, parts, strict=True)))
    phi = np.linalg.inv(x.T @ inverse @ x)
    return inverse, phi, inverse - inverse @ x @ phi @ x.T @ inverse


@pytest.mark.parametrize("name", NAMES)
def test_kenward_roger_is_the_published_adjustment(fitted, name):
    fit, x, _, parts = fitted
    inverse, phi, projection = dense(fitted)
    i = NAMES.index(name)
    information = np.array(
        [[np.trace(projection @ a @ projection @ b) / 2 for b in parts] for a in parts]
    )
    w = np.linalg.inv(information)
    p = [-x.T @ inverse @ d @ inverse @ x for d in parts]
    q = [[x.T @ inverse @ a @ inverse @ b @ inverse @ x for b in parts] for a in parts]
    k = range(len(parts))
    inner = sum(w[a, b] * (q[a][b] - p[a] @ phi @ p[b]) for a in k for b in k)
    adjusted = phi + 2 * phi @ inner @ phi
    gradient = np.array([-(phi @ d @ phi)[i, i] for d in p])
    got = kenward_roger(fit, name)
    assert got.se == pytest.approx(np.sqrt(adjusted[i, i]), rel=1e-6)
    assert got.df == pytest.approx(2 * phi[i, i] ** 2 / (gradient @ w @ gradient), rel=1e-6)
    if name == "arm":
        assert got.se > 1.0003 * np.sqrt(phi[i, i])  # the adjustment is there to be seen


@pytest.mark.parametrize("name", NAMES)
def test_satterthwaite_is_the_delta_method_on_the_observed_information(fitted, name):
    fit, x, y, parts = fitted
    inverse, phi, projection = dense(fitted)
    i = NAMES.index(name)
    observed = np.array(
        [
            [
                -np.trace(projection @ a @ projection @ b) / 2
                + y @ projection @ a @ projection @ b @ projection @ y
                for b in parts
            ]
            for a in parts
        ]
    )
    gradient = np.array([(phi @ x.T @ inverse @ d @ inverse @ x @ phi)[i, i] for d in parts])
    got = satterthwaite(fit, name)
    expected = 2 * phi[i, i] ** 2 / (gradient @ np.linalg.inv(observed) @ gradient)
    assert got.df == pytest.approx(expected, rel=1e-5)
    assert got.se == pytest.approx(np.sqrt(phi[i, i]), rel=1e-8)
