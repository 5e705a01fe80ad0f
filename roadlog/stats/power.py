"""How small an effect a finished study could have found, by the noncentral t.

`roadlog.plan.promise` says what a plan can show. Checked against statsmodels' t-test power in the
tests.
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


def coefficient_se(
    switch_units: int,
    *,
    unit_sd: float,
    run_sd: float,
    pass_sd: float,
    runs_per_unit: float,
    passes_per_run: float,
) -> float:
    """Standard error of the arm's coefficient in a balanced study, half the units in each arm.

    Parameters
    ----------
    switch_units : int
        In all, both arms.
    unit_sd, run_sd, pass_sd : float
        Standard deviations on the log scale (0.01 is about 1 %).
    runs_per_unit, passes_per_run : float
    """
    of_unit_mean = (
        unit_sd**2 + run_sd**2 / runs_per_unit + pass_sd**2 / (runs_per_unit * passes_per_run)
    )
    return float(np.sqrt(4 * of_unit_mean / switch_units))


def containment_df(switch_units: int, block_size: int | None, between_covariates: int = 0) -> int:
    """Switch units less intercept, arm, further blocks and covariates that vary between units."""
    blocks = 1 if block_size is None else -(-switch_units // block_size)
    return switch_units - 1 - blocks - between_covariates


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
