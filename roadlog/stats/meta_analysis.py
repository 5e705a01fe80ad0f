"""Many studies of one change: estimates with standard errors and degrees of freedom in, the mean of
what they are of, how far it differs from study to study, and what the next one may see out.

Random effects, with the standard errors taken as what they are: estimates, each of few degrees of
freedom (docs/pool.md). With infinite degrees of freedom and no pull towards each other the numbers
are those of the usual meta-analysis, and are held to R's metafor by tests/reference.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from roadlog.quantities.arrays import Floats
from roadlog.stats.interval import satterthwaite

LEVEL = 0.95
PRIOR_DF = 4.0  # what all studies say of one's standard error (tests/studies/pool_calibration)
LEAST_AHEAD = 3  # studies, for k - 2 degrees of freedom of a prediction
LEAST_SLANT = 10  # studies, below which a test for slant tells next to nothing (Sterne et al. 2011)
LEAST_SPREAD = 1.5  # largest over smallest standard error: alike, there are no small studies
_HALVINGS = 50
_STEPS = 50  # of the chances of tau² in a prediction
_GRID = 60  # places at which the restricted likelihood is looked at before its maximum is refined


@dataclass(frozen=True)
class Heterogeneity:
    """How far the studies differ more than their own standard errors explain.

    `tau2` is the variance between studies (Paule–Mandel), `low` and `high` its ends by the
    Q-profile; `reml` the same by restricted likelihood. `q` is Cochran's, with `p` on k - 1 degrees
    of freedom; `i2` the share of the variance that lies between studies [0 to 1].
    """

    q: float
    df: int
    p: float
    tau2: float
    low: float
    high: float
    reml: float
    i2: float


@dataclass(frozen=True)
class Mean:
    """The mean of what the studies are of.

    `weights` (k,) add up to 1; `low`, `high` are the interval's ends at `level`; `se` its half
    width over Student's quantile at `df` = k - 1. `wider` tells which of two made it: the
    "spread" between studies or their own "errors".
    """

    mean: float
    low: float
    high: float
    se: float
    df: int
    level: float
    wider: Literal["spread", "errors"]
    tau2: float
    weights: Floats


@dataclass(frozen=True)
class Pooled:
    """The mean with all that stands around it.

    `without` is the mean without the first study, without the second, and so on (none under three
    studies). `ahead` is where the next study's true value may lie, and `ahead_plain` the same if
    tau² were known, both None under three studies. `variances` (k,) are the squared standard errors
    as they were used.
    """

    mean: Mean
    heterogeneity: Heterogeneity
    without: tuple[Mean, ...]
    ahead: tuple[float, float] | None
    ahead_plain: tuple[float, float] | None
    variances: Floats


@dataclass(frozen=True)
class Slant:
    """Egger's regression: how the estimates move with their standard error.

    `slope` is the change of the estimate for each unit of standard error; `p` two-sided on `df`.
    """

    slope: float
    t: float
    df: int
    p: float


def moderated(se: Floats, df: Floats, prior_df: float = PRIOR_DF) -> Floats:
    """Squared standard errors, each pulled towards the typical one as it is itself unsure.

    A standard error of 4 degrees of freedom is off by half as easily as not, and the study that
    was lucky in it would weigh most. Each variance is averaged with the studies' typical variance,
    which counts for `prior_df` degrees of freedom, its own for as many as it has. The typical one
    is the mean on the log scale: a plain mean would let one very inexact study widen all others.

    Parameters
    ----------
    se, df : (k,) arrays
        Infinite `df`: a known standard error, which stays as it is.

    Returns
    -------
    (k,) array

    References
    ----------
    * [1] Smyth (2004), Linear models and empirical Bayes methods, Statistical Applications in
      Genetics and Molecular Biology 3(1), article 3: the same average, and log variances freed of
      their bias by the digamma function. There the prior is estimated from thousands of variances;
      here its degrees of freedom are fixed, 4 standing for standard errors that differ by 40 %.

    >>> moderated(np.array([1.0, 2.0]), np.array([4.0, 4.0])).round(2).tolist()
    [1.81, 3.31]
    """
    from scipy.special import digamma, polygamma

    own = np.asarray(se, dtype=np.float64) ** 2
    known = ~np.isfinite(df)
    if prior_df == 0 or known.all():
        return own
    d = np.where(known, 1.0, df)
    free = (np.log(own) - digamma(d / 2) + np.log(d / 2))[~known]
    weight = 1 / (polygamma(1, d[~known] / 2) + polygamma(1, prior_df / 2))
    typical = float(np.exp(weight @ free / weight.sum()))
    return np.where(known, own, (d * own + prior_df * typical) / (d + prior_df))


def pool(
    y: Floats,
    se: Floats,
    df: Floats,
    *,
    level: float = LEVEL,
    prior_df: float = PRIOR_DF,
) -> Pooled:
    """Combine studies with random effects.

    The weights are 1 / (variance + tau²) with tau² by Paule and Mandel [1]. The interval is that
    of Hartung, Knapp, Sidik and Jonkman [2] [3] with Student's quantile at k - 1 degrees of
    freedom, but never narrower than the studies' own standard errors allow: where few studies
    happen to agree, the former is absurdly narrow [4].

    Parameters
    ----------
    y, se, df : (k,) arrays, k >= 2
        Estimates, their standard errors, and the degrees of freedom of these.
    prior_df : float
        See `moderated`; 0 takes the standard errors as they are.

    Returns
    -------
    Pooled

    Raises
    ------
    ValueError
        With fewer than two studies, or numbers that can't be pooled.

    References
    ----------
    * [1] Paule and Mandel (1982), Consensus values and weighting factors, Journal of Research of
      the National Bureau of Standards 87(5), 377-385.
    * [2] Hartung and Knapp (2001), A refined method for the meta-analysis of controlled clinical
      trials with binary outcome, Statistics in Medicine 20(24), 3875-3889.
    * [3] Sidik and Jonkman (2002), A simple confidence interval for meta-analysis, Statistics in
      Medicine 21(21), 3153-3159.
    * [4] Jackson, Law, Rücker and Schwarzer (2017), The Hartung-Knapp modification for
      random-effects meta-analysis: a useful refinement but are there any residual concerns?,
      Statistics in Medicine 36(25), 3923-3934.
    * [5] Higgins, Thompson and Spiegelhalter (2009), A re-evaluation of random-effects
      meta-analysis, Journal of the Royal Statistical Society A 172(1), 137-159: `ahead_plain`,
      with k - 2 degrees of freedom.

    >>> found = pool(np.array([-1.0, 0.4, 0.9]), np.array([0.5, 0.6, 0.8]), np.array([9.0, 9, 5]))
    >>> print(f"{found.mean.mean:.2f}, {found.mean.low:.2f} to {found.mean.high:.2f}")
    0.03, -2.44 to 2.50
    """
    from scipy.special import stdtrit

    y, se, df = (np.asarray(a, dtype=np.float64) for a in (y, se, df))
    _require_poolable(y, se, df)
    k = len(y)
    v = moderated(se, df, prior_df)
    found = mean_of(y, v, df, level=level)
    ahead = plain = None
    without: list[Mean] = []
    if k >= LEAST_AHEAD:
        half = float(stdtrit(k - 2, 0.5 + level / 2)) * float(np.hypot(found.se, found.tau2**0.5))
        plain = (found.mean - half, found.mean + half)
        half = reach_ahead(found, y, v)
        ahead = (found.mean - half, found.mean + half)
        for i in range(k):
            kept = np.arange(k) != i
            rest = moderated(se[kept], df[kept], prior_df)
            without.append(mean_of(y[kept], rest, df[kept], level=level))
    return Pooled(found, heterogeneity(y, v, level=level), tuple(without), ahead, plain, v)


def mean_of(y: Floats, v: Floats, df: Floats, *, level: float = LEVEL) -> Mean:
    """The mean and its interval, from estimates, their variances and the latter's df (k,)."""
    from scipy.special import stdtrit

    k, upper = len(y), 0.5 + level / 2
    tau2 = paule_mandel(y, v)
    w = 1 / (v + tau2)
    share = w / w.sum()
    mean = float(share @ y)
    t = float(stdtrit(k - 1, upper))
    between = t * float(np.sqrt(share @ (y - mean) ** 2 / (k - 1)))
    # Student's quantile for the variance's own degrees of freedom, as Satterthwaite adds them up
    own_df = min(1 / max(float(share**2 @ (1 / df)), 1e-12), 1e9)
    own = float(stdtrit(own_df, upper)) / float(np.sqrt(w.sum()))
    half = max(between, own)
    return Mean(
        mean=mean,
        low=mean - half,
        high=mean + half,
        se=half / t,
        df=k - 1,
        level=level,
        wider="spread" if between >= own else "errors",
        tau2=tau2,
        weights=share,
    )


def reach_ahead(found: Mean, y: Floats, v: Floats) -> float:
    """How far from the mean the next study's true value may lie, at the mean's level.

    tau² isn't known, and often estimated as 0 where it isn't. So it takes all the values that the
    Q-profile allows, each as likely as chance makes it, and the reach is that of the mixture.

    References
    ----------
    * [1] Nagashima, Noma and Furukawa (2019), Prediction intervals for random-effects
      meta-analysis: a confidence distribution approach, Statistical Methods in Medical Research
      28(6), 1689-1702 (from memory; drawn there at random, here at fixed steps).
    """
    from scipy.optimize import brentq
    from scipy.special import chdtri, stdtr

    chances = (np.arange(_STEPS) + 0.5) / _STEPS
    tau2 = _tau2_where_all(y, v, chdtri(len(y) - 1, chances))
    scale = np.sqrt(tau2 + found.se**2)

    def beyond(reach: float) -> float:
        return float(np.mean(2 * stdtr(found.df, reach / scale) - 1)) - found.level

    high = float(scale.max())
    while beyond(high) < 0:
        high *= 4
    return _root(beyond, high, brentq)


def q_profile(y: Floats, v: Floats, *, level: float = LEVEL) -> tuple[float, float]:
    """Interval of tau², from estimates and their variances (k,), by the generalised Q.

    References
    ----------
    * [1] Viechtbauer (2007), Confidence intervals for the amount of heterogeneity in
      meta-analysis, Statistics in Medicine 26(1), 37-52.
    """
    from scipy.special import chdtri

    low, high = (
        _tau2_where(y, v, float(chdtri(len(y) - 1, p))) for p in (0.5 - level / 2, 0.5 + level / 2)
    )
    return low, high


def heterogeneity(y: Floats, v: Floats, *, level: float = LEVEL) -> Heterogeneity:
    """How far studies differ, from estimates and their variances (k,); tau² by the Q-profile.

    References
    ----------
    * [1] Higgins and Thompson (2002), Quantifying heterogeneity in a meta-analysis, Statistics in
      Medicine 21(11), 1539-1558: I², here with the tau² that is used, as metafor gives it.
    """
    from scipy.special import chdtrc

    k = len(y)
    w = 1 / v
    q = generalised_q(y, v, 0.0)
    tau2 = paule_mandel(y, v)
    typical = (k - 1) * w.sum() / (w.sum() ** 2 - w @ w)
    low, high = q_profile(y, v, level=level)
    return Heterogeneity(
        q=q,
        df=k - 1,
        p=float(chdtrc(k - 1, q)),
        tau2=tau2,
        low=low,
        high=high,
        reml=reml(y, v),
        i2=float(tau2 / (tau2 + typical)),
    )


def generalised_q(y: Floats, v: Floats, tau2: float) -> float:
    """Weighted squares about the weighted mean; with `tau2` = 0, Cochran's Q."""
    w = 1 / (v + tau2)
    return float(w @ (y - w @ y / w.sum()) ** 2)


def paule_mandel(y: Floats, v: Floats) -> float:
    """The tau² at which the weighted squares are what chance makes them, k - 1; at least 0.

    Chosen because it asks for no normal distribution between studies, and because with it the
    factor of Hartung and Knapp is 1 wherever tau² isn't 0.

    >>> paule_mandel(np.array([0.0, 4.0]), np.array([1.0, 1.0]))
    7.0
    """
    return _tau2_where(y, v, len(y) - 1.0)


def reml(y: Floats, v: Floats) -> float:
    """The tau² of the largest restricted likelihood.

    References
    ----------
    * [1] Harville (1977), Maximum likelihood approaches to variance component estimation and to
      related problems, Journal of the American Statistical Association 72, 320-338.
    """
    from scipy.optimize import brentq

    def criterion(tau2: float) -> float:
        w = 1 / (v + tau2)
        return float(np.log(w.sum()) - np.log(w).sum() + generalised_q(y, v, tau2))

    def slope(tau2: float) -> float:
        w = 1 / (v + tau2)
        rest = y - w @ y / w.sum()
        return float(w.sum() - w @ w / w.sum() - w**2 @ rest**2)

    scale = float(np.var(y)) + float(v.max())
    grid = scale * np.concatenate([[0.0], np.geomspace(1e-6, 1e2, _GRID)])
    best = int(np.argmin([criterion(t) for t in grid]))
    left, right = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    if best == 0 and slope(0.0) >= 0:
        return 0.0
    return float(brentq(slope, left, right, xtol=1e-16 * scale, rtol=1e-14))


def slant(y: Floats, se: Floats) -> Slant:
    """Whether studies with large standard errors tell other effects than those with small ones.

    Weighted regression of the estimates on their standard errors with a free scale of scatter.

    References
    ----------
    * [1] Egger, Davey Smith, Schneider and Minder (1997), Bias in meta-analysis detected by a
      simple, graphical test, BMJ 315, 629-634.
    """
    from scipy.special import stdtr

    k = len(y)
    x = np.column_stack([np.ones(k), se]) / se[:, None]
    beta, *_ = np.linalg.lstsq(x, y / se, rcond=None)
    rest = y / se - x @ beta
    error = np.sqrt(np.linalg.inv(x.T @ x)[1, 1] * (rest @ rest) / (k - 2))
    t = float(beta[1] / error)
    return Slant(float(beta[1]), t, k - 2, float(2 * stdtr(k - 2, -abs(t))))


def apart_by(one: Mean, other: Mean) -> tuple[float, float]:
    """How far two pools' means lie apart, and that distance's half width at their level.

    By Student's distribution with the degrees of freedom of Welch and Satterthwaite, since the two
    may scatter unlike.

    References
    ----------
    * [1] Welch (1947), The generalization of "Student's" problem when several different population
      variances are involved, Biometrika 34, 28-35 (from memory).
    """
    from scipy.special import stdtrit

    squares = np.array([one.se**2, other.se**2])
    df = float(satterthwaite(squares, np.array([one.df, other.df])))
    half = float(stdtrit(df, 0.5 + one.level / 2)) * float(np.sqrt(squares.sum()))
    return one.mean - other.mean, half


def chance_so_far_off(y: Floats, v: Floats, df: Floats, without: Sequence[Mean]) -> Floats:
    """How likely chance puts any of the studies as far from all others as each is, (k,).

    Each estimate's distance from the mean without it, over that distance's standard error, by
    Student's distribution, times k for k looks. Its degrees of freedom are the k - 2 of the others'
    scatter; fewer where the study's own variance has few and makes up most of the distance's
    (Welch and Satterthwaite), since many studies of few days would else often hold one that was
    lucky in its own.

    Parameters
    ----------
    y, v, df : (k,) arrays, k >= 3
        Estimates, their variances, and the degrees of freedom of these.
    without : (k,) sequence
        The mean without each.

    References
    ----------
    * [1] Viechtbauer and Cheung (2010), Outlier and influence diagnostics for meta-analysis,
      Research Synthesis Methods 1(2), 112-125: the studentised deleted residual.

    >>> y, v, df = np.array([0.1, -0.2, 0.0, 0.2, 9.0]), np.ones(5), np.full(5, 8.0)
    >>> chance_so_far_off(y, v, df, pool(y, v**0.5, df).without).round(3).tolist()
    [1.0, 1.0, 1.0, 1.0, 0.017]
    """
    from scipy.special import stdtr

    others = np.array([m.tau2 + m.se**2 for m in without])
    whole, rest = v + others, np.full(len(y), len(y) - 2.0)
    freedom = np.minimum(rest, satterthwaite(np.array([v, others]), np.array([df, rest])))
    t = (y - np.array([m.mean for m in without])) / np.sqrt(whole)
    return np.asarray(np.minimum(1.0, 2 * len(y) * stdtr(freedom, -np.abs(t))))


def why_no_slant(se: Floats) -> str:
    """Why a test for slant would tell nothing, as a clause; "" where it may be made.

    References
    ----------
    * [1] Sterne et al. (2011), Recommendations for examining and interpreting funnel plot
      asymmetry in meta-analyses of randomised controlled trials, BMJ 343, d4002.

    >>> why_no_slant(np.ones(4))
    'with 4 studies it would tell next to nothing: it takes at least 10'
    """
    if len(se) < LEAST_SLANT:
        return (
            f"with {len(se)} studies it would tell next to nothing: it takes at least {LEAST_SLANT}"
        )
    if float(np.max(se) / np.min(se)) < LEAST_SPREAD:
        return "all studies are about equally exact, so there are no small ones to compare"
    return ""


def _tau2_where(y: Floats, v: Floats, wanted: float) -> float:
    """The tau² at which the generalised Q, which falls with tau², is `wanted`; at least 0."""
    from scipy.optimize import brentq

    def excess(tau2: float) -> float:
        return generalised_q(y, v, tau2) - wanted

    if excess(0.0) <= 0:
        return 0.0
    high = float(np.var(y)) + float(v.max())
    while excess(high) > 0:
        high *= 4
    return _root(excess, high, brentq)


def _tau2_where_all(y: Floats, v: Floats, wanted: Floats) -> Floats:
    """`_tau2_where` of many at once (n,), by halving."""
    low, high = np.zeros(len(wanted)), np.full(len(wanted), _tau2_where(y, v, float(wanted.min())))
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        w = 1 / (v + middle[:, None])
        rest = y - (w @ y / w.sum(axis=1))[:, None]
        above = (w * rest**2).sum(axis=1) > wanted
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.where(generalised_q(y, v, 0.0) <= wanted, 0.0, high)


def _root(f: Callable[[float], float], high: float, solver: Callable[..., float]) -> float:
    return float(solver(f, 0.0, high, xtol=1e-16 * high, rtol=1e-14))


def _require_poolable(y: Floats, se: Floats, df: Floats) -> None:
    if not len(y) == len(se) == len(df) or len(y) < 2:
        raise ValueError("it takes two studies at least, each with estimate, error and df")
    if not (np.isfinite(y).all() and np.isfinite(se).all() and (se > 0).all() and (df > 0).all()):
        raise ValueError("an estimate or standard error isn't a finite number above zero")
