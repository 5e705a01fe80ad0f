"""A REML linear mixed model with crossed or nested random intercepts.

In go a response, a fixed-effects matrix, one level code a row for each grouping factor, and
weights; out comes a `MixedFit`. The algebra is that of Bates et al. (2015): with relative
standard deviations theta (Lambda = diag(theta)), weights W and the cross-products
A = [Z X y]'W[Z X y] formed once (`cross_products`), each evaluation of the criterion factors

    [ Lambda Z'WZ Lambda + I   .      .    ]   [ L            ] [ L            ]'
    [ X'WZ Lambda            X'WX     .    ] = [ L_XZ  R_X    ] [ L_XZ  R_X    ]
    [ y'WZ Lambda            y'WX   y'Wy   ]   [ l_yZ  l_yX r ] [ l_yZ  l_yX r ]

so that its cost depends on the number of levels and columns, never on the number of rows. The
factor with most levels has a diagonal Z'WZ block and is eliminated first; `reml` finds the minimum.

This is the bounded fit (variances >= 0). The interval that roadlog prints comes from
`roadlog.stats.unit_contrast`, which judges by the scatter between switch units.

References
----------
Bates D., Maechler M., Bolker B., Walker S. (2015), Fitting linear mixed-effects models using
lme4, Journal of Statistical Software 67(1), sections 3.1-3.5.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roadlog.errors import FitError
from roadlog.quantities.arrays import Floats
from roadlog.stats.bounded.cross_products import CrossProducts, cross_products
from roadlog.stats.bounded.reml import Minimum, lower_solve, minimise


@dataclass(frozen=True)
class MixedFit:
    """A fitted model. Symbols are the paper's; variances are on the response's scale.

    Attributes
    ----------
    names, beta, vcov
        Fixed effects, their estimates (p) and covariance sigma^2 (R_X'R_X)^-1 (p x p).
    groups, theta, variances
        Grouping factors, relative standard deviations, and theta^2 sigma^2.
    sigma : float
        Residual standard deviation at weight 1.
    reml : float
        REML criterion, -2 log restricted likelihood.
    boundary : tuple of str
        Factors whose variance is estimated as zero.
    gradient : float
        Largest absolute slope of the criterion in the log of a variance at the optimum.
    """

    names: tuple[str, ...]
    beta: Floats
    vcov: Floats
    groups: tuple[str, ...]
    theta: Floats
    variances: Floats
    sigma: float
    reml: float
    n: int
    boundary: tuple[str, ...]
    gradient: float
    evaluations: int
    cross_products: CrossProducts

    @property
    def se(self) -> Floats:
        """Standard errors of the fixed effects."""
        return np.sqrt(np.diag(self.vcov))

    def coefficient(self, name: str) -> tuple[float, float]:
        """Estimate and standard error of one fixed effect."""
        i = self.names.index(name)
        return float(self.beta[i]), float(self.se[i])

    def summary(self) -> str:
        """The fit as text: criterion, variance components, fixed effects."""
        lines = [
            f"REML linear mixed model: {self.n} rows, {len(self.names)} fixed effects",
            f"criterion {self.reml:.4f}, {self.evaluations} evaluations, slope {self.gradient:.1e}",
            f"{'component':<16}{'levels':>8}{'variance':>14}{'sd':>12}",
        ]
        for g, q, v in zip(self.groups, self.cross_products.levels, self.variances, strict=True):
            lines.append(f"{g:<16}{q:>8}{v:>14.6g}{v**0.5:>12.6g}")
        lines.append(f"{'residual':<16}{self.n:>8}{self.sigma**2:>14.6g}{self.sigma:>12.6g}")
        lines.append(f"{'fixed effect':<28}{'estimate':>12}{'std. error':>12}")
        for name, b, s in zip(self.names, self.beta, self.se, strict=True):
            lines.append(f"{name:<28}{b:>12.6g}{s:>12.6g}")
        if self.boundary:
            lines.append(f"variance estimated as zero: {', '.join(self.boundary)}")
        return "\n".join(lines)

    def __str__(self) -> str:
        return self.summary()


def fit_mixed(
    y: ArrayLike,
    x: ArrayLike,
    names: Sequence[str],
    factors: Mapping[str, ArrayLike],
    weights: ArrayLike | None = None,
) -> MixedFit:
    """Fit by REML; see `cross_products` for the arguments and `MixedFit` for the result.

    Raises
    ------
    FitError
        If the design is singular, or no optimum could be confirmed.

    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> day = np.repeat(np.arange(8), 5)
    >>> y = rng.normal(size=8)[day] + rng.normal(size=40)
    >>> fit = fit_mixed(y, np.ones((40, 1)), ["mean"], {"day": day})
    >>> fit.groups
    ('day',)
    """
    a = cross_products(y, x, names, factors, weights)
    return _finish(a, minimise(a))


def _finish(a: CrossProducts, found: Minimum) -> MixedFit:
    chol, theta = found.factor.chol, np.sqrt(found.gamma)
    q, p = a.q_rest, a.p
    sigma = float(chol[-1, -1] / np.sqrt(a.n - p))
    if sigma <= 1e-7 * np.sqrt(a.a_rr[-1, -1] / a.n):
        raise FitError(
            "the fixed effects and groups explain the response exactly: nothing is left to vary"
        )
    r_x = chol[q : q + p, q : q + p]
    inverse = lower_solve(r_x, np.eye(p))
    beta = inverse.T @ chol[-1, q : q + p]
    return MixedFit(
        names=a.names,
        beta=a.centre + beta,
        vcov=sigma**2 * inverse.T @ inverse,
        groups=a.groups,
        theta=theta,
        variances=found.gamma * sigma**2,
        sigma=sigma,
        reml=found.value,
        n=a.n,
        boundary=tuple(g for g, t in zip(a.groups, theta, strict=True) if t == 0),
        gradient=found.slope,
        evaluations=found.evaluations,
        cross_products=a,
    )
