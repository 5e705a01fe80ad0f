"""What fixed effects leave of switch units: orthonormal bases and the arm's degrees of freedom."""

import numpy as np
from numpy.typing import ArrayLike

from roadlog.quantities.arrays import Floats

_RANK_TOLERANCE = 1e-8
_STANDING = 0.5  # least length that fixed effects leave of a direction which still counts


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
    unit, arm, other : (n,), codes of rows
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
