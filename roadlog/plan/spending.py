"""Alpha spending: how much of the 5 % an analysis before the last day may use.

The share of the planned switch units driven at each look goes in; each look's two-sided nominal
level comes out, by the O'Brien-Fleming-type spending function. Boundaries are those of a Brownian
motion, found by recursive numerical integration; they are then applied to t intervals by their
nominal level. That last step is an approximation, because successive t statistics aren't exactly
Brownian: `tests/plan/test_spending.py` checks by simulation what it costs.

References
----------
Lan K.K.G., DeMets D.L. (1983), Discrete sequential boundaries for clinical trials, Biometrika
70(3), 659-663.
Armitage P., McPherson C.K., Rowe B.C. (1969), Repeated significance tests on accumulating data,
J. R. Statist. Soc. A 132(2), 235-244: the recursion.
"""

from collections.abc import Sequence

import numpy as np

from roadlog.errors import InputError
from roadlog.quantities.arrays import Floats

LEAST_INCREMENT = 1e-12  # less than this share of alpha buys no finite interval
_POINTS = 1201  # integration points between the boundaries: 5 digits of z


def alpha_spent(information: Floats, alpha: float = 0.05) -> Floats:
    """Two-sided alpha spent up to each share of the information (0, 1], O'Brien-Fleming type.

    Each side spends 2 (1 - Phi(z / sqrt(t))) with z the normal quantile 1 - alpha/4.

    >>> [round(float(a), 5) for a in alpha_spent(np.array([0.5, 1.0]))]
    [0.00305, 0.05]
    """
    from scipy.special import ndtr, ndtri

    z = -ndtri(alpha / 4)
    return np.asarray(4 * ndtr(-z / np.sqrt(information)))


def boundaries(information: Sequence[float], alpha: float = 0.05) -> Floats:
    """Two-sided standard normal boundary of each look; infinite where nothing may be spent yet.

    Parameters
    ----------
    information : (K,) shares of the planned information, increasing, in (0, 1]
    alpha : two-sided level in all

    Raises
    ------
    InputError
        If the shares don't increase within (0, 1].

    >>> [round(float(z), 2) for z in boundaries([0.2, 0.4, 0.6, 0.8, 1.0])]
    [4.88, 3.36, 2.68, 2.29, 2.03]
    """
    from scipy.optimize import brentq
    from scipy.special import ndtr, ndtri

    t = np.asarray(information, dtype=float)
    if len(t) == 0 or t[0] <= 0 or t[-1] > 1 or (np.diff(t) <= 0).any():
        raise InputError("the looks' shares of the plan must increase from above 0 to 1 at most")
    increments = np.diff(alpha_spent(t, alpha), prepend=0.0) / 2  # on each side
    z = np.full(len(t), np.inf)
    grid, density = np.array([0.0]), np.array([1.0])  # the motion starts at zero, with weight 1
    before = 0.0
    for k, (now, share) in enumerate(zip(t, increments, strict=True)):
        sd = np.sqrt(now - before)
        if share > LEAST_INCREMENT:

            def above(b: float, u: Floats = grid, w: Floats = density, s: float = sd) -> float:
                return float(w @ ndtr((u - b) / s))

            top = float(-ndtri(share) * np.sqrt(now)) + 1e-9
            b = brentq(lambda x, p=share, f=above: f(x) - p, 0.0, top, xtol=1e-12)
            z[k] = b / np.sqrt(now)
        edge = min(z[k], 9.0) * np.sqrt(now)
        new = np.linspace(-edge, edge, _POINTS)
        simpson = np.full(_POINTS, 2.0)
        simpson[1::2], simpson[[0, -1]] = 4.0, 1.0
        weight = simpson * (new[1] - new[0]) / 3
        kernel = np.exp(-0.5 * ((new[:, None] - grid) / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
        grid, density, before = new, weight * (kernel @ density), now
    return z


def nominal_levels(information: Sequence[float], alpha: float = 0.05) -> Floats:
    """Two-sided nominal level of each look: the interval of look k has confidence 1 - level.

    >>> [round(float(p), 4) for p in nominal_levels([0.5, 1.0])]
    [0.0031, 0.049]
    """
    from scipy.special import ndtr

    return np.asarray(2 * ndtr(-boundaries(information, alpha)))
