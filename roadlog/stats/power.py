"""How small an effect a finished study could have found, by the noncentral t.

`roadlog.plan.promise` says what a plan can show. Held to statsmodels' t-test power in the tests;
not taken from it, whose import takes longer than an analysis and which gives NaN far out.
"""

import numpy as np

POWER = 0.80
ALPHA = 0.05


def t_power(effect: float, se: float, df: float, alpha: float = ALPHA) -> float:
    """Power of the two-sided t test.

    Parameters
    ----------
    effect, se : float
        True coefficient and its standard error, same scale.
    df : float
        Degrees of freedom, at least 1.
    """
    from scipy.special import nctdtr, stdtrit

    critical = stdtrit(df, 1 - alpha / 2)
    shift = effect / se
    # Far out, scipy's noncentral t gives NaN for a lower tail that is under 1e-20.
    wrong_side = np.nan_to_num(nctdtr(df, abs(shift), -critical))
    return float(1 - nctdtr(df, abs(shift), critical) + wrong_side)


def smallest_detectable(se: float, df: float, power: float = POWER, alpha: float = ALPHA) -> float:
    """Smallest coefficient [scale of `se`] that the two-sided t test finds with this power.

    >>> round(smallest_detectable(1.0, 10_000), 2)
    2.8
    """
    from scipy.optimize import brentq

    if df < 1 or not np.isfinite(se):
        return float("nan")
    upper = 2.0
    while t_power(upper, 1.0, df, alpha) < power:
        upper *= 2
    return float(se * brentq(lambda d: t_power(d, 1.0, df, alpha) - power, 0.0, upper))


def smallest_detectable_pct(se: float, df: float) -> float:
    """Smallest saving of fuel [%] that the design finds with 80 % power at the 5 % level.

    >>> round(smallest_detectable_pct(0.01, 10_000), 2)
    2.76
    """
    return float(100 * -np.expm1(-smallest_detectable(se, df)))


def covariate_budget(switch_units: int, base_df: int) -> int:
    """Most covariates that vary mostly between switch units, by docs/method.md section 5.

    Parameters
    ----------
    switch_units, base_df : int
        Units, and their degrees of freedom before any such covariate.

    >>> covariate_budget(12, 5), covariate_budget(20, 9)
    (1, 4)
    """
    return max(0, min((switch_units - 4) // 4, base_df - 4))
