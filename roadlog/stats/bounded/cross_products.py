"""The cross-products that a mixed model needs: formed once from the rows, small ever after.

In go a response, a fixed-effects matrix, one label a row for each grouping factor, and weights;
out comes A = [Z X y]'W[Z X y] of docs/method.md, ordered so that the factor with most levels,
whose block is diagonal, is eliminated first. Faults of the design are named here.

References
----------
Bates D., Maechler M., Bolker B., Walker S. (2015), Fitting linear mixed-effects models using
lme4, Journal of Statistical Software 67(1), section 3.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from roadlog.errors import FitError
from roadlog.quantities.arrays import Floats

Ints = NDArray[np.intp]


@dataclass(frozen=True)
class CrossProducts:
    """The cross-products A of one design and response, ordered for elimination.

    The first factor (most levels, q1 of them) is kept as the diagonal `d1` of its Z'WZ; all other
    columns (levels of the other factors, then X, then y; r in all) are in `a_r1` (r x q1) and
    `a_rr` (r x r). For the sake of precision y is taken about X `centre`, its ordinary regression.
    """

    groups: tuple[str, ...]
    levels: tuple[int, ...]
    names: tuple[str, ...]
    d1: Floats
    a_r1: Floats
    a_rr: Floats
    n: int
    log_weights: float
    centre: Floats

    @property
    def p(self) -> int:
        """Number of fixed-effect columns."""
        return len(self.names)

    @property
    def q_rest(self) -> int:
        """Levels of all factors but the first."""
        return sum(self.levels[1:])


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
    coded = {k: _coded(k, v, len(yv)) for k, v in factors.items()}
    if not coded:
        raise FitError("a mixed model needs at least one grouping factor: use ordinary regression")
    for k, (_, count) in coded.items():
        if count < 2:
            raise FitError(f"grouping factor '{k}' has a single level: leave it out of the model")
        if count >= len(yv):
            raise FitError(f"grouping factor '{k}' has one row a level: leave it out of the model")
    order = sorted(coded, key=lambda k: -coded[k][1])
    codes = [coded[k][0] for k in order]
    levels = [coded[k][1] for k in order]

    xtwx = (xm * w[:, None]).T @ xm
    _check_rank(xtwx, names)
    size = np.sqrt(np.diag(xtwx))
    centre = np.linalg.solve(xtwx / np.outer(size, size), xm.T @ (w * yv) / size) / size
    left = yv - xm @ centre
    if w @ left**2 <= 1e-18 * (w @ yv**2):
        raise FitError("the fixed effects explain the response exactly: nothing is left to vary")
    a_r1, a_rr = _blocks(codes, levels, w, np.column_stack([xm, left]))
    return CrossProducts(
        groups=tuple(order),
        levels=tuple(levels),
        names=tuple(names),
        d1=np.bincount(codes[0], weights=w, minlength=levels[0]).astype(float),
        a_r1=a_r1,
        a_rr=a_rr,
        n=len(yv),
        log_weights=float(np.log(w).sum()),
        centre=centre,
    )


def _blocks(
    codes: Sequence[Ints], levels: Sequence[int], w: Floats, dense: Floats
) -> tuple[Floats, Floats]:
    """Cross-products of all that isn't the first factor, with that factor and with itself."""
    offsets: list[int] = [0, *np.cumsum(levels[1:]).tolist()]
    q_rest, q1 = offsets[-1], levels[0]
    r = q_rest + dense.shape[1]
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
    a_r1[q_rest:] = _sums(codes[0], q1, w, dense)
    for j, c in enumerate(codes[1:]):
        columns = slice(offsets[j], offsets[j + 1])
        a_rr[q_rest:, columns] = _sums(c, levels[j + 1], w, dense)
        a_rr[columns, q_rest:] = a_rr[q_rest:, columns].T
    a_rr[q_rest:, q_rest:] = (dense * w[:, None]).T @ dense
    return a_r1, a_rr


def _coded(name: str, labels: ArrayLike, n: int) -> tuple[Ints, int]:
    """Codes 0..q-1 in the order of the sorted labels, and q."""
    codes, levels = pd.factorize(np.asarray(labels).reshape(-1), sort=True)
    if len(codes) != n:
        raise FitError(f"grouping factor '{name}' has {len(codes)} labels for {n} rows")
    if (codes < 0).any():
        raise FitError(
            f"row {int(np.argmin(codes))} has no '{name}': remove such passes, or name the group"
        )
    return codes, len(levels)


def _sums(codes: Ints, q: int, w: Floats, dense: Floats) -> Floats:
    """Weighted sums of each column of `dense` (n, m) by level: (m, q)."""
    from scipy.sparse import csc_array

    z = csc_array((w, codes, np.arange(len(codes) + 1)), shape=(q, len(codes)))
    return np.asarray(z @ dense).T


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
    return [int(i) for i in np.flatnonzero(pivots(xtx, tolerance) <= tolerance)]


def pivots(xtx: Floats, tolerance: float = 1e-9) -> Floats:
    """Share of each column's squares that the columns before it leave, (p,), from X'X (p x p).

    Columns at or under the tolerance take nothing from those after them.
    """
    scale = np.sqrt(np.maximum(np.diag(xtx), 1e-300))
    m = xtx / scale[:, None] / scale[None, :]
    left = np.empty(len(m))
    for i in range(len(m)):
        left[i] = m[i, i]
        if m[i, i] <= tolerance:
            m[i, :] = m[:, i] = 0.0
            continue
        m[i + 1 :, i + 1 :] -= np.outer(m[i + 1 :, i], m[i, i + 1 :]) / m[i, i]
    return left
