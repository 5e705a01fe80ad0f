"""The primary interval: the effect of the arm with the switch unit as the unit of replication.

In go the pass table's response and design; out comes the arm's coefficient with a t interval on
containment degrees of freedom. Every fixed effect but the arm is projected out once, and what is
left is rotated into the small space that runs span (`reduce_design`), where the covariance is

    V = s0 I + s1 C_other + s2 C_unit

with s0 the pass variance, s1 that of the other grouping (runs within switch units, or days over
them) and s2 that of the switch units. Passes outside that space only tell s0. REML is Fisher
scoring in (s0, s1, s2) on this reduced problem, for one response or many at once, so that the
calibration study runs the very code that prints the result.

Where the switch units vary less than their passes and runs imply, a bounded fit ends at s2 = 0 and
its width no longer follows the units. There the between-unit covariance is scaled by phi < 1
instead, which is a negative component proportional to each unit's own sampling variance:

    V = Vo - (1 - phi) Q (Q'Vo^-1 Q)^-1 Q',   Vo = s0 I + s1 C_other,  Q spanning the units,

positive definite for every phi > 0, with phi the weighted between-unit mean square under Vo, in
closed form. In a balanced study both branches are the t interval of the switch-unit means.
Derivation: docs/method.md.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roadlog.errors import FitError

Floats = NDArray[np.floating[Any]]

_RANK_TOLERANCE = 1e-8
_MAX_ITERATIONS = 200


@dataclass(frozen=True)
class Reduced:
    """A design reduced to the space that its runs span, orthogonal to all fixed effects but arm.

    Attributes
    ----------
    fixed_basis : (n, p) orthonormal basis of the whitened fixed effects without the arm
    run_basis : (n, m) orthonormal basis of the whitened run space, orthogonal to `fixed_basis`
    root_weights : (n,) whitening factors
    arm : (m,) the arm's coordinates
    c_other : (m, m) covariance pattern of the other grouping, None without one
    units : (m, n_units) the switch units' coordinates
    unit_basis : (m, q) orthonormal basis of the span of `units`
    n_outside : passes' degrees of freedom outside the run space
    df : containment degrees of freedom: q - 1, less the covariates that vary between units
    """

    fixed_basis: Floats
    run_basis: Floats
    root_weights: Floats
    arm: Floats
    c_other: Floats | None
    units: Floats
    unit_basis: Floats
    n_outside: int
    df: int

    def project(self, y: ArrayLike) -> tuple[Floats, Floats]:
        """Coordinates (B, m) of responses y (n,) or (n, B), and their outside sums of squares."""
        yw = np.atleast_2d(np.asarray(y, dtype=float).T) * self.root_weights
        fixed = yw @ self.fixed_basis
        coordinates = yw @ self.run_basis
        residual = yw - fixed @ self.fixed_basis.T - coordinates @ self.run_basis.T
        return coordinates, np.einsum("bi,bi->b", residual, residual)


@dataclass(frozen=True)
class PrimaryFit:
    """Estimates for B responses.

    `tau`, `se` (B,) on the response's scale; `s` (B, 3) variances of pass, other, unit at weight
    1; `phi` (B,) between-unit scale (1 where s2 > 0); `df` one number; `criterion` (B,) -2 log
    restricted likelihood up to a constant; `converged` (B,) whether the optimum was checked.
    """

    tau: Floats
    se: Floats
    s: Floats
    phi: Floats
    df: int
    criterion: Floats
    converged: NDArray[np.bool_]

    def bounds(self, level: float = 0.95) -> tuple[Floats, Floats]:
        """Lower and upper bounds (B,); NaN where the degrees of freedom are under 2."""
        from scipy.special import stdtrit

        if self.df < 2:
            nothing = np.full_like(self.tau, np.nan)
            return nothing, nothing
        half = stdtrit(self.df, 0.5 + level / 2) * self.se
        return self.tau - half, self.tau + half


def reduce_design(
    fixed: Floats,
    arm: ArrayLike,
    unit: ArrayLike,
    other: ArrayLike | None,
    weights: ArrayLike | None = None,
    df: int | None = None,
) -> Reduced:
    """Project out the fixed effects and rotate into the run space.

    Parameters
    ----------
    fixed : (n, p) every fixed effect but the arm, intercept included; may be rank deficient
    arm : (n,) 1 in the fitted arm, 0 in the baseline
    unit : (n,) switch-unit codes 0..n_units-1
    other : (n,) codes of runs (within units) or of days (over units), or None
    weights : (n,) inverse relative error variances
    df : int, optional
        Containment degrees of freedom; by default the rank of the switch units less one, which
        is right as long as no covariate varies mostly between units.

    Raises
    ------
    FitError
        If the arm is determined by the other columns, or every pass is its own run.
    """
    n = len(fixed)
    root = np.sqrt(np.ones(n) if weights is None else np.asarray(weights, dtype=float))
    basis = orthonormal(fixed * root[:, None])
    z_unit = _indicator(unit) * root[:, None]
    groups = [z_unit] if other is None else [z_unit, _indicator(other) * root[:, None]]
    projected = [z - basis @ (basis.T @ z) for z in groups]
    run_basis = orthonormal(np.hstack(projected))
    a = np.asarray(arm, dtype=float) * root
    arm_left = a - basis @ (basis.T @ a)
    if arm_left @ arm_left <= _RANK_TOLERANCE * max(float(a @ a), 1.0):
        raise FitError(
            "the arm is determined by the other columns (block, segment or covariates): "
            "switch arms within each block, and drive every segment in both arms"
        )
    units = run_basis.T @ projected[0]
    unit_basis = orthonormal(units)
    others = None if other is None else run_basis.T @ projected[1]
    return Reduced(
        fixed_basis=basis,
        run_basis=run_basis,
        root_weights=root,
        arm=run_basis.T @ arm_left,
        c_other=None if others is None else others @ others.T,
        units=units,
        unit_basis=unit_basis,
        n_outside=n - basis.shape[1] - run_basis.shape[1],
        df=unit_basis.shape[1] - 1 if df is None else df,
    )


def fit_primary(reduced: Reduced, y: ArrayLike) -> PrimaryFit:
    """Fit the arm's coefficient for one response (n,) or a batch (n, B).

    Raises
    ------
    FitError
        If nothing is left to tell the pass-to-pass variance.

    >>> import numpy as np
    >>> rng = np.random.default_rng(2)
    >>> unit = np.repeat(np.arange(6), 10)
    >>> arm = (unit % 2).astype(float)
    >>> y = 0.05 * arm + rng.normal(0, 0.01, 60)
    >>> fit = fit_primary(reduce_design(np.ones((60, 1)), arm, unit, None), y)
    >>> fit.df, bool(0.03 < fit.tau[0] < 0.07)
    (4, True)
    """
    if reduced.n_outside < 1:
        raise FitError(
            "there are too few passes for this model: drop covariates or add runs or segments"
        )
    w, sse = reduced.project(y)
    total = np.einsum("bi,bi->b", w, w) + sse
    scale = np.sqrt(np.maximum(total, 1e-300) / len(reduced.fixed_basis))
    w = w / scale[:, None]
    sse = sse / scale**2
    if (sse <= 1e-18).any():
        raise FitError("the fixed effects explain the passes exactly: nothing is left to vary")
    s, value, converged = _scoring(reduced, reduced.arm, w, sse)
    tau, se, phi = _effect(reduced, w, s)
    return PrimaryFit(
        tau=tau * scale,
        se=se * scale,
        s=s * scale[:, None] ** 2,
        phi=phi,
        df=reduced.df,
        criterion=value + (reduced.n_outside + len(reduced.arm) - 1) * 2 * np.log(scale),
        converged=converged,
    )


def _effect(reduced: Reduced, w: Floats, s: Floats) -> tuple[Floats, Floats, Floats]:
    """Generalised least squares for the arm, with the between-unit scale where s2 is zero."""
    inverse = np.linalg.inv(covariance(reduced, s))
    va = inverse @ reduced.arm
    information = va @ reduced.arm
    tau = np.einsum("bi,bi->b", va, w) / information
    phi = np.ones(len(s))
    at_zero = s[:, 2] <= 0
    if at_zero.any():
        q = reduced.unit_basis
        vq = inverse[at_zero] @ q
        vqw = np.einsum("biq,bi->bq", vq, w[at_zero])
        fitted = np.linalg.solve(q.T @ vq, vqw[:, :, None])[:, :, 0]
        between = np.einsum("bq,bq->b", vqw, fitted) - tau[at_zero] ** 2 * information[at_zero]
        phi[at_zero] = np.maximum(between, 0) / max(reduced.df, 1)
    return tau, np.sqrt(phi / information), phi


def null_variances(reduced: Reduced, w: Floats, sse: float) -> Floats:
    """REML variances (3,) of one projected response (m,) under the hypothesis of no effect."""
    s, _, _ = _scoring(reduced, None, w[None, :], np.array([sse]))
    return np.asarray(s[0])


def _scoring(
    reduced: Reduced, arm: Floats | None, w: Floats, sse: Floats
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Projected Fisher scoring with step halving; each row of the batch stops when it is done."""
    batch = len(w)
    free = np.array([True, reduced.c_other is not None, True])
    s = np.zeros((batch, 3))
    s[:, 0] = sse / reduced.n_outside
    value = np.empty(batch)
    converged = np.zeros(batch, dtype=bool)
    active = np.arange(batch)
    value[active], gradient, information = _criterion(reduced, arm, w, sse, s)
    for _ in range(_MAX_ITERATIONS):
        done, step = _step(s[active], gradient, information, free)
        converged[active[done]] = True
        keep = ~done
        active, step, gradient, information = (
            active[keep], step[keep], gradient[keep], information[keep],
        )  # fmt: skip
        if len(active) == 0:
            break
        trial = _project(s[active] + step)
        f, g, h = _criterion(reduced, arm, w[active], sse[active], trial)
        worse = f > value[active] + 1e-10 * np.abs(value[active])
        for _ in range(40):
            if not worse.any():
                break
            step[worse] *= 0.5
            again = active[worse]
            trial[worse] = _project(s[again] + step[worse])
            f[worse], g[worse], h[worse] = _criterion(
                reduced, arm, w[again], sse[again], trial[worse]
            )
            worse[worse] = f[worse] > value[again] + 1e-10 * np.abs(value[again])
        s[active], value[active], gradient, information = trial, f, g, h
    return s, value, converged


def _step(
    s: Floats, gradient: Floats, information: Floats, free: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], Floats]:
    """Which rows are at a checked optimum, and the scoring step of all."""
    bound = (s <= 0) & (gradient >= 0) | ~free
    held = np.where(bound, 0.0, gradient)
    unit = np.maximum(s, 1e-3 * s[:, :1])
    done = np.max(np.abs(held) * unit, axis=1) < 1e-7
    h = information.copy()
    for i in range(3):
        h[bound[:, i], i, :] = 0.0
        h[bound[:, i], :, i] = 0.0
        h[bound[:, i], i, i] = 1.0
    ridge = 1e-12 * np.einsum("bii->bi", h)
    h[:, range(3), range(3)] += ridge
    return done, -np.linalg.solve(h, held[:, :, None])[:, :, 0]


def _project(s: Floats) -> Floats:
    out = np.maximum(s, 0.0)
    out[:, 0] = np.maximum(s[:, 0], 1e-12)
    tiny = out[:, 1:] < 1e-9 * out[:, :1]
    out[:, 1:][tiny] = 0.0
    return out


def covariance(reduced: Reduced, s: Floats) -> Floats:
    """V (B, m, m) of the reduced problem at variances s (B, 3)."""
    m = len(reduced.arm)
    v = s[:, 2, None, None] * (reduced.units @ reduced.units.T)
    if reduced.c_other is not None:
        v = v + s[:, 1, None, None] * reduced.c_other
    v[:, range(m), range(m)] += s[:, :1]
    return np.asarray(v)


def _criterion(
    reduced: Reduced, arm: Floats | None, w: Floats, sse: Floats, s: Floats
) -> tuple[Floats, Floats, Floats]:
    """-2 log restricted likelihood, its gradient (B, 3) and expected information (B, 3, 3)."""
    v = covariance(reduced, s)
    inverse = np.linalg.inv(v)
    _, log_det = np.linalg.slogdet(v)
    p = inverse
    if arm is not None:
        va = inverse @ arm
        information_arm = va @ arm
        log_det = log_det + np.log(information_arm)
        p = inverse - va[:, :, None] * va[:, None, :] / information_arm[:, None, None]
    pw = np.einsum("bij,bj->bi", p, w)
    n, s0 = reduced.n_outside, s[:, 0]
    value = n * np.log(s0) + sse / s0 + log_det + np.einsum("bi,bi->b", w, pw)
    c_unit = reduced.units @ reduced.units.T
    patterns = [None, reduced.c_other, c_unit]
    batch = len(s)
    gradient = np.zeros((batch, 3))
    information = np.zeros((batch, 3, 3))
    products = [p, None if reduced.c_other is None else p @ reduced.c_other, p @ c_unit]
    for i, (pattern, pd) in enumerate(zip(patterns, products, strict=True)):
        if pd is None:
            information[:, i, i] = 1.0
            continue
        dw = pw if pattern is None else pw @ pattern
        gradient[:, i] = np.einsum("bii->b", pd) - np.einsum("bi,bi->b", pw, dw)
        for j in range(i + 1):
            other = products[j]
            if other is not None:
                information[:, i, j] = information[:, j, i] = np.einsum("bij,bji->b", pd, other)
    gradient[:, 0] += n / s0 - sse / s0**2
    information[:, 0, 0] += n / s0**2
    return value, gradient, information


def _indicator(codes: ArrayLike) -> Floats:
    labels, inverse = np.unique(np.asarray(codes), return_inverse=True)
    return np.asarray(np.eye(len(labels))[inverse.reshape(-1)])


def orthonormal(columns: Floats) -> Floats:
    """Orthonormal basis (n, rank) of the columns (n, k), by pivoted QR on scaled columns."""
    from scipy.linalg import qr

    norms = np.linalg.norm(columns, axis=0)
    largest = norms.max(initial=0.0)
    kept = columns[:, norms > _RANK_TOLERANCE * max(largest, 1e-300)]
    if kept.shape[1] == 0:
        return np.zeros((len(columns), 0))
    q, r, _ = qr(kept / np.linalg.norm(kept, axis=0), mode="economic", pivoting=True)
    diagonal = np.abs(np.diag(r))
    return np.asarray(q[:, : int((diagonal > _RANK_TOLERANCE * diagonal[0]).sum())])
