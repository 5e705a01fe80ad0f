"""Variances of many small samples, each moderated towards what all of them share.

In go the residual sums of squares and degrees of freedom of many vehicles; out comes each one's
variance relative to the common one. A vehicle's own few days tell its scatter badly, and one
figure for all would be wrong where vehicles differ, so each gets the posterior mean under an
inverse gamma distribution fitted to all; where they differ no more than chance makes them, all
get the common one.

References
----------
Smyth G.K. (2004), Linear models and empirical Bayes methods, Stat. Appl. Genet. Mol. Biol. 3(1), 3:
section 6.2, moments of log variances; each weighed by its own precision, as Cochran's Q does.
"""

from dataclasses import dataclass

import numpy as np

from roadlog.quantities.arrays import Floats

_LEAST_SAMPLES = 5
_BY_CHANCE = 2.0  # standard deviations of Q that chance explains
_KURTOSIS = 1.0  # of a log chi-square beyond the normal's, about: 1.2 at 2 degrees, 0.5 at 4
_SMALLEST = 1e-6  # of the pooled variance: what a sample without scatter counts as


@dataclass(frozen=True)
class Moderated:
    """`relative` (n,) variance of each sample over the pooled one, mean 1 weighed by degrees of
    freedom; `prior_df` how many degrees of freedom what they share is worth (infinite: all have
    the same variance)."""

    relative: Floats
    prior_df: float


def moderate(squares: Floats, df: Floats) -> Moderated:
    """Moderate each sample's variance.

    Parameters
    ----------
    squares : (n,) residual sums of squares
    df : (n,) degrees of freedom; samples with none get the common variance

    >>> alike = moderate(np.array([4.1, 3.9, 4.0, 4.2, 3.8, 4.0]), np.full(6, 4.0))
    >>> alike.prior_df, alike.relative.tolist()
    (inf, [1.0, 1.0, 1.0, 1.0, 1.0, 1.0])
    """
    from scipy.special import digamma, polygamma

    own = df > 0
    pooled = float(squares[own].sum() / df[own].sum()) if own.any() else float("nan")
    ones = np.ones(len(df))
    if int(own.sum()) < _LEAST_SAMPLES or not pooled > 0:
        return Moderated(ones, float("inf"))
    half = df[own] / 2
    variance = np.maximum(squares[own] / df[own], _SMALLEST * pooled)
    e = np.log(variance) - digamma(half) + np.log(half)
    n, weight = len(e), 1 / polygamma(1, half)  # of a log variance that chance alone moves
    middle = float(weight @ e) / weight.sum()
    q = float(weight @ (e - middle) ** 2)
    if q - (n - 1) <= _BY_CHANCE * np.sqrt((2 + _KURTOSIS) * (n - 1)):
        return Moderated(ones, float("inf"))
    beyond = (q - (n - 1)) / (weight.sum() - (weight @ weight) / weight.sum())
    prior_df = 2 * _trigamma_inverse(beyond)
    common = float(np.exp(middle + digamma(prior_df / 2) - np.log(prior_df / 2)))
    posterior = (prior_df * common + np.where(own, squares, 0.0)) / (
        prior_df + np.where(own, df, 0.0)
    )
    relative = posterior / (float(posterior[own] @ df[own]) / df[own].sum())
    return Moderated(np.asarray(relative), float(prior_df))


def _trigamma_inverse(x: float) -> float:
    """y with trigamma(y) = x > 0, by Newton's steps on 1/trigamma, which is nearly straight."""
    from scipy.special import polygamma

    y = 0.5 + 1 / x
    for _ in range(50):
        trigamma = float(polygamma(1, y))
        step = trigamma * (1 - trigamma / x) / float(polygamma(2, y))
        y += step
        if -step / y < 1e-10:
            break
    return float(y)
