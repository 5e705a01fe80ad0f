"""A design reduced to the small space that its runs span.

In go fixed effects, arm, switch units and weights; out comes `Reduced`: every fixed effect but the
arm is projected out of the whitened data once, and what is left is rotated into the space spanned
by the runs, where the covariance of docs/method.md section 5 is a small matrix. The containment
degrees of freedom of the arm are counted here too.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roadlog.errors import FitError

Floats = NDArray[np.floating[Any]]

_RANK_TOLERANCE = 1e-8
_STANDING = 0.5  # least length that fixed effects leave of a direction which still counts


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
    unit_basis : (m, q) orthonormal basis of the units' span, within days where days lie over units
    n_outside : passes' degrees of freedom outside the run space
    df : containment degrees of freedom, see `containment_df`
    other_over_units : whether the other grouping lies over the units (days over runs)
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
    other_over_units: bool

    def project(self, y: ArrayLike) -> tuple[Floats, Floats]:
        """Coordinates (B, m) of responses y (n,) or (n, B), and their outside sums of squares."""
        yw = np.atleast_2d(np.asarray(y, dtype=float).T) * self.root_weights
        fixed = yw @ self.fixed_basis
        coordinates = yw @ self.run_basis
        residual = yw - fixed @ self.fixed_basis.T - coordinates @ self.run_basis.T
        return coordinates, np.einsum("bi,bi->b", residual, residual)


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
        Containment degrees of freedom; by default those of `containment_df`, which is right as
        long as no covariate varies mostly between units.

    Raises
    ------
    FitError
        If the arm is determined by the other columns, or every pass is its own run.
    """
    n = len(fixed)
    root = np.sqrt(np.ones(n) if weights is None else np.asarray(weights, dtype=float))
    basis = orthonormal(fixed * root[:, None])
    a = np.asarray(arm, dtype=float) * root
    arm_left = a - basis @ (basis.T @ a)
    if arm_left @ arm_left <= _RANK_TOLERANCE * max(float(a @ a), 1.0):
        raise FitError(
            "the arm is determined by the other columns (block, segment or covariates): "
            "switch arms within each block, and drive every segment in both arms"
        )
    z_unit = _indicator(unit) * root[:, None]
    unit_left = z_unit - basis @ (basis.T @ z_unit)
    other_left = None
    if other is not None:
        z_other = _indicator(other) * root[:, None]
        other_left = z_other - basis @ (basis.T @ z_other)
        if np.linalg.norm(other_left) <= _RANK_TOLERANCE * np.linalg.norm(z_other):
            other_left = None  # blocks already hold it
    run_basis = orthonormal(unit_left if other_left is None else np.hstack([unit_left, other_left]))
    units = run_basis.T @ unit_left
    others = None if other_left is None else run_basis.T @ other_left
    over = None
    if other is not None and others is not None and _lies_over(other, unit):
        over = run_basis.T @ _standing(_indicator(other) * root[:, None], basis)
    return Reduced(
        fixed_basis=basis,
        run_basis=run_basis,
        root_weights=root,
        arm=run_basis.T @ arm_left,
        c_other=None if others is None else others @ others.T,
        units=units,
        unit_basis=_within(units, over),
        n_outside=n - basis.shape[1] - run_basis.shape[1],
        df=containment_df(fixed, unit, arm, other) if df is None else df,
        other_over_units=over is not None,
    )


def containment_df(
    fixed: Floats, unit: ArrayLike, arm: ArrayLike, other: ArrayLike | None = None
) -> int:
    """Degrees of freedom of the arm: switch units less the rank of the unit-level fixed part.

    The unit-level fixed part is the intercept, the arm and the blocks. Where another grouping lies
    over the units (days over runs), each of its levels takes away one more degree of freedom times
    the share of the arm's variation that lies within levels: all of it where both arms are driven
    equally often on every day, almost none where nearly every day saw one run only.

    Parameters
    ----------
    fixed : (n, p) intercept, blocks and segments, but neither arm nor covariates
    unit, arm, other : (n,), as in `reduce_design`
    """
    basis = orthonormal(fixed)
    z = _indicator(unit)
    units = orthonormal(z - basis @ (basis.T @ z))
    df = int(units.shape[1]) - 1
    if other is None or not _lies_over(other, unit):
        return df
    levels = _standing(_indicator(other), basis)
    a = np.asarray(arm, dtype=float)
    left = units @ (units.T @ (a - basis @ (basis.T @ a)))
    if left @ left <= 0:
        return df
    between = levels.T @ left
    share = 1 - float(between @ between) / float(left @ left)
    return int(np.floor(df - share * levels.shape[1] + 1e-6))


def _lies_over(other: ArrayLike, unit: ArrayLike) -> bool:
    """Whether every unit lies in one level of `other`."""
    pairs = {*zip(np.asarray(unit).tolist(), np.asarray(other).tolist(), strict=True)}
    return len(pairs) == len(np.unique(np.asarray(unit)))


def _standing(columns: Floats, basis: Floats) -> Floats:
    """Orthonormal directions (n, k) of the columns' span that fixed effects leave mostly standing.

    A trend over the study takes the days' slow part; the sliver of it that is left says nothing
    about days, so it isn't counted as one of their directions.
    """
    d = orthonormal(columns)
    left, size, _ = np.linalg.svd(d - basis @ (basis.T @ d), full_matrices=False)
    return np.asarray(left[:, size > _STANDING])


def _within(units: Floats, over: Floats | None) -> Floats:
    """Basis of the units' span, less the directions of the grouping over them."""
    basis = orthonormal(units)
    if over is None:
        return basis
    left, size, _ = np.linalg.svd(basis - over @ (over.T @ basis), full_matrices=False)
    return np.asarray(left[:, size > 1e-6])


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
