"""Stage two of the effect: one value a switch unit in, the arm's contrast with its interval out.

Weighted least squares of the units' values on what is fixed about them (blocks, or a trend where
chance didn't draw the order) and the arm. The t interval judges by the scatter between units, and
never narrower than the scatter of the passes within them allows (docs/method.md, section 5.2).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.errors import DesignError
from roadlog.quantities.arrays import Floats
from roadlog.stats.reduction import orthonormal

LEAST_DF = 2  # under it there is no interval


@dataclass(frozen=True)
class UnitContrast:
    """The arm's coefficient `tau`, scale of the values, and what its interval is made of.

    `weights` (units,) times the values give tau; `se` comes from the scatter between units at
    `df` degrees of freedom, `floor_se` from the scatter of passes within them (0 if unknown).
    `noise` is tau's variance over that of a unit of weight 1; `residual` (units,) what the fit
    leaves of each value times the root of its weight.
    """

    tau: float
    weights: Floats
    se: float
    df: int
    floor_se: float
    noise: float
    residual: Floats

    @property
    def bounded(self) -> bool:
        """Whether there are enough units for an interval."""
        return self.df >= LEAST_DF

    def half_width(self, level: float = 0.95) -> float:
        """Half of the interval's width at this confidence; NaN where there is none."""
        from scipy.special import ndtri, stdtrit

        if not self.bounded:
            return float("nan")
        upper = 0.5 + level / 2
        return max(float(stdtrit(self.df, upper)) * self.se, float(ndtri(upper)) * self.floor_se)

    @property
    def on_floor(self) -> bool:
        """Whether the passes' scatter, not the units', sets the 95 % width."""
        from scipy.special import stdtrit

        return self.bounded and self.half_width() > float(stdtrit(self.df, 0.975)) * self.se

    def of(self, values: Floats) -> float:
        """The same contrast of other values (units,)."""
        return float(self.weights @ values)


def unit_weights(size: Floats) -> NDArray[np.float64]:
    """What each unit weighs for its size, size/(size + mean size), in (0, 1).

    A short day counts less, but not in proportion: its own scatter from day to day stays.

    >>> unit_weights(np.array([1.0, 3.0])).round(3).tolist()
    [0.333, 0.6]
    """
    return np.asarray(size / (size + size.mean()), dtype=np.float64)


def contrast_units(
    values: Floats,
    arm: NDArray[np.intp],
    fixed: Floats,
    size: Floats | None = None,
    pass_variance: Floats | None = None,
) -> UnitContrast | None:
    """Compare the arms by one value a switch unit.

    Parameters
    ----------
    values : (units,) array
    arm : (units,) array
        0 or 1.
    fixed : (units, k) array
        Columns that take what the arm must not: intercept, blocks, trend, groups of routes.
    size : (units,) array, optional
        Expected fuel of each unit, which `unit_weights` makes its weight.
    pass_variance : (units,) array, optional
        Variance of each value that the passes within the unit imply.

    Returns
    -------
    UnitContrast or None
        None where the fixed columns determine the arm.
    """
    n = len(values)
    w = np.ones(n) if size is None else unit_weights(size)
    root = np.sqrt(w)
    basis = orthonormal(fixed * root[:, None])
    a = root * arm
    left = a - basis @ (basis.T @ a)
    length = float(left @ left)
    if length < 1e-9 * max(float(a @ a), 1e-300):
        return None
    weights = root * left / length
    tau = float(weights @ values)
    rest = root * values - tau * a
    residual = rest - basis @ (basis.T @ rest)
    df = n - basis.shape[1] - 1
    se = float(np.sqrt(residual @ residual / df / length)) if df > 0 else float("nan")
    floor = 0.0
    if pass_variance is not None and np.isfinite(pass_variance).all():
        floor = float(np.sqrt(weights**2 @ pass_variance))
    return UnitContrast(tau, np.asarray(weights), se, df, floor, 1 / length, residual)


def unit_t(
    values: Floats, unit_arm: NDArray[np.intp], fixed: Floats | None
) -> tuple[float, float, float]:
    """Arm difference of one value a switch unit: estimate, 95 % half-width, degrees of freedom.

    Units with a missing value are left out; `fixed` (n, k) is as in
    `contrast_units`, None for the intercept alone. The half-width is NaN under 2 degrees of
    freedom.
    """
    keep = np.isfinite(values)
    columns = np.ones((len(values), 1)) if fixed is None else fixed
    found = contrast_units(values[keep], unit_arm[keep], columns[keep]) if keep.any() else None
    if found is None:
        return float("nan"), float("nan"), 0.0
    return found.tau, found.half_width(), float(max(found.df, 0))


def block_columns(n: int, blocks: Sequence[str] | None) -> Floats:
    """Intercept and indicators of all blocks but the first (n, k)."""
    labels = np.asarray([] if blocks is None else blocks)
    return np.column_stack(
        [np.ones(n), *((labels == b).astype(float) for b in [*dict.fromkeys(labels)][1:])]
    )


def require_replication(rows: pd.DataFrame) -> None:
    """Raise DesignError if each arm has one switch unit (`rows`: columns `arm`, `switch_unit`)."""
    counts = rows.groupby("arm")["switch_unit"].nunique()
    if counts.max() == 1:
        raise DesignError(
            "one switch unit in each arm can't tell the add-on from the day: switch it in and out "
            "again on other days (12 days in an order that chance draws are a good start); if it "
            "was switched daily, say --switched-by day"
        )
