"""How far two cars' days go together: assumed, or from a pilot of both cars.

Fuel over expected fuel of both cars by day goes in; the correlation of the days about their
straight lines comes out with its interval, what a second car would make of the interval of a study
that chance switches, and draws of what the pilot leaves possible. A pilot of a few days says
little, and everything made of it says so.

References
----------
Roy S.N., Potthoff R.F. (1958), Ann. Math. Stat. 29, 829-841; Pitman E.J.G. (1939), Biometrika 31,
9-12; Morgan W.A. (1939), Biometrika 31, 13-19 (from memory; checked as the next).
Berger J.O., Sun D. (2008), Ann. Stat. 36, 963-982: draws of a covariance's root from that of the
data, whose intervals for the correlation hold as often as they say (from memory; checked by
simulation in tests/plan/test_together.py).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.errors import DesignError
from roadlog.quantities.arrays import Floats

LEAST_DAYS = 4  # of both cars
DRAWS = 4000
SEED = 1


@dataclass(frozen=True)
class Together:
    """How far two cars' days go together.

    `correlation` is of the days about their straight lines; `low`, `high` its 95 % interval (None
    for an assumption). `gain` is the scatter of the two cars' difference over that of the test
    car, `gain_low`, `gain_high` its interval. `days` are the pilot's. `root` is the lower root of
    the covariance [log of fuel use], `df` its degrees of freedom, None for an assumption that is
    known.
    """

    correlation: float
    root: tuple[tuple[float, float], tuple[float, float]]
    df: float | None
    low: float | None = None
    high: float | None = None
    gain: float = math.nan
    gain_low: float = math.nan
    gain_high: float = math.nan
    days: int | None = None

    def drawn(self, rng: np.random.Generator) -> Floats:
        """(2, 2) A lower root of the covariance of test and control car, as it may be."""
        root = np.array(self.root)
        if self.df is None:
            return root
        if self.days is None:  # one car's scatter from a pilot, the other's assumed alike
            return root * math.sqrt(self.df / rng.chisquare(self.df))
        return np.asarray(root @ _inverse_roots(rng, self.df, 1)[0] * math.sqrt(self.df))


def assumed(correlation: float, unit_sd: float, df: float | None) -> Together:
    """Two cars of one scatter whose days go together by so much; `df` of the scatter.

    >>> round(assumed(0.5, 0.02, None).gain, 2)
    1.0
    """
    r = correlation
    root = ((unit_sd, 0.0), (r * unit_sd, unit_sd * math.sqrt(1 - r**2)))
    return Together(r, root, df, gain=math.sqrt(2 * (1 - r)))


def measured(test_pct: Sequence[float], control_pct: Sequence[float]) -> Together:
    """What a pilot of both cars says.

    Parameters
    ----------
    test_pct, control_pct : (n,) sequences
        Fuel over expected fuel of each day that both cars drove, in order of time [%].

    Raises
    ------
    DesignError
        If there are too few days, or a car's days don't scatter at all.
    """
    n = len(test_pct)
    if n < LEAST_DAYS:
        raise DesignError(
            f"both cars drove on {n} day{'s' * (n != 1)} of the pilot only, too few to tell how "
            f"far their days go together: log {LEAST_DAYS} days or more of both, eight are better"
        )
    y = np.column_stack([test_pct, control_pct]) / 100
    x = np.column_stack([np.ones(n), np.arange(n)])
    rest = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    products, df = rest.T @ rest, float(n - 2)
    if not (np.diag(products) > 1e-12).all():
        raise DesignError("a car's days of the pilot agree to the last digit, as no road test does")
    size = np.sqrt(np.diag(products))
    r = float(np.clip(products[0, 1] / (size[0] * size[1]), -1 + 1e-9, 1 - 1e-9))
    products[0, 1] = products[1, 0] = r * size[0] * size[1]
    root = np.linalg.cholesky(products / df)
    rng = np.random.default_rng(SEED)
    drawn = root @ _inverse_roots(rng, df, DRAWS) * math.sqrt(df)
    every = drawn @ np.swapaxes(drawn, 1, 2)
    scale = np.sqrt(every[:, 0, 0] * every[:, 1, 1])
    ends = np.quantile(every[:, 0, 1] / scale, (0.025, 0.975))
    gain, low, high = _gain(products, df)
    return Together(
        correlation=r,
        root=((float(root[0, 0]), 0.0), (float(root[1, 0]), float(root[1, 1]))),
        df=df,
        low=float(ends[0]),
        high=float(ends[1]),
        gain=gain,
        gain_low=low,
        gain_high=high,
        days=n,
    )


def _gain(products: Floats, df: float) -> tuple[float, float, float]:
    """Scatter of test car less control car over the test car's, and its 95 % interval.

    Two variances of one bivariate normal variable are as 1 to `ratio` where their sum and
    difference, so scaled, don't correlate (Pitman and Morgan 1939; Roy and Potthoff 1958).
    """
    from scipy.special import stdtrit

    test, both = float(products[0, 0]), float(products[0, 1])
    apart = test + float(products[1, 1]) - 2 * both
    alike = (test - both) ** 2 / (test * apart)
    bound = 1 + 2 * (1 - alike) * float(stdtrit(df - 1, 0.975)) ** 2 / (df - 1)
    far = bound + math.sqrt(bound**2 - 1)
    gain = math.sqrt(apart / test)
    return gain, gain / math.sqrt(far), gain * math.sqrt(far)


def _inverse_roots(rng: np.random.Generator, df: float, count: int) -> Floats:
    """(count, 2, 2) Inverses of the lower roots of Wishart matrices (Bartlett)."""
    first, second = np.sqrt(rng.chisquare(df, count)), np.sqrt(rng.chisquare(df - 1, count))
    out = np.zeros((count, 2, 2))
    out[:, 0, 0], out[:, 1, 1] = 1 / first, 1 / second
    out[:, 1, 0] = -rng.standard_normal(count) / (first * second)
    return out
