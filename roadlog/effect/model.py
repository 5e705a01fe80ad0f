"""A REML linear mixed model with crossed or nested random intercepts.

In go a response, a fixed-effects matrix, one level code a row for each grouping factor, and
weights; out comes a `MixedFit`. The algebra is that of Bates et al. (2015): with relative
standard deviations theta (Lambda = diag(theta)), weights W and the cross-products
A = [Z X y]'W[Z X y] formed once, each evaluation of the criterion factors

    [ Lambda Z'WZ Lambda + I   .      .    ]   [ L            ] [ L            ]'
    [ X'WZ Lambda            X'WX     .    ] = [ L_XZ  R_X    ] [ L_XZ  R_X    ]
    [ y'WZ Lambda            y'WX   y'Wy   ]   [ l_yZ  l_yX r ] [ l_yZ  l_yX r ]

so that its cost depends on the number of levels and columns, never on the number of rows. The
factor with most levels has a diagonal Z'WZ block and is eliminated first.

This is the bounded fit (variances >= 0). The interval that roadlog prints comes from
`roadlog.effect.primary`, which lets the switch-unit component go below zero.

References
----------
Bates D., Maechler M., Bolker B., Walker S. (2015), Fitting linear mixed-effects models using
lme4, Journal of Statistical Software 67(1), sections 3.1-3.5.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roadlog.errors import FitError

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]

_PENALTY = 1e300


@dataclass(frozen=True)
class CrossProducts:
    """The cross-products A of one design and response, ordered for elimination.

    The first factor (most levels, q1 of them) is kept as the diagonal `d1` of its Z'WZ; all other
    columns (levels of the other factors, then X, then y; r in all) are in `a_r1` (r x q1) and
    `a_rr` (r x r).
    """

    groups: tuple[str, ...]
    levels: tuple[int, ...]
    names: tuple[str, ...]
    d1: Floats
    a_r1: Floats
    a_rr: Floats
    n: int
    log_weights: float

    @property
    def p(self) -> int:
        """Number of fixed-effect columns."""
        return len(self.names)

    @property
    def q_rest(self) -> int:
        """Levels of all factors but the first."""
        return sum(self.levels[1:])


@dataclass(frozen=True)
class MixedFit:
    """A fitted model. Symbols are the paper's; variances are on the response's scale.

    Attributes
    ----------
    names, beta, vcov
        Fixed effects, their estimates (p) and covariance sigma^2 (R_X'R_X)^-1 (p x p).
    groups, theta, variances
        Grouping factors, relative standard deviations, and theta^2 sigma^2.
    sigma : float
        Residual standard deviation at weight 1.
    reml : float
        REML criterion, -2 log restricted likelihood.
    blups : mapping of factor to array
        Conditional means of the random intercepts, by level code.
    boundary : tuple of str
        Factors whose variance is estimated as zero.
    gradient : float
        Largest absolute slope of the criterion in theta at the optimum (projected at the bound).
    """

    names: tuple[str, ...]
    beta: Floats
    vcov: Floats
    groups: tuple[str, ...]
    theta: Floats
    variances: Floats
    sigma: float
    reml: float
    n: int
    blups: Mapping[str, Floats]
    boundary: tuple[str, ...]
    gradient: float
    evaluations: int
    cross_products: CrossProducts

    @property
    def se(self) -> Floats:
        """Standard errors of the fixed effects."""
        return np.sqrt(np.diag(self.vcov))

    def coefficient(self, name: str) -> tuple[float, float]:
        """Estimate and standard error of one fixed effect."""
        i = self.names.index(name)
        return float(self.beta[i]), float(self.se[i])

    def summary(self) -> str:
        """The fit as text: criterion, variance components, fixed effects."""
        lines = [
            f"REML linear mixed model: {self.n} rows, {len(self.names)} fixed effects",
            f"criterion {self.reml:.4f}, {self.evaluations} evaluations, slope {self.gradient:.1e}",
            f"{'component':<16}{'levels':>8}{'variance':>14}{'sd':>12}",
        ]
        for g, q, v in zip(self.groups, self.cross_products.levels, self.variances, strict=True):
            lines.append(f"{g:<16}{q:>8}{v:>14.6g}{v**0.5:>12.6g}")
        lines.append(f"{'residual':<16}{self.n:>8}{self.sigma**2:>14.6g}{self.sigma:>12.6g}")
        lines.append(f"{'fixed effect':<28}{'estimate':>12}{'std. error':>12}")
        for name, b, s in zip(self.names, self.beta, self.se, strict=True):
            lines.append(f"{name:<28}{b:>12.6g}{s:>12.6g}")
        if self.boundary:
            lines.append(f"variance estimated as zero: {', '.join(self.boundary)}")
        return "\n".join(lines)

    def __str__(self) -> str:
        return self.summary()


def cross_products(
    y: ArrayLike,
    x: ArrayLike,
    names: Sequence[str],
    factors: Mapping[str, ArrayLike],
    weights: ArrayLike | None = None,
) -> CrossProducts:
    """Form the cross-products of a design once.

    Parameters
    ----------
    y : (n,) response
    x : (n, p) fixed-effects matrix, full column rank
    names : p names
    factors : name -> (n,) labels or codes; at least one factor
    weights : (n,), optional
        Inverse relative error variances, > 0.

    Raises
    ------
    FitError
        On missing values, a factor with one level, as many levels as rows, or aliased columns
        (named).
    """
    yv = np.asarray(y, dtype=float)
    xm = np.asarray(x, dtype=float).reshape(len(yv), -1)
    w = np.ones(len(yv)) if weights is None else np.asarray(weights, dtype=float)
    _check_numbers(yv, xm, names, w)
    coded = {k: np.unique(np.asarray(v), return_inverse=True) for k, v in factors.items()}
    if not coded:
        raise FitError("a mixed model needs at least one grouping factor: use ordinary regression")
    for k, (labels, _) in coded.items():
        if len(labels) < 2:
            raise FitError(f"grouping factor '{k}' has a single level: leave it out of the model")
        if len(labels) >= len(yv):
            raise FitError(f"grouping factor '{k}' has one row a level: leave it out of the model")
    order = sorted(coded, key=lambda k: -len(coded[k][0]))
    codes = [coded[k][1].reshape(-1) for k in order]
    levels = [len(coded[k][0]) for k in order]

    dense = np.column_stack([xm, yv])
    offsets: list[int] = [0, *np.cumsum(levels[1:]).tolist()]
    q_rest, q1 = offsets[-1], levels[0]
    r = q_rest + dense.shape[1]
    d1 = np.bincount(codes[0], weights=w, minlength=q1).astype(float)
    a_r1 = np.zeros((r, q1))
    a_rr = np.zeros((r, r))
    for j, c in enumerate(codes[1:]):
        rows = slice(offsets[j], offsets[j + 1])
        a_r1[rows] = _crosstab(c, levels[j + 1], codes[0], q1, w)
        for i in range(j + 1):
            columns = slice(offsets[i], offsets[i + 1])
            block = _crosstab(c, levels[j + 1], codes[i + 1], levels[i + 1], w)
            a_rr[rows, columns] = block
            a_rr[columns, rows] = block.T
    for m in range(dense.shape[1]):
        weighted = w * dense[:, m]
        a_r1[q_rest + m] = np.bincount(codes[0], weights=weighted, minlength=q1)
        for j, c in enumerate(codes[1:]):
            sums = np.bincount(c, weights=weighted, minlength=levels[j + 1])
            a_rr[q_rest + m, offsets[j] : offsets[j + 1]] = sums
            a_rr[offsets[j] : offsets[j + 1], q_rest + m] = sums
    a_rr[q_rest:, q_rest:] = (dense * w[:, None]).T @ dense
    _check_rank(a_rr[q_rest : r - 1, q_rest : r - 1], names)
    return CrossProducts(
        groups=tuple(order),
        levels=tuple(levels),
        names=tuple(names),
        d1=d1,
        a_r1=a_r1,
        a_rr=a_rr,
        n=len(yv),
        log_weights=float(np.log(w).sum()),
    )


def fit_mixed(
    y: ArrayLike,
    x: ArrayLike,
    names: Sequence[str],
    factors: Mapping[str, ArrayLike],
    weights: ArrayLike | None = None,
) -> MixedFit:
    """Fit by REML; see `cross_products` for the arguments and `MixedFit` for the result.

    Raises
    ------
    FitError
        If the design is singular, or no optimum could be confirmed.

    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> day = np.repeat(np.arange(8), 5)
    >>> y = rng.normal(size=8)[day] + rng.normal(size=40)
    >>> fit = fit_mixed(y, np.ones((40, 1)), ["mean"], {"day": day})
    >>> fit.groups
    ('day',)
    """
    a = cross_products(y, x, names, factors, weights)
    theta, evaluations = _optimise(a)
    return _finish(a, theta, evaluations)


def reml_criterion(a: CrossProducts, theta: Floats) -> float:
    """-2 log restricted likelihood at `theta`, profiled over beta and sigma (Bates et al. eq. 41).

    `theta` follows the order of `a.groups`.
    """
    log_det_1, chol = _factor(a, theta)
    if chol is None:
        return _PENALTY
    diagonal = np.diag(chol)
    q, p = a.q_rest, a.p
    dof = a.n - p
    log_det = log_det_1 + 2 * float(np.log(diagonal[: q + p]).sum())
    fit_term = dof * (1 + np.log(2 * np.pi * diagonal[-1] ** 2 / dof))
    return float(log_det + fit_term - a.log_weights)


def _factor(a: CrossProducts, theta: Floats) -> tuple[float, Floats | None]:
    """Log determinant of the first block, and the Cholesky factor of all the rest given it."""
    from scipy.linalg import LinAlgError, cholesky

    s = _scales(a, theta)
    shrink = theta[0] ** 2 / (1 + theta[0] ** 2 * a.d1)
    half = a.a_r1 * np.sqrt(shrink)
    rest = (a.a_rr - half @ half.T) * s[:, None] * s[None, :]
    rest[np.arange(a.q_rest), np.arange(a.q_rest)] += 1
    try:
        chol: Floats = cholesky(rest, lower=True, overwrite_a=True, check_finite=False)
    except LinAlgError:
        return 0.0, None
    return float(np.log1p(theta[0] ** 2 * a.d1).sum()), chol


def _scales(a: CrossProducts, theta: Floats) -> Floats:
    """Row scale of the rest: theta for levels of the other factors, 1 for X and y."""
    return np.concatenate([np.repeat(theta[1:], a.levels[1:]), np.ones(a.p + 1)])


def _optimise(a: CrossProducts) -> tuple[Floats, int]:
    """Minimise the criterion over theta >= 0: quasi-Newton descent, then Newton to the bottom."""
    from scipy.optimize import minimize

    count = 0

    def criterion(theta: Floats) -> float:
        nonlocal count
        count += 1
        return reml_criterion(a, np.abs(theta))

    k = len(a.groups)
    best = minimize(
        criterion,
        np.ones(k),
        method="L-BFGS-B",
        bounds=[(0, None)] * k,
        options={"ftol": 1e-12, "gtol": 1e-6, "maxiter": 200},
    )
    theta = np.asarray(best.x, dtype=float)
    for i in range(k):
        at_zero = theta.copy()
        at_zero[i] = 0.0
        if theta[i] < 1e-2 and criterion(at_zero) <= criterion(theta) + 1e-10:
            theta = at_zero
    return _newton(criterion, theta), count


def _newton(criterion: object, theta: Floats, steps: int = 6) -> Floats:
    """Newton steps with central differences on the components that are off the bound."""
    assert callable(criterion)
    free = np.flatnonzero(theta > 0)
    if len(free) == 0:
        return theta
    value = criterion(theta)
    for _ in range(steps):
        h = 1e-4 * np.maximum(theta[free], 1e-2)
        gradient, hessian = _differences(criterion, theta, free, h, value)
        try:
            step = -np.linalg.solve(hessian, gradient)
        except np.linalg.LinAlgError:
            return theta
        moved = theta.copy()
        moved[free] = np.maximum(theta[free] + step, 0.25 * theta[free])
        new = criterion(moved)
        if not new <= value + 1e-9 * max(1.0, abs(value)):
            return theta
        done = np.max(np.abs(moved - theta) / np.maximum(theta, 1e-3)) < 1e-8
        theta, value = moved, new
        if done:
            return theta
    return theta


def _differences(
    f: object, theta: Floats, free: Ints, h: Floats, centre: float
) -> tuple[Floats, Floats]:
    assert callable(f)
    k = len(free)
    basis = np.zeros((k, len(theta)))
    basis[np.arange(k), free] = h
    up = np.array([f(theta + basis[i]) for i in range(k)])
    down = np.array([f(theta - basis[i]) for i in range(k)])
    gradient = (up - down) / (2 * h)
    hessian = np.diag((up - 2 * centre + down) / h**2)
    for i in range(k):
        for j in range(i):
            both = f(theta + basis[i] + basis[j]) + f(theta - basis[i] - basis[j])
            hessian[i, j] = hessian[j, i] = (
                both - up[i] - down[i] - up[j] - down[j] + 2 * centre
            ) / (2 * h[i] * h[j])
    return gradient, hessian


def _finish(a: CrossProducts, theta: Floats, evaluations: int) -> MixedFit:
    from scipy.linalg import solve_triangular

    _, chol = _factor(a, theta)
    if chol is None:
        raise FitError("the model's cross-products are singular: remove aliased columns")
    q, p = a.q_rest, a.p
    sigma = float(chol[-1, -1] / np.sqrt(a.n - p))
    if sigma <= 1e-10 * np.sqrt(a.a_rr[-1, -1] / a.n):
        raise FitError("the fixed effects explain the response exactly: nothing is left to vary")
    r_x = chol[q : q + p, q : q + p]
    beta = solve_triangular(r_x, chol[-1, q : q + p], lower=True, trans=1)
    inverse = solve_triangular(r_x, np.eye(p), lower=True)
    slope = _projected_slope(a, theta)
    if slope > 1e-2:
        raise FitError(
            f"the REML fit did not reach an optimum (slope {slope:.1e}): "
            "drop covariates or pool levels"
        )
    return MixedFit(
        names=a.names,
        beta=beta,
        vcov=sigma**2 * inverse.T @ inverse,
        groups=a.groups,
        theta=theta,
        variances=theta**2 * sigma**2,
        sigma=sigma,
        reml=reml_criterion(a, theta),
        n=a.n,
        blups=_blups(a, theta, chol, beta),
        boundary=tuple(g for g, t in zip(a.groups, theta, strict=True) if t == 0),
        gradient=slope,
        evaluations=evaluations,
        cross_products=a,
    )


def _blups(a: CrossProducts, theta: Floats, chol: Floats, beta: Floats) -> dict[str, Floats]:
    from scipy.linalg import solve_triangular

    q, p = a.q_rest, a.p
    s = _scales(a, theta)[:q]
    right = chol[-1, :q] - chol[q : q + p, :q].T @ beta
    u_rest = solve_triangular(chol[:q, :q], right, lower=True, trans=1) if q else np.zeros(0)
    b_rest = s * u_rest
    residual_1 = a.a_r1[-1] - a.a_r1[q : q + p].T @ beta - a.a_r1[:q].T @ b_rest
    b_first = theta[0] ** 2 * residual_1 / (1 + theta[0] ** 2 * a.d1)
    parts = np.split(b_rest, np.cumsum(a.levels[1:])[:-1]) if q else []
    return dict(zip(a.groups, [b_first, *parts], strict=True))


def _projected_slope(a: CrossProducts, theta: Floats) -> float:
    worst = 0.0
    for i, t in enumerate(theta):
        h = 1e-4 * max(t, 1e-2)
        up, down = theta.copy(), theta.copy()
        up[i] += h
        down[i] = max(t - h, 0.0)
        slope = (reml_criterion(a, up) - reml_criterion(a, down)) / (up[i] - down[i])
        worst = max(worst, abs(slope) if t > 0 else max(0.0, -slope - 1e-2))
    return worst


def _crosstab(rows: Ints, n_rows: int, columns: Ints, n_columns: int, w: Floats) -> Floats:
    flat = np.bincount(rows * n_columns + columns, weights=w, minlength=n_rows * n_columns)
    return flat.reshape(n_rows, n_columns).astype(float)


def _check_numbers(y: Floats, x: Floats, names: Sequence[str], w: Floats) -> None:
    bad = ~np.isfinite(y) | ~np.isfinite(w)
    if bad.any():
        raise FitError(
            f"row {int(np.argmax(bad))} has a missing response or weight: remove such passes first"
        )
    incomplete = ~np.isfinite(x).all(axis=0)
    if incomplete.any():
        raise FitError(
            f"covariate '{names[int(np.argmax(incomplete))]}' has missing values: "
            "drop it, or the passes that lack it"
        )
    if (w <= 0).any():
        raise FitError(f"row {int(np.argmax(w <= 0))} has weight 0 or less: weights are distances")
    if len(y) <= x.shape[1] + 1:
        raise FitError(
            f"{len(y)} passes can't carry {x.shape[1]} fixed effects: drop covariates or add runs"
        )


def _check_rank(xtx: Floats, names: Sequence[str]) -> None:
    """Raise FitError naming the first column that the ones before it determine."""
    aliased = aliased_columns(xtx)
    if aliased:
        raise FitError(
            f"'{names[aliased[0]]}' is determined by the other columns "
            "(constant or aliased): leave it out"
        )


def aliased_columns(xtx: Floats, tolerance: float = 1e-9) -> list[int]:
    """Positions of the columns of X that the columns before them determine, from X'X (p x p)."""
    scale = np.sqrt(np.maximum(np.diag(xtx), 1e-300))
    m = xtx / scale[:, None] / scale[None, :]
    dropped = []
    for i in range(len(m)):
        if m[i, i] <= tolerance:
            dropped.append(i)
            m[i, :] = m[:, i] = 0.0
            continue
        m[i + 1 :, i + 1 :] -= np.outer(m[i + 1 :, i], m[i, i + 1 :]) / m[i, i]
    return dropped
