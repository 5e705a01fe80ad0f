"""Values in order of time in a few unbroken periods: a contrast of the periods' means.

Days within a period aren't independent: what changes slowly is shared by neighbours, and the usual
t interval is far too narrow. The variance of the contrast is taken from the slowest movements
within each period, a few cosines, which hold whatever changes about as slowly as the periods do
(Müller 2007; Lazarus, Lewis, Stock and Watson 2018: equal-weighted cosines). The slowest movements
within periods are still quicker than the contrast is, so that they know a little too little of it:
the critical value is the exact one for neighbouring days that are alike by so much, in place of a t
quantile, which would be exact for independent days (as fixed-smoothing critical values are; Müller
and Watson 2022 for the computation). So much is `ALIKE`, or more where the days themselves say so:
the mean of AR(1) by its restricted likelihood and a prior about `ALIKE`, which ten days hardly move
and thirty do. Chosen so that independent days and days alike by 0.5 are both served:
`python -m tests.studies.periods` has what else was tried.

References
----------
Bakirov N.K., Székely G.J. (2005), Zapiski Nauchnykh Seminarov POMI 328, 5-19 (by the next).
Müller U.K. (2007), J. Econometrics 141, 1331-1352.
Müller U.K., Watson M.W. (2022), Econometrica 90, 2901-2935.
Lazarus E., Lewis D.J., Stock J.H., Watson M.W. (2018), J. Bus. Econ. Stat. 36, 541-559.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from roadlog.quantities.arrays import Floats
from roadlog.stats.interval import satterthwaite

LEAST_COSINES, MOST_COSINES, DAYS_A_COSINE = 2, 8, 7
ALIKE = 0.4  # AR(1) of neighbouring days, the least for which the critical value is exact
PRIOR = (2.0, 3.0)  # beta, of how far neighbouring days are alike: its mean is `ALIKE`
LEAST_OF_INDEPENDENT = 0.6  # of what independent days give, under which no interval goes
LEAST_IN_PERIOD = 4  # values, under which nothing is known of what changes slowly
_LEVEL = 0.95
_NODES = 200
_GRID = np.arange(20) / 20  # of how far neighbouring days are alike


@dataclass(frozen=True)
class PeriodContrast:
    """A contrast of the means of periods.

    `tau` is on the scale of the values; `half` half of the 95 % interval, NaN where a period is too
    short; `df` are degrees of freedom of its variance, `se` the standard error that makes `half`
    with their t quantile; `independent_half` what days independent of each other would give.
    """

    tau: float
    half: float
    se: float
    df: float
    independent_half: float


def contrast_periods(periods: Sequence[Floats], signs: Sequence[float]) -> PeriodContrast:
    """Weigh the periods' means by `signs`, and bound the sum.

    Parameters
    ----------
    periods : sequence of (n,) arrays
        Values of each period in order of time.
    signs : sequence of float
        -1 and 1 for a change; -1/2, 1, -1/2 for what stands between two baselines; 0 for a period
        that only lies between.

    >>> steady = [np.array([0.0, 0.1, 0.0, 0.1]), np.array([1.0, 1.1, 1.0, 1.1])]
    >>> round(contrast_periods(steady, (-1, 1)).tau, 3)
    1.0
    """
    from scipy.special import stdtrit

    tau = sum(s * float(p.mean()) for s, p in zip(signs, periods, strict=True) if len(p))
    nothing = float("nan")
    lengths = tuple(map(len, periods))
    if min(lengths) == 0:
        return PeriodContrast(nothing, nothing, nothing, 0.0, nothing)
    if min(lengths) < LEAST_IN_PERIOD:
        return PeriodContrast(tau, nothing, nothing, 0.0, nothing)
    weight = np.square(np.asarray(signs, dtype=float))
    plain = np.array([p.var(ddof=1) / len(p) for p in periods])
    freedom = np.array([n - 1.0 for n in lengths])
    plain_df = float(satterthwaite(weight * plain, freedom))
    independent = float(stdtrit(plain_df, 0.5 + _LEVEL / 2)) * math.sqrt(float(weight @ plain))
    critical, df = _critical_at(alike(periods), lengths, tuple(map(float, signs)))
    slow = math.sqrt(float(weight @ [_slow_variance(p) for p in periods]))
    half = max(critical * slow, LEAST_OF_INDEPENDENT * independent)
    se = half / float(stdtrit(df, 0.5 + _LEVEL / 2))
    return PeriodContrast(tau, half, se, df, independent)


def cosines(days: int) -> int:
    """How many of the slowest movements count in a period of so many days.

    >>> cosines(4), cosines(20), cosines(30)
    (2, 2, 4)
    """
    return min(max(LEAST_COSINES, days // DAYS_A_COSINE), MOST_COSINES)


def _waves(days: int) -> Floats:
    """(cosines, days), orthonormal."""
    place = (np.arange(days) + 0.5) / days
    turns = np.pi * np.outer(np.arange(1, cosines(days) + 1), place)
    return np.asarray(np.sqrt(2 / days) * np.cos(turns))


def _slow_variance(values: Floats) -> float:
    """Variance of the mean, from the slowest movements of the values."""
    n = len(values)
    return float(np.square(_waves(n) @ values).mean() / n)


def alike(periods: Sequence[Floats]) -> float:
    """How far neighbouring days are taken to be alike: `ALIKE`, or more where they say so.

    Parameters
    ----------
    periods : sequence of (n,) arrays
        Values of each period in order of time, the periods one after the other.

    >>> alike([np.arange(30.0), np.arange(30.0)]) > 0.8
    True
    >>> alike([np.array([0.0, 1.0] * 15), np.array([1.0, 0.0] * 15)])
    0.4
    """
    lengths = tuple(map(len, periods))
    squares, log = _restricted(np.concatenate([p - p.mean() for p in periods]), lengths)
    if not squares.min() > 0:
        return ALIKE
    at = _GRID + 0.5 / len(_GRID)
    log = log - (sum(lengths) - len(lengths)) / 2 * np.log(squares)
    log += (PRIOR[0] - 1) * np.log(at) + (PRIOR[1] - 1) * np.log1p(-at)
    weight = np.exp(log - log.max())
    return max(ALIKE, float(weight @ _GRID / weight.sum()))


def _restricted(values: Floats, lengths: tuple[int, ...]) -> tuple[Floats, Floats]:
    """Of AR(1) at each of `_GRID`, with a mean a period: the values' squares about the means (m,),
    and what of the restricted log likelihood doesn't hang on the values (m,).

    The inverse of AR(1)'s correlations has the same figure all along its diagonal, but for the
    ends, another one beside it, and nothing else.
    """
    of = np.repeat(np.arange(len(lengths)), lengths)
    columns = np.column_stack([values, of[:, None] == np.arange(len(lengths))])
    ends, ar = columns[[0, -1]], _GRID[:, None, None]
    beside = columns[1:].T @ columns[:-1]
    products = (1 + ar**2) * (columns.T @ columns) - ar * (beside + beside.T)
    products = (products - ar**2 * (ends.T @ ends)) / (1 - ar**2)
    means, with_means = products[:, 1:, 1:], products[:, 1:, :1]
    fitted = (with_means * np.linalg.solve(means, with_means)).sum(axis=(1, 2))
    spread = (len(values) - 1) * np.log1p(-(_GRID**2)) + np.linalg.slogdet(means)[1]
    return products[:, 0, 0] - fitted, -spread / 2


def _critical_at(
    alike: float, lengths: tuple[int, ...], signs: tuple[float, ...]
) -> tuple[float, float]:
    """`_critical` between two of `_GRID`."""
    below = min(int(alike * len(_GRID) + 1e-9), len(_GRID) - 2)
    share = alike * len(_GRID) - below
    low, high = (_critical(float(_GRID[i]), lengths, signs) for i in (below, below + 1))
    return low[0] + share * (high[0] - low[0]), low[1] + share * (high[1] - low[1])


@cache
def _critical(
    alike: float, lengths: tuple[int, ...], signs: tuple[float, ...]
) -> tuple[float, float]:
    """By what the root of the slow variance is to be multiplied, and its degrees of freedom.

    Both for days alike by so much, whatever their scatter.
    """
    from scipy.optimize import brentq

    n, starts = sum(lengths), np.cumsum((0, *lengths))
    columns, weights = [np.zeros(n)], [0.0]
    for at, length, sign in zip(starts, lengths, signs, strict=False):
        columns[0][at : at + length] = sign / length
        for wave in _waves(length):
            columns.append(np.zeros(n))
            columns[-1][at : at + length] = wave
            weights.append(sign**2 / length / cosines(length))
    a, w = np.stack(columns), np.asarray(weights)
    day = np.arange(n)
    spread = a @ alike ** np.abs(np.subtract.outer(day, day)) @ a.T
    root = np.linalg.cholesky(spread + 1e-15 * np.trace(spread) * np.eye(len(w)))
    slow = (root.T * w) @ root
    of_mean = np.outer(root[0], root[0])

    def beyond(log_square: float) -> float:
        """How often the contrast lies beyond the bound, less what is wanted."""
        eigen = np.linalg.eigvalsh(of_mean - math.exp(log_square) * slow)
        return _one_beyond_others(float(eigen[-1]), -eigen[:-1]) - (1 - _LEVEL)

    square = math.exp(brentq(beyond, -6.0, 14.0))
    df = float(np.trace(slow) ** 2 / np.sum(slow**2))
    return math.sqrt(square), df


def _one_beyond_others(one: float, others: Floats) -> float:
    """Probability that one squared normal variable times `one` exceeds the sum of independent ones
    times `others` (all of them positive or nothing).

    The finite integral of Bakirov and Székely (2005) as Müller and Watson (2022) write it, with
    the sine as its variable.
    """
    eta = np.clip(others, 0.0, None) / one
    eta = eta[eta > 1e-13]
    node, weight = _nodes()
    angle = (node + 1) * np.pi / 4
    square = np.cos(angle) ** 2
    inside = np.prod(np.sqrt(square[:, None] / (square[:, None] + eta)), axis=1)
    return float(0.5 * weight @ inside)


@cache
def _nodes() -> tuple[Floats, Floats]:
    """Of Gauss and Legendre's rule: they take longer than all that is made of them."""
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    return node, weight
