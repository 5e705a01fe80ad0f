"""Values in order of time in a few unbroken periods: a contrast of the periods' means.

Days within a period aren't independent: what changes slowly is shared by neighbours, and the usual
t interval is far too narrow. The variance of each period's mean is taken from the slowest movements
within it, two cosines each, which hold whatever changes as slowly as the periods do (Müller 2007;
Lazarus, Lewis, Stock and Watson 2018: equal-weighted cosines). It is never taken smaller than that
of independent days.

References
----------
Müller U.K. (2007), J. Econometrics 141, 1331-1352.
Lazarus E., Lewis D.J., Stock J.H., Watson M.W. (2018), J. Bus. Econ. Stat. 36, 541-559.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.quantities.arrays import Floats
from roadlog.stats.interval import satterthwaite

COSINES = 2
LEAST_IN_PERIOD = 4  # values, under which nothing is known of what changes slowly


@dataclass(frozen=True)
class PeriodContrast:
    """A contrast of the means of periods.

    `tau` is on the scale of the values; `half` half of the 95 % interval, NaN where a period is too
    short; `df` of the t quantile that made it, `se` the standard error that goes with it;
    `independent_half` what days independent of each other would give.
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
        -1 and 1 for a change; -1/2, 1, -1/2 for what stands between two baselines.

    >>> steady = [np.array([0.0, 0.1, 0.0, 0.1]), np.array([1.0, 1.1, 1.0, 1.1])]
    >>> round(contrast_periods(steady, (-1, 1)).tau, 3)
    1.0
    """
    from scipy.special import stdtrit

    tau = sum(s * float(p.mean()) for s, p in zip(signs, periods, strict=True) if len(p))
    nothing = float("nan")
    if any(len(p) == 0 for p in periods):
        return PeriodContrast(nothing, nothing, nothing, 0.0, nothing)
    if min(map(len, periods)) < LEAST_IN_PERIOD:
        return PeriodContrast(tau, nothing, nothing, 0.0, nothing)
    weight = np.square(np.asarray(signs, dtype=float))
    slow = float(weight @ [_slow_variance(p) for p in periods])
    plain = np.array([p.var(ddof=1) / len(p) for p in periods])
    freedom = np.array([len(p) - 1.0 for p in periods])
    lengths = np.array([len(p) for p in periods])
    slow_df = float(satterthwaite(weight / lengths, np.full(len(periods), float(COSINES))))
    plain_df = float(satterthwaite(weight * plain, freedom))
    slow_half = float(stdtrit(slow_df, 0.975)) * np.sqrt(slow)
    plain_half = float(stdtrit(plain_df, 0.975)) * np.sqrt(float(weight @ plain))
    if slow_half >= plain_half:
        return PeriodContrast(tau, float(slow_half), float(np.sqrt(slow)), slow_df, plain_half)
    return PeriodContrast(
        tau, plain_half, float(np.sqrt(float(weight @ plain))), plain_df, plain_half
    )


def _slow_variance(values: Floats) -> float:
    """Variance of the mean, from the slowest movements of the values."""
    n = len(values)
    place = (np.arange(n) + 0.5) / n
    waves = np.cos(np.pi * np.outer(np.arange(1, COSINES + 1), place))
    return float(np.square(np.sqrt(2 / n) * waves @ values).mean() / n)
