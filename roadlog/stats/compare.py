"""How far a measured quantity differs between the arms, with the switch unit as what is counted.

In goes one value for each switch unit (log scale for percent changes), out comes the difference
fitted less baseline with its t interval. Shared by the trials beside the road test; implements
for them the rule of method section 5 that replication is the switch unit.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.errors import DesignError
from roadlog.quantities.arms import ARMS
from roadlog.quantities.arrays import Floats
from roadlog.stats.power import POWER, t_power
from roadlog.stats.unit_contrast import LEAST_DF, block_columns, contrast_units

LEVEL = 0.95
NORMAL = 1.959964  # 97.5 % quantile of the normal distribution
MOST_UNITS = 100_000


@dataclass(frozen=True)
class Comparison:
    """A difference between the arms.

    `estimate`, `low`, `high` on the scale of the values (bounds None where the units are too few);
    `df` degrees of freedom; `se` standard error; `unit_sd` standard deviation between switch units
    after arm and block; `units` how many of each arm; `weights` of each unit in the estimate;
    `floored` if the readings' own uncertainty, not the scatter, sets the width.
    """

    estimate: float
    low: float | None
    high: float | None
    df: int
    se: float
    unit_sd: float
    units: tuple[int, int]
    weights: Floats
    floored: bool
    method: str

    @property
    def planning_sd(self) -> float:
        """What one switch unit's value is unsure by, all told: for the number of repeats."""
        return self.se / float(np.linalg.norm(self.weights))


def compare_arms(
    units: pd.DataFrame,
    nuisance: Sequence[float] = (),
    *,
    fitted_before: int = 0,
    shared: float = 0.0,
) -> Comparison:
    """Difference of a value between the arms.

    Parameters
    ----------
    units : DataFrame
        One row a switch unit: `arm`, `block` ('' if none), `y`, and optionally `u_y`, the
        standard uncertainty of `y` that the readings alone give it.
    nuisance : sequence of float
        Standard uncertainties of the difference that come from quantities common to all units (an
        assumed slope, a fitted hold-up), added in quadrature.
    fitted_before : int
        How many of these were fitted to the same values: each costs a degree of freedom.
    shared : float
        Standard uncertainty of each arm's mean that no repetition lowers: the grid of readings
        that agree to the last digit. It counts among the readings' own uncertainty.

    Returns
    -------
    Comparison
        Ordinary least squares on arm and block. The interval takes the scatter between units with
        Student's quantile, or the readings' own uncertainty, which is known and takes the normal
        one, where that is wider: readings on a coarse grid can agree by accident.

    Raises
    ------
    DesignError
        If an arm has no unit.

    >>> table = pd.DataFrame({"arm": ["baseline", "fitted"] * 3, "block": list("112233"),
    ...                       "y": [1.0, 1.1, 2.0, 2.3, 1.0, 1.2]})
    >>> c = compare_arms(table)
    >>> round(c.estimate, 3), round(c.low, 3), round(c.high, 3), c.df
    (0.2, -0.048, 0.448, 2)
    """
    fitted = (units["arm"] == "fitted").to_numpy()
    for arm, count in zip(ARMS, (int((~fitted).sum()), int(fitted.sum())), strict=True):
        if not count:
            raise DesignError(f"no trial of the {arm} arm: a difference needs both arms")
    y = units["y"].to_numpy(float)
    blocks = block_columns(len(y), units["block"].astype(str).tolist())
    found = contrast_units(y, fitted.astype(np.intp), blocks)
    if found is None:
        raise DesignError(
            "each block holds one arm only, so arm and block can't be told apart: put both arms "
            "into each block, or leave the block column out"
        )
    estimate, weights, df = found.tau, found.weights, found.df - fitted_before
    scatter = found.se * float(np.sqrt(found.df / df)) if df > 0 else 0.0
    sd = scatter / float(np.linalg.norm(weights)) if df > 0 else float("nan")
    readings = float(np.hypot(_reading_se(units, weights), np.sqrt(2) * shared))
    se = float(np.hypot(max(scatter, readings), np.linalg.norm(nuisance)))
    half = None
    if df >= LEAST_DF:
        t = _quantile(df)
        half = float(np.hypot(max(t * scatter, NORMAL * readings), t * np.linalg.norm(nuisance)))
    return Comparison(
        estimate=estimate,
        low=None if half is None else estimate - half,
        high=None if half is None else estimate + half,
        df=df,
        se=se,
        unit_sd=sd,
        units=(int((~fitted).sum()), int(fitted.sum())),
        weights=weights,
        floored=df >= LEAST_DF and NORMAL * readings > _quantile(df) * scatter,
        method=_method(units, df),
    )


def stretches(arms: Sequence[str]) -> list[str]:
    """The unbroken stretch of one arm that each trial belongs to, in order of time.

    >>> stretches(["baseline", "baseline", "fitted", "baseline"])
    ['stretch 1', 'stretch 1', 'stretch 2', 'stretch 3']
    """
    series = pd.Series(list(arms))
    return [f"stretch {n}" for n in (series != series.shift()).cumsum()]


def repeats_needed(difference: float, unit_sd: float, *, in_blocks: bool = False) -> int | None:
    """Switch units that each arm needs to see a difference 4 times out of 5 (5 %, two-sided).

    Parameters
    ----------
    difference : float [scale of the values]
    unit_sd : float [scale of the values]
        Standard deviation between units of one arm.
    in_blocks : bool
        One unit of each arm in each block: one degree of freedom goes with every block.

    Returns
    -------
    int or None
        None if the difference is zero, the standard deviation unknown or zero, or no number of
        units that a tester could drive is enough.
    """
    if not (np.isfinite(unit_sd) and unit_sd > 0) or difference == 0:
        return None
    size = abs(difference) / unit_sd

    def power(n: int) -> float:
        return t_power(size, float(np.sqrt(2 / n)), n - 1 if in_blocks else 2 * n - 2)

    low, high = 1, 2
    while power(high) < POWER:
        low, high = high, 2 * high
        if high > MOST_UNITS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if power(middle) >= POWER else (middle, high)
    return high


def _reading_se(units: pd.DataFrame, weights: Floats) -> float:
    if "u_y" not in units.columns:
        return 0.0
    return float(np.linalg.norm(weights * units["u_y"].to_numpy(float)))


def _quantile(df: int) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(df, 0.5 + LEVEL / 2))


def _method(units: pd.DataFrame, df: int) -> str:
    blocks = len(set(units["block"])) > 1
    plan = "within blocks" if blocks else "between the arms"
    if df < LEAST_DF:
        return f"difference {plan}; too few switch units for an interval"
    return f"t interval of the difference {plan}, {df} degrees of freedom from switch units"
