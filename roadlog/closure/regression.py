"""Fuel measured per tank regressed on what each arm burned: the ratio of the arms with interval.

In go measured amounts, what each arm contributed, and the covariance of the measuring errors; out
come the two coefficients and their ratio. Implements the closure arithmetic of method section 1.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roadlog.quantities.arrays import Floats
from roadlog.stats.interval import Interval

NORMAL_95 = 1.959963984540054
HALVINGS = 30
SMALL = 1e-4  # where a search from zero begins


@dataclass(frozen=True)
class ArmFit:
    """Coefficients of measured on computed amounts: (baseline, fitted), or one for both.

    `covariance` is scaled by `scale` = max(1, chi-square over degrees of freedom) where there is
    at least one degree of freedom; `quantile` is t where there are two or more, else normal with
    the stated errors. `chi2_per_df` is NaN without degrees of freedom.
    """

    coefficients: Floats
    covariance: Floats
    df: int
    chi2_per_df: float
    quantile: float


def tank_covariance(
    litres: Floats, adjoining: NDArray[np.bool_], fill_sd_l: float, share_sd: Floats
) -> Floats:
    """Covariance of full-to-full volumes [L²].

    Parameters
    ----------
    litres : (n,) measured volumes [L]
    adjoining : (n - 1,) whether tank i + 1 starts with the fill that ended tank i
    fill_sd_l : standard deviation of one full level [L]
    share_sd : (n,) independent relative errors of each volume [1]

    Returns
    -------
    (n, n) array
        A level too high at the end of one tank is missing from the next, hence the off-diagonal
        minus one level variance.

    >>> tank_covariance(np.array([40.0, 40.0]), np.array([True]), 0.5, np.zeros(2))
    array([[ 0.5 , -0.25],
           [-0.25,  0.5 ]])
    """
    v = fill_sd_l**2
    covariance = np.diag(2 * v + (share_sd * litres) ** 2)
    i = np.flatnonzero(adjoining)
    covariance[i, i + 1] = covariance[i + 1, i] = -v
    return covariance


def fit_arms(measured: Floats, by_arm: Floats, covariance: Floats) -> ArmFit | None:
    """Generalised least squares of measured (n,) on each arm's share `by_arm` (n, 2) or on all.

    None where the arms can't be told apart: fewer tanks than arms, or the same mix in all.
    """
    from scipy.special import stdtrit

    n, k = by_arm.shape
    if n < k:
        return None
    low = np.linalg.cholesky(covariance)
    x, y = np.linalg.solve(low, by_arm), np.linalg.solve(low, measured)
    if np.linalg.cond(x) > 1e6:
        return None
    information = x.T @ x
    vcov = np.linalg.inv(information)
    beta = vcov @ (x.T @ y)
    df = n - k
    chi2 = float(((y - x @ beta) ** 2).sum())
    per_df = chi2 / df if df else float("nan")
    scale = max(1.0, per_df) if df else 1.0
    quantile = float(stdtrit(df, 0.975)) if df >= 2 else NORMAL_95
    return ArmFit(beta, vcov * scale, df, per_df, quantile)


def scatter_sd(
    measured: Floats, by_arm: Floats, covariance_of: Callable[[float], Floats], least: float
) -> float | None:
    """The size of one error that the tanks themselves show, at least `least`.

    It is the standard deviation at which the tanks scatter about their fit as much as the
    covariance says (chi-square equal to its degrees of freedom).

    Parameters
    ----------
    measured, by_arm : (n,) and (n, k)
        As for `fit_arms`.
    covariance_of : callable
        From the standard deviation to the covariance of the measured amounts; grows with it.
    least : float
        In the unit that `covariance_of` takes.

    Returns
    -------
    float or None
        None under two degrees of freedom: too little to tell a scatter from.

    References
    ----------
    Mandel, J. and Paule, R. C. (1970), Interlaboratory evaluation of a material with unequal
    numbers of replicates, Anal. Chem. 42, 1194 (the same condition for a variance between
    laboratories; from memory).
    """

    def excess(sd: float) -> float | None:
        fit = fit_arms(measured, by_arm, covariance_of(sd))
        return None if fit is None or fit.df < 2 else fit.chi2_per_df - 1

    at_least = excess(least)
    if at_least is None:
        return None
    if at_least <= 0:
        return least
    low, high = least, max(2 * least, SMALL)
    while (excess(high) or 0.0) > 0:
        low, high = high, 2 * high
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if (excess(middle) or 0.0) > 0 else (low, middle)
    return high


def ratio_interval(fit: ArmFit, method: str) -> Interval:
    """Fitted over baseline less one [%], with Fieller's interval; no bounds where that is open.

    References
    ----------
    Fieller, E. C. (1954), Some problems in interval estimation, J. R. Stat. Soc. B 16, 175.
    """
    (b, f), v, q2 = fit.coefficients, fit.covariance, fit.quantile**2
    estimate = 100 * (f / b - 1)
    a2 = b * b - q2 * v[0, 0]
    a1 = b * f - q2 * v[0, 1]
    a0 = f * f - q2 * v[1, 1]
    root = a1 * a1 - a2 * a0
    if a2 <= 0 or root < 0:
        return Interval(float(estimate), None, None, float(fit.df), method)
    ends = (a1 + np.array([-1, 1]) * np.sqrt(root)) / a2
    low, high = 100 * (ends - 1)
    return Interval(float(estimate), float(low), float(high), float(fit.df), method)
