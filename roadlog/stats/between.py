"""Many contrasts of one kind, each with its noise: their mean, their spread, the next one.

In go one contrast a vehicle, its noise up to a common factor, and the residual squares that tell
that factor; out come the mean with its interval, the spread between vehicles with its own, the
range that the next vehicle's effect lies in, and each vehicle's own effect shrunken to the mean.
With t_v the contrast of vehicle v and q_v its relative noise,

    t_v = beta + b_v + e_v,   b_v ~ N(0, tau2),   e_v ~ N(0, sigma2 q_v)

gamma = tau2/sigma2 minimises the restricted likelihood of contrasts and residuals together, which
is that of the whole mixed model with a vehicle's own level fixed (docs/fleet.md). Everything works
on sums over vehicles; nothing is dense in their number.

References
----------
Hartung J., Knapp G. (2001), Statistics in Medicine 20, 3875-3889: the mean's interval, `se`.
Bell R.M., McCaffrey D.F. (2002), Survey Methodology 28, 169-181: the same where noises are unlike,
`robust`. The weights of Knapp and Hartung's are taken as right; where gamma comes out at zero by
chance, they are far from it, and six to ten unlike vehicles held 93 % instead of 95. With equal
noise both are the t interval of the values.
Viechtbauer W. (2007), Statistics in Medicine 26, 37-52: the spread's interval from generalised Q.
Nagashima K., Noma H., Furukawa T.A. (2019), Stat. Methods Med. Res. 28, 1689-1702: the next one
from the confidence distribution of the spread, here with that of sigma2 too, and with room for
tails: effects aren't known to be normal, and a sample variance says less where they aren't (its
own variance, Cramer H. (1946), Mathematical Methods of Statistics, section 27.4).
Joanes D.N., Gill C.A. (1998), The Statistician 47, 183-189: the kurtosis of a sample.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from roadlog.errors import FitError
from roadlog.quantities.arrays import Floats

LEAST_VEHICLES = 3  # under it there is no interval
_GRID = 480
_COARSE = 60
_REACH = (1e-5, 1e7)  # of gamma, over the middle noise
_NODES = (15, 64)  # of sigma2, of the generalised Q
_FEW_NODES = (5, 12)
_MANY = 2_000
_CHUNK = 500
_KURTOSIS = 1.2  # beyond the normal's that effects are given room for: t on nine degrees of freedom
_LEAST_FOR_TAILS = 5  # vehicles; with fewer the spread is open enough
_TELL_TAILS = 20  # vehicles from which on their own kurtosis counts, where it is more
_ALONE = 1e-12  # of the weights: what is left beside a vehicle that has them all
_CELLS = 200_000  # of vehicles and gammas, at once
_HALVINGS = 32


@dataclass(frozen=True)
class Between:
    """The fit. `values`, `noise` (n,) are t and q; `weights` (n,) sum to 1 and give `mean`.

    `gamma` is tau2/sigma2 of the restricted likelihood. `se` is Knapp and Hartung's (the scatter
    that the vehicles show), `model_se` the model's own, `df` n - 1; `robust` see there.
    """

    values: Floats
    noise: Floats
    squares: float
    noise_df: float
    gamma: float
    sigma2: float
    mean: float
    weights: Floats
    se: float
    model_se: float
    df: float

    @property
    def tau2(self) -> float:
        """Variance of the effect between vehicles."""
        return self.gamma * self.sigma2

    def reading_sd(self, se: float) -> float:
        """Standard deviation of what one more vehicle of the middle noise reads, about a mean whose
        error is `se`."""
        return float(np.sqrt(self.tau2 + self.sigma2 * float(np.median(self.noise)) + se**2))

    @cached_property
    def robust(self) -> tuple[float, float]:
        """Standard error of the mean and its degrees of freedom, by Bell and McCaffrey.

        Each vehicle's squared residual counts with its own weight, made unbiased under the model;
        the degrees of freedom are Satterthwaite's under it.
        """
        h, variance = self.weights, self.gamma + self.noise
        d = h**2 / np.maximum(1 - h, _ALONE)
        se = float(np.sqrt(d @ (self.values - self.mean) ** 2))
        mean_variance = 1 / float((1 / variance).sum())
        own = d * (variance - mean_variance)
        twice = own @ own + ((d.sum()) ** 2 - d @ d) * mean_variance**2
        return se, float(own.sum() ** 2 / twice)

    @cached_property
    def kurtosis(self) -> float:
        """Kurtosis beyond the normal's that the effects are given room for: that of the vehicles
        themselves where they are many and show more (G2, Joanes and Gill 1998)."""
        n = len(self.values)
        if n < _TELL_TAILS:
            return _KURTOSIS if n >= _LEAST_FOR_TAILS else 0.0
        r = (self.values - self.mean) / np.sqrt(self.gamma + self.noise)
        r -= r.mean()
        g2 = np.mean(r**4) / np.mean(r**2) ** 2 - 3
        return max(_KURTOSIS, float((n - 1) / ((n - 2) * (n - 3)) * ((n + 1) * g2 + 6)))

    @cached_property
    def draws(self) -> "Fiducial":
        """What the data leave open of spread, noise and mean."""
        return fiducial(self)


@dataclass(frozen=True)
class Fiducial:
    """Equally likely triples of spread, noise and mean (m,), with the mean's own variance (m,)."""

    tau2: Floats
    sigma2: Floats
    mean: Floats
    mean_variance: Floats

    def about(self, mean: float, se: float, df: float) -> "Fiducial":
        """The same spread and noise about a mean whose error is known to `df` degrees."""
        from scipy.special import chdtri

        m = len(self.tau2)
        variance = se**2 * df / chdtri(df, (unrelated(m) + 0.5) / m)
        return replace(self, mean=np.full(m, mean), mean_variance=np.asarray(variance))

    def spread(self, level: float = 0.95) -> tuple[float, float]:
        """Interval of the spread's standard deviation."""
        ends = np.quantile(np.sqrt(self.tau2), [0.5 - level / 2, 0.5 + level / 2])
        return float(ends[0]), float(ends[1])

    def next_one(self, level: float = 0.95, more: float = 0.0) -> tuple[float, float]:
        """Interval of the next vehicle's own effect; `more` is further variance of the mean."""
        sd = np.sqrt(self.tau2 + self.mean_variance + more)
        low, high = _mixture_ends(self.mean[:, None], sd[:, None], level)
        return float(low[0]), float(high[0])

    def shrunken(
        self, values: Floats, noise: Floats, level: float = 0.95
    ) -> tuple[Floats, Floats, Floats]:
        """Each vehicle's own effect: mean, low, high (n,)."""
        middle, low, high = (np.empty(len(values)) for _ in range(3))
        for start in range(0, len(values), _CHUNK):
            part = slice(start, start + _CHUNK)
            own = self.sigma2[:, None] * noise[None, part]
            kept = own / (own + self.tau2[:, None])  # of the mean
            at = kept * self.mean[:, None] + (1 - kept) * values[None, part]
            sd = np.sqrt(kept * self.tau2[:, None] + kept**2 * self.mean_variance[:, None])
            middle[part] = at.mean(axis=0)
            low[part], high[part] = _mixture_ends(at, sd, level)
        return middle, low, high


def fit_between(values: Floats, noise: Floats, squares: float, noise_df: float) -> Between:
    """Fit mean and spread by restricted likelihood.

    Parameters
    ----------
    values : (n,) contrasts, in an order that doesn't depend on the input's
    noise : (n,) their variances over sigma2, positive
    squares, noise_df : float
        Residual sum of squares within vehicles, sigma2 times a chi-square of `noise_df`.

    Raises
    ------
    FitError
        If there are fewer than two values, or nothing tells the noise.

    >>> found = fit_between(np.array([0.0, 1.0, 2.0]), np.full(3, 0.5), 8.0, 8.0)
    >>> round(found.mean, 6), round(found.tau2, 6), round(found.se, 4)
    (1.0, 0.5, 0.5774)
    """
    n = len(values)
    if n < 2:
        raise FitError("one vehicle's contrast has no spread between vehicles")
    if not (noise_df > 0 and squares > 0):
        raise FitError(
            "no vehicle has switch units to spare, so nothing tells their scatter from the effect: "
            "switch each vehicle more often"
        )
    gamma = _least(values, noise, squares, noise_df)
    weights, mean, left = _at(gamma, values, noise)
    sigma2 = (squares + left) / (noise_df + n - 1)
    total = float((1 / (gamma + noise)).sum())
    se = np.sqrt(left / (n - 1) / total)
    return Between(
        values, noise, squares, noise_df, gamma, sigma2, mean, weights,
        float(se), float(np.sqrt(sigma2 / total)), float(n - 1),
    )  # fmt: skip


def without_each(fit: Between) -> tuple[Floats, Floats]:
    """Mean and its `robust` error without each vehicle in turn, (n,) each; gamma stays."""
    w = 1 / (fit.gamma + fit.noise)
    n, total = len(w), float(w.sum())
    rest = total - w
    means = fit.mean - w * (fit.values - fit.mean) / rest
    se = np.empty(n)
    step = max(1, _CELLS // n)
    for start in range(0, n, step):
        part = np.arange(start, min(start + step, n))
        left = rest[part, None] - w
        left[np.arange(len(part)), part] = np.inf  # its own square doesn't count
        with np.errstate(divide="ignore", invalid="ignore"):  # one is left: no error
            squares = w**2 * (fit.values - means[part, None]) ** 2 / left
        se[part] = np.sqrt(squares.sum(axis=1) / rest[part])
    return means, se


def fiducial(
    fit: Between, nodes: tuple[int, int] | None = None, kurtosis: float | None = None
) -> Fiducial:
    """Confidence distributions of spread and noise, as a grid of equally likely pairs.

    sigma2 is squares over a chi-square of `noise_df`; the generalised Q, which falls with gamma,
    is sigma2 times a chi-square of n - 1 over its degrees, which `kurtosis` of the effects beyond
    the normal's (by default `fit.kurtosis`) makes fewer. A Q that no gamma >= 0 gives means no
    spread.
    """
    from scipy.special import chdtri

    n = len(fit.values)
    few, many = nodes or (_NODES if n <= _MANY else _FEW_NODES)
    sigma2 = fit.squares / chdtri(fit.noise_df, (np.arange(few) + 0.5) / few)
    sigma2 = np.repeat(sigma2, many)
    tails = (fit.kurtosis if kurtosis is None else kurtosis) * (n - 1) / (2 * n)
    told = (n - 1) / (1 + tails)
    q = np.tile(chdtri(told, (np.arange(many) + 0.5) / many) * (1 + tails), few)
    low, high = _reach(fit.noise)
    grid = np.concatenate([[0.0], np.geomspace(low, high, _GRID)])
    totals, means, left, _ = _over(grid, fit.values, fit.noise)
    level = np.log(np.maximum(sigma2 * q, 1e-300))
    at = np.interp(-level, -np.log(np.maximum(left, 1e-300)), np.arange(len(grid)))
    step = np.arange(len(grid))
    gamma = np.interp(at, step, grid)
    mean = np.interp(at, step, means)
    total = np.interp(at, step, totals)
    return Fiducial(gamma * sigma2, sigma2, mean, sigma2 / total)


def unrelated(m: int) -> NDArray[np.intp]:
    """A fixed order of m draws that has nothing to do with their own."""
    step = max(int(0.618 * m), 1)
    while np.gcd(step, m) != 1:
        step += 1
    return np.asarray((np.arange(m) * step) % m)


def _at(gamma: float, values: Floats, noise: Floats) -> tuple[Floats, float, float]:
    """Weights, mean and generalised Q (times sigma2) at one gamma."""
    w = 1 / (gamma + noise)
    weights = w / w.sum()
    mean = float(weights @ values)
    return weights, mean, float(w @ (values - mean) ** 2)


def _over(grid: Floats, values: Floats, noise: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Sum of weights, mean, generalised Q (times sigma2) and sum of log weights at each gamma.

    A few rows of the grid at once, so that memory doesn't grow with the number of vehicles.
    """
    total, mean, left, logs = (np.empty(len(grid)) for _ in range(4))
    step = max(1, _CELLS // len(values))
    for start in range(0, len(grid), step):
        part = slice(start, start + step)
        w = 1 / (grid[part, None] + noise)
        total[part] = w.sum(axis=1)
        logs[part] = np.log(w).sum(axis=1)
        mean[part] = w @ values / total[part]
        left[part] = np.einsum("gn,gn->g", w, np.square(values - mean[part, None]))
    return total, mean, left, logs


def _slope(gamma: float, values: Floats, noise: Floats, squares: float, df: float) -> float:
    """Derivative of the criterion in gamma."""
    w = 1 / (gamma + noise)
    mean = float(w @ values) / float(w.sum())
    r = values - mean
    left, fall = float(w @ r**2), float((w * r) @ (w * r))
    return float(-(df + len(values) - 1) * fall / (squares + left) + w.sum() - (w @ w) / w.sum())


def _least(values: Floats, noise: Floats, squares: float, df: float) -> float:
    """The gamma >= 0 of the least criterion: the best of a grid, then its slope's root."""
    from scipy.optimize import brentq

    low, high = _reach(noise)
    grid = np.concatenate([[0.0], np.geomspace(low, high, _COARSE)])
    total, _, left, logs = _over(grid, values, noise)
    criterion = (df + len(values) - 1) * np.log(squares + left) - logs + np.log(total)
    best = int(np.argmin(criterion))
    a, b = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    args = (values, noise, squares, df)
    if _slope(a, *args) >= 0 or _slope(b, *args) <= 0:
        return float(grid[best])
    return float(brentq(_slope, a, b, args=args, xtol=1e-15, rtol=1e-13))


def _reach(noise: Floats) -> tuple[float, float]:
    middle = float(np.median(noise))
    return _REACH[0] * middle, _REACH[1] * middle


def _mixture_ends(mean: Floats, sd: Floats, level: float) -> tuple[Floats, Floats]:
    """Ends of the central interval of equally likely normals (m, k), each column by itself."""
    from scipy.special import ndtr, ndtri

    reach = float(ndtri(0.5 + level / 2)) + 0.1
    ends = []
    for p, sign in ((0.5 - level / 2, -1.0), (0.5 + level / 2, 1.0)):
        a = (mean + sign * reach * sd).min(axis=0)
        b = (mean + sign * reach * sd).max(axis=0)
        for _ in range(_HALVINGS):
            middle = (a + b) / 2
            under = ndtr((middle - mean) / np.maximum(sd, 1e-300)).mean(axis=0) < p
            a, b = np.where(under, middle, a), np.where(under, b, middle)
        ends.append((a + b) / 2)
    return ends[0], ends[1]
