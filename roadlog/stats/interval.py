"""An estimate with its bounds, what is said of a claim, and the rule between them."""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from roadlog.quantities.arrays import Floats

FindingWord = Literal["refuted", "supported", "undecided"]
Role = Literal["primary", "mixed", "total", "crosscheck", "sensitivity", "unadjusted"]
Obstacle = Literal["no-work", "weak-work", "driving-moved"]


@dataclass(frozen=True)
class Interval:
    """A percent change (or another quantity) with its 95 % bounds, None where none can be given.

    `df` is the degrees of freedom of the t quantile, NaN if not t-based; `method` is one plain
    phrase that says how the bounds were made. `se` and `floor_se` are what a bound on the log scale
    is made of where it may lie on the passes' floor: the larger of t·se and z·floor_se; None where
    the t quantile alone makes it.
    """

    estimate: float
    low: float | None
    high: float | None
    df: float = float("nan")
    method: str = ""
    level: float = 0.95
    se: float | None = None
    floor_se: float | None = None


@dataclass(frozen=True)
class NamedInterval:
    """One row of the forest plot."""

    name: str
    interval: Interval
    role: Role
    note: str = ""


@dataclass(frozen=True)
class Randomisation:
    """Randomisation test of no effect, and its interval by inversion (None if too few orders)."""

    p: float
    low: float | None
    high: float | None
    assignments: int
    exact: bool
    note: str = ""


@dataclass(frozen=True)
class Finding:
    """How effect and claim compare, in plain sentences.

    `margin_pct` is what a firm word had to clear beside the interval [% of fuel], `claim_p` the
    one-sided p of the claim over the orders that chance could have drawn, and `claim_p_of` the
    word that it speaks for; None where there is none. `vetoes` are those reasons that forbid a firm
    word.
    """

    word: FindingWord | None
    reasons: tuple[str, ...]
    margin_pct: float | None = None
    claim_p: float | None = None
    claim_p_of: FindingWord | None = None
    vetoes: tuple[str, ...] = ()


def rule(low: float | None, high: float | None, claim_pct: float) -> FindingWord:
    """The bare rule for bounds [%] against a claimed change of fuel use [%].

    >>> rule(-2.0, 3.0, -10.7), rule(-14.0, -11.0, -10.7), rule(-14.0, -9.0, -10.7)
    ('refuted', 'supported', 'undecided')
    """
    if low is None or high is None:
        return "undecided"
    if low > claim_pct:
        return "refuted"
    return "supported" if high <= claim_pct else "undecided"


def rule_either_way(
    low: float | None, high: float | None, claim: float | None
) -> FindingWord | None:
    """The rule where a claim may be positive: that one is met from above. None without a claim.

    >>> rule_either_way(6.0, 9.0, 5.0), rule_either_way(1.0, 4.0, 5.0), rule_either_way(1, 2, None)
    ('supported', 'refuted', None)
    """
    if claim is None or low is None or high is None:
        return None if claim is None else "undecided"
    return rule(low, high, claim) if claim <= 0 else rule(-high, -low, -claim)


def percent(log_change: float) -> float:
    """Percent change that a log ratio stands for.

    >>> round(percent(0.1), 2)
    10.52
    """
    return float(100 * np.expm1(log_change))


def percent_interval(tau: float, half: float, df: float, method: str) -> Interval:
    """Interval in percent from a log-scale estimate and half-width (NaN: no bounds)."""
    bounded = np.isfinite(half)
    return Interval(
        estimate=percent(tau),
        low=percent(tau - half) if bounded else None,
        high=percent(tau + half) if bounded else None,
        df=df,
        method=method,
    )


def log_half(low: float, high: float) -> float:
    """Half of an interval's width on the log scale, from its ends [%].

    >>> round(log_half(-10.0, 10.0), 4)
    0.1003
    """
    return float(np.log1p(high / 100) - np.log1p(low / 100)) / 2


def p_of(difference: float, half: float, df: float) -> float:
    """Two-sided p of a difference whose 95 % t interval has this half width; NaN without one.

    >>> round(p_of(1.0, 1.0, 8.0), 6)
    0.05
    """
    from scipy.special import stdtr, stdtrit

    if not (half > 0 and df > 0):
        return float("nan")
    return float(2 * stdtr(df, -abs(difference) * float(stdtrit(df, 0.975)) / half))


def satterthwaite(parts: Floats, df: Floats) -> Floats:
    """Degrees of freedom of a sum of independent variances.

    Parameters
    ----------
    parts : (k, ...) variances
    df : (k, ...) theirs

    Returns
    -------
    (...) array
        All of `df` where the variances are nothing.

    References
    ----------
    Satterthwaite F.E. (1946), Biometrics Bulletin 2, 110-114.

    >>> float(satterthwaite(np.array([1.0, 1.0]), np.array([4.0, 4.0])))
    8.0
    """
    whole, squares = parts.sum(axis=0), (parts**2 / df).sum(axis=0)
    found = np.where(whole > 0, whole**2 / np.where(whole > 0, squares, 1.0), df.sum(axis=0))
    return np.asarray(found, dtype=np.float64)


def at_level(interval: Interval, level: float) -> Interval:
    """The same interval [% of fuel] at another confidence; no bounds where level is 1.

    Where it lies on the passes' floor, that floor is normal and grows by the normal quantile.

    >>> i = Interval(0.0, -1.9, 2.0, df=5.0)
    >>> wide = at_level(i, 0.99)
    >>> wide.high > i.high, at_level(i, 0.95) is i
    (True, True)
    """
    from scipy.special import ndtri, stdtrit

    if level == interval.level or interval.low is None or interval.high is None:
        return interval
    if level >= 1:
        return replace(interval, low=None, high=None, level=level)
    tau = np.log1p(interval.estimate / 100)
    half = np.log1p(interval.high / 100) - tau
    upper = 0.5 + level / 2
    if interval.se is not None and interval.floor_se is not None:
        half = max(stdtrit(interval.df, upper) * interval.se, ndtri(upper) * interval.floor_se)
    else:
        half *= stdtrit(interval.df, upper) / stdtrit(interval.df, 0.5 + interval.level / 2)
    return replace(
        interval,
        low=float(100 * np.expm1(tau - half)),
        high=float(100 * np.expm1(tau + half)),
        level=level,
    )
