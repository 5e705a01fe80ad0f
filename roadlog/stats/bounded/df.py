"""Degrees of freedom for one fixed effect of a bounded mixed fit: Satterthwaite, Kenward-Roger.

Both work from cross-products: with P = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1 and D_i = Z_i Z_i', every
trace that the formulas need follows from Z'V^-1 Z, Z'V^-1 X and X'V^-1 X, and the residual's
D_0 = W^-1 is eliminated through V = sigma^2 W^-1 + sum sigma_i^2 D_i. Components on the boundary
are held at zero.

References
----------
Kenward M.G., Roger J.H. (1997), Small sample inference for fixed effects from restricted maximum
likelihood, Biometrics 53, 983-997.
Fai A.H.-T., Cornelius P.L. (1996), J. Statist. Comput. Simul. 54, 363-378 (Satterthwaite).
Halekoh U., Hojsgaard S. (2014), J. Statist. Software 59(9) (the form with W = 2 IE^-1).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from roadlog.errors import FitError
from roadlog.quantities.arrays import Floats
from roadlog.stats.bounded.model import MixedFit

MAX_LEVELS = 4000


@dataclass(frozen=True)
class DegreesOfFreedom:
    """Degrees of freedom and the standard error that goes with them."""

    df: float
    se: float


@dataclass(frozen=True)
class _Pieces:
    """Inverse-covariance products of the free components, on the response's absolute scale."""

    phi: Floats  # (X'V^-1 X)^-1
    x_d_x: list[Floats]  # X'V^-1 D_i V^-1 X, residual last
    x_d_d_x: list[list[Floats]]  # X'V^-1 D_i V^-1 D_j V^-1 X
    trace_pd: Floats  # tr(P D_i P D_j)
    y_pd: Floats  # y'P D_i P D_j P y


def satterthwaite(fit: MixedFit, name: str) -> DegreesOfFreedom:
    """Satterthwaite degrees of freedom of one coefficient, from the observed information.

    Raises
    ------
    FitError
        If the information matrix of the variances is singular, or there are too many levels.
    """
    pieces = _pieces(fit)
    i = fit.names.index(name)
    information = -pieces.trace_pd + 2 * pieces.y_pd
    gradient = np.array([pieces.phi[i] @ m @ pieces.phi[i] for m in pieces.x_d_x])
    covariance = _invert(information) * 2
    variance = pieces.phi[i, i]
    return DegreesOfFreedom(
        float(2 * variance**2 / (gradient @ covariance @ gradient)), float(np.sqrt(variance))
    )


def kenward_roger(fit: MixedFit, name: str) -> DegreesOfFreedom:
    """Kenward-Roger degrees of freedom and adjusted standard error of one coefficient.

    For a single coefficient the scale factor of the F statistic is 1 and the degrees of freedom
    reduce to 2/A with A = sum W_ij g_i g_j / var^2.

    Raises
    ------
    FitError
        As `satterthwaite`.
    """
    pieces = _pieces(fit)
    i = fit.names.index(name)
    phi = pieces.phi
    w = 2 * _invert(pieces.trace_pd)
    k = len(pieces.x_d_x)
    u = sum(
        w[a, b] * (pieces.x_d_d_x[a][b] - pieces.x_d_x[a] @ phi @ pieces.x_d_x[b])
        for a in range(k)
        for b in range(k)
    )
    adjusted = phi + 2 * phi @ u @ phi
    gradient = np.array([phi[i] @ m @ phi[i] for m in pieces.x_d_x])
    ratio = (gradient @ w @ gradient) / phi[i, i] ** 2
    return DegreesOfFreedom(float(2 / ratio), float(np.sqrt(adjusted[i, i])))


def _invert(information: Floats) -> Floats:
    scale = np.sqrt(np.abs(np.diag(information)))
    if not (scale > 0).all() or np.linalg.cond(information / np.outer(scale, scale)) > 1e12:
        raise FitError(
            "the variance components can't be told apart in these data: drop one of them"
        )
    inverse: Floats = np.linalg.inv(information / np.outer(scale, scale)) / np.outer(scale, scale)
    return inverse


def _pieces(fit: MixedFit) -> _Pieces:
    a = fit.cross_products
    if sum(a.levels) > MAX_LEVELS:
        raise FitError(
            f"{sum(a.levels)} levels are too many for small-sample degrees of freedom "
            f"(at most {MAX_LEVELS}): use the containment rule"
        )
    full, spans = _full_cross_products(fit)
    q, p = sum(a.levels), a.p
    free = [j for j, t in enumerate(fit.theta) if t > 0]
    v = fit.sigma**2
    gamma = np.repeat(fit.theta**2, a.levels)
    keep = np.flatnonzero(gamma > 0)
    inner = full[np.ix_(keep, keep)] + np.diag(1 / gamma[keep])
    t = (full - full[:, keep] @ np.linalg.solve(inner, full[keep])) / v
    zz, zx, xx = t[:q, :q], t[:q, q : q + p], t[q : q + p, q : q + p]
    zy, xy = t[:q, -1], t[q : q + p, -1]
    phi = np.linalg.inv(xx)
    zpz = zz - zx @ phi @ zx.T
    zpy = zy - zx @ phi @ xy
    ypy = t[-1, -1] - xy @ phi @ xy

    s = [fit.variances[j] for j in free]
    span = [spans[j] for j in free]
    k = len(free)
    x_d_x = [zx[r].T @ zx[r] for r in span]
    x_d_d_x = [[zx[r].T @ zz[r, c] @ zx[c] for c in span] for r in span]
    trace1 = np.array([np.trace(zpz[r, r]) for r in span])
    trace2 = np.array([[np.sum(zpz[r, c] ** 2) for c in span] for r in span]).reshape(k, k)
    y1 = np.array([zpy[r] @ zpy[r] for r in span])
    y2 = np.array([[zpy[r] @ zpz[r, c] @ zpy[c] for c in span] for r in span]).reshape(k, k)

    sums = np.array(s)
    x_d_x0 = (xx - sum((s[i] * x_d_x[i] for i in range(k)), np.zeros_like(xx))) / v
    cross0 = [
        (x_d_x[i] - sum((s[j] * x_d_d_x[i][j] for j in range(k)), np.zeros_like(xx))) / v
        for i in range(k)
    ]
    corner = (x_d_x0 - sum((s[i] * cross0[i].T for i in range(k)), np.zeros_like(xx))) / v
    trace1_0 = (a.n - p - sums @ trace1) / v
    trace2_0 = (trace1 - trace2 @ sums) / v
    trace_corner = (trace1_0 - sums @ trace2_0) / v
    y1_0 = (ypy - sums @ y1) / v
    y2_0 = (y1 - y2 @ sums) / v
    y_corner = (y1_0 - sums @ y2_0) / v
    return _Pieces(
        phi=phi,
        x_d_x=[*x_d_x, x_d_x0],
        x_d_d_x=[*[[*x_d_d_x[i], cross0[i]] for i in range(k)], [*[c.T for c in cross0], corner]],
        trace_pd=np.block([[trace2, trace2_0[:, None]], [trace2_0[None, :], trace_corner]]),
        y_pd=np.block([[y2, y2_0[:, None]], [y2_0[None, :], y_corner]]),
    )


def _full_cross_products(fit: MixedFit) -> tuple[Floats, list[slice]]:
    """[Z X y]'W[Z X y] with the factors in the order of `fit.groups`, and each factor's span."""
    a = fit.cross_products
    full = np.block([[np.diag(a.d1), a.a_r1.T], [a.a_r1, a.a_rr]])
    ends = np.concatenate([[0], np.cumsum(a.levels)]).tolist()
    return full, [slice(b, e) for b, e in pairwise(ends)]
