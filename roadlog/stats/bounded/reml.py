"""The criterion of a mixed model, its derivatives, and its minimum over the variances.

In go cross-products; out come the relative variances gamma = theta^2 at which -2 log (restricted)
likelihood is least, with every variance >= 0. With V = W^-1 + sum gamma_j Z_j Z_j' and
P = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1, all that the derivatives need (traces of P Z_j Z_j' and
quadratic forms in P y) follows from one Cholesky factor and two triangular solves, whose cost
depends on the number of levels and columns alone.

The variances s_0 (residual), s_j = gamma_j s_0 are found by scoring: a Newton step with the
expected information while far off, with the observed information once near, halved until the
criterion falls. A component at zero stays there while the criterion's slope is upward.

References
----------
Bates D., Maechler M., Bolker B., Walker S. (2015), J. Stat. Softw. 67(1), section 3.4 (criterion).
Searle S.R., Casella G., McCulloch C.E. (1992), Variance Components, chapter 6 (derivatives).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from roadlog.errors import FitError
from roadlog.quantities.arrays import Floats
from roadlog.stats.bounded.cross_products import CrossProducts

_ITERATIONS = 100
_HALVINGS = 30
_NEAR = 0.1  # squared length of a step, in standard errors, from which observed information serves
_ARRIVED = 1e-13
_SECOND_START_LEVELS = 600
_SMALL = 200


@dataclass(frozen=True)
class Factor:
    """V factored at one gamma.

    With the first factor eliminated (`k` = 1/(1 + gamma_1 d1)), `c` holds [Z_2 X y]'V_1^-1[Z_2 X y]
    and `chol` the lower Cholesky factor of s c s + I, `scale` s being theta for the levels of the
    other factors and 1 for X and y.
    """

    gamma: Floats
    k: Floats
    c: Floats
    scale: Floats
    chol: Floats


@dataclass(frozen=True)
class Derivatives:
    """Slope and curvatures of -2 log likelihood in the variances (s_0, s_1 ... s_k).

    The response is scaled so that the best s_0 is 1; s_j is then gamma_j.
    """

    slope: Floats
    expected: Floats
    observed: Floats


def factor(a: CrossProducts, gamma: Floats) -> Factor | None:
    """Factor V at `gamma`; None where it is not positive definite to working precision."""
    from scipy.linalg import LinAlgError, cholesky

    k = 1 / (1 + gamma[0] * a.d1)
    half = a.a_r1 * np.sqrt(gamma[0] * k)
    c = a.a_rr - half @ half.T
    scale = np.concatenate([np.repeat(np.sqrt(gamma[1:]), a.levels[1:]), np.ones(a.p + 1)])
    scaled = c * scale[:, None] * scale[None, :]
    scaled[np.arange(a.q_rest), np.arange(a.q_rest)] += 1
    try:
        chol: Floats = cholesky(scaled, lower=True, overwrite_a=True, check_finite=False)
    except LinAlgError:
        return None
    return Factor(gamma, k, c, scale, chol) if np.isfinite(chol[-1, -1]) else None


def criterion(a: CrossProducts, f: Factor) -> float:
    """-2 log restricted likelihood, profiled over beta and s_0 (paper's eq. 41)."""
    diagonal = np.diag(f.chol)
    dof = a.n - a.p
    determinants = diagonal[: a.q_rest + a.p]
    log_det = 2 * float(np.log(determinants).sum()) - float(np.log(f.k).sum())
    return float(log_det + dof * (1 + np.log(2 * np.pi * diagonal[-1] ** 2 / dof)) - a.log_weights)


def derivatives(a: CrossProducts, f: Factor) -> Derivatives:
    """Derivatives at a factored gamma, residual variance first."""
    q, m = a.q_rest, a.q_rest + a.p
    lower, l_y, s = f.chol[:m, :m], f.chol[-1, :m], f.scale[:m]
    c_r1 = a.a_r1 * f.k
    h1 = lower_solve(lower, c_r1[:m] * s[:, None])
    h2 = lower_solve(lower, f.c[:m, :q] * s[:, None])
    ends = np.cumsum([0, *a.levels[1:]])
    spans = [slice(b, e) for b, e in pairwise(ends.tolist())]

    u = [c_r1[-1] - h1.T @ l_y]  # Z_j'Py
    u += [f.c[i, -1] - h2[:, i].T @ l_y for i in spans]
    squares = np.array([x @ x for x in u])
    weighted = [h1 @ u[0], *[h2[:, i] @ x for i, x in zip(spans, u[1:], strict=True)]]
    e = a.d1 * f.k
    forms = np.empty((len(u), len(u)))  # y'P Z_i Z_i'P Z_j Z_j'P y
    forms[0, 0] = u[0] @ (e * u[0]) - weighted[0] @ weighted[0]
    for j, i in enumerate(spans, start=1):
        forms[0, j] = forms[j, 0] = u[j] @ (c_r1[i] @ u[0]) - weighted[j] @ weighted[0]
        for g, o in enumerate(spans[:j], start=1):
            forms[j, g] = forms[g, j] = u[j] @ f.c[i, o] @ u[g] - weighted[j] @ weighted[g]

    traces, pairs = _traces(e, c_r1[:q], f.c[:q, :q], h1, h2, spans)
    dof = a.n - a.p
    sigma2 = f.chol[-1, -1] ** 2 / dof
    squares, forms = squares / sigma2, np.asarray(forms / sigma2)
    t, expected = _with_residual(f.gamma, traces, pairs, dof)
    b, quadratic = _with_residual(f.gamma, squares, forms, dof)
    return Derivatives(slope=t - b, expected=expected, observed=2 * quadratic - expected)


def lower_solve(lower: Floats, right: Floats) -> Floats:
    """L^-1 right, for L (m, m) lower triangular.

    While L is small its inverse is used: the triangular routines start threads whatever the size,
    which on a busy machine takes a hundred times as long as the work.
    """
    from scipy.linalg import solve_triangular

    if len(lower) < _SMALL:
        return np.asarray(np.linalg.inv(lower) @ right)
    return np.asarray(solve_triangular(lower, right, lower=True, check_finite=False))


def _traces(
    e: Floats, c_21: Floats, c_22: Floats, h1: Floats, h2: Floats, spans: list[slice]
) -> tuple[Floats, Floats]:
    """tr(P D_j) and tr(P D_i P D_j) of the factors, D_j = Z_j Z_j'."""
    lost = np.einsum("ij,ij->j", h1, h1)
    inner = h1 @ h1.T
    traces = [float((e - lost).sum())]
    pairs = np.empty((len(spans) + 1, len(spans) + 1))
    pairs[0, 0] = e @ e - 2 * e @ lost + np.einsum("ij,ij->", inner, inner)
    if spans:
        zpz_21 = c_21 - h2.T @ h1
        zpz_22 = c_22 - h2.T @ h2
        for j, i in enumerate(spans, start=1):
            traces.append(float(np.trace(zpz_22[i, i])))
            pairs[0, j] = pairs[j, 0] = np.einsum("ij,ij->", zpz_21[i], zpz_21[i])
            for g, o in enumerate(spans[:j], start=1):
                pairs[j, g] = pairs[g, j] = np.einsum("ij,ij->", zpz_22[i, o], zpz_22[i, o])
    return np.array(traces), pairs


def _with_residual(
    gamma: Floats, first: Floats, second: Floats, dof: float
) -> tuple[Floats, Floats]:
    """Prepend the residual's terms, from P V P = P: what the factors leave of the total."""
    k = len(gamma)
    all_first = np.concatenate([[dof - gamma @ first], first])
    all_second = np.empty((k + 1, k + 1))
    all_second[1:, 1:] = second
    all_second[0, 1:] = all_second[1:, 0] = first - second @ gamma
    all_second[0, 0] = all_first[0] - gamma @ all_second[0, 1:]
    return all_first, all_second


@dataclass(frozen=True)
class Minimum:
    """Where the criterion is least: relative variances, value, evaluations, remaining slope.

    `slope` is the largest absolute derivative in the log of a variance (at zero: of a downhill
    direction only).
    """

    gamma: Floats
    value: float
    factor: Factor
    evaluations: int
    slope: float


def minimise(a: CrossProducts) -> Minimum:
    """Least criterion over gamma >= 0, from two starts where the problem is small.

    Raises
    ------
    FitError
        If the cross-products are singular or scoring doesn't arrive.
    """
    starts = [1.0, 0.02] if sum(a.levels) <= _SECOND_START_LEVELS else [1.0]
    found = [_descend(a, np.full(len(a.levels), start)) for start in starts]
    best = min(found, key=lambda m: m.value)
    return Minimum(
        best.gamma, best.value, best.factor, sum(m.evaluations for m in found), best.slope
    )


def _descend(a: CrossProducts, gamma: Floats) -> Minimum:
    f = factor(a, gamma)
    if f is None:
        raise FitError("the model's cross-products are singular: remove aliased columns")
    value, count = criterion(a, f), 1
    for _ in range(_ITERATIONS):
        d = derivatives(a, f)
        s = np.concatenate([[1.0], gamma])
        step, decrement = _newton_step(s, d)
        slope = float(np.max(np.abs(np.where((s == 0) & (d.slope > 0), 0, d.slope)) * s))
        if decrement <= _ARRIVED * max(1.0, 1e-6 * a.n):
            return Minimum(gamma, value, f, count, slope)
        for _ in range(_HALVINGS):
            moved = _relative(s, step)
            trial = factor(a, moved)
            count += 1
            if trial is not None:
                new = criterion(a, trial)
                if new <= value + 1e-11 * max(1.0, abs(value)):
                    break
            step = 0.5 * step
        else:
            if decrement < 1e-8:  # no lower value to be found in working precision
                return Minimum(gamma, value, f, count, slope)
            break
        gamma, value, f = moved, new, trial
    raise FitError(
        f"the fit did not reach an optimum (slope {slope:.1e}): drop covariates or pool levels"
    )


def _relative(s: Floats, step: Floats) -> Floats:
    """gamma after a step in the variances; a residual variance is at most divided by ten."""
    residual = max(1 + step[0], 0.1)
    moved = np.maximum(s[1:] + step[1:], 0) / residual
    return np.where(moved < 1e-14, 0.0, moved)


def _newton_step(s: Floats, d: Derivatives) -> tuple[Floats, float]:
    """Step in the variances that keeps those at zero that would leave the allowed region."""
    step, decrement = _solve(s, d.slope, d.expected)
    if decrement < _NEAR:
        free = step != 0
        observed = d.observed[np.ix_(free, free)]
        if (np.linalg.eigvalsh(observed) > 0).all():
            step, decrement = _solve(s, d.slope, d.observed)
    return step, decrement


def _solve(s: Floats, slope: Floats, information: Floats) -> tuple[Floats, float]:
    held = (s == 0) & (slope >= 0)
    while True:
        free = ~held
        h = information[np.ix_(free, free)]
        size = np.sqrt(np.maximum(np.diag(h), 1e-300))
        h = h / np.outer(size, size)
        h[np.diag_indices_from(h)] += 1e-13
        step = np.zeros_like(s)
        step[free] = -np.linalg.solve(h, slope[free] / size) / size
        leaving = free & (s == 0) & (step < 0)
        if not leaving.any():
            return step, float(-slope @ step)
        held = held | leaving
