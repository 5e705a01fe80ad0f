"""How many switch units a claim needs, and what the days available can show.

The scatter of fuel use (from a pilot, or a working assumption by type of road) and the layout of
the test go in; the smallest detectable effect, the expected interval and the units needed come
out. The arithmetic is that of `roadlog.effect.power`.
"""

import math
from dataclasses import dataclass, replace

from roadlog.effect import power
from roadlog.errors import DesignError
from roadlog.study import Claim, Plan, RoadType

MOST_UNITS = 400
CAUTION = 0.80  # one-sided confidence of the cautious scatter


@dataclass(frozen=True)
class Scatter:
    """Standard deviations of log fuel use (0.01 is about 1 %) at equal driving, and their source.

    `df` is the degrees of freedom between switch units of a pilot, None for an assumption.
    """

    unit_sd: float
    run_sd: float
    pass_sd: float
    source: str
    df: float | None = None


@dataclass(frozen=True)
class Layout:
    """What one switch unit holds once the washout is set aside."""

    runs_per_unit: float
    passes_per_run: float
    block_size: int


@dataclass(frozen=True)
class Size:
    """What a number of switch units can show.

    `detectable_pct` [% of fuel] is the smallest saving found 4 times out of 5; `half_width_pct`
    the expected half-width of the 95 % interval [%]; `chance` the probability that the interval
    excludes the claim if the add-on does nothing; `needed` the fewest units that bring it to
    80 % (None: not with 400, or no claim).
    """

    units: int
    df: int
    se: float
    detectable_pct: float
    half_width_pct: float
    chance: float | None
    needed: int | None


_ASSUMED = "working assumption for a {} route: common practice, no source; a pilot is better"
# Within the range that docs/calibration.md covers; town traffic scatters most.
ASSUMED_SCATTER: dict[RoadType, Scatter] = {
    "motorway": Scatter(0.010, 0.010, 0.04, _ASSUMED.format("motorway")),
    "mixed": Scatter(0.015, 0.015, 0.06, _ASSUMED.format("mixed")),
    "town": Scatter(0.020, 0.025, 0.10, _ASSUMED.format("town")),
}


def layout_of(plan: Plan, washout_km: float, segment_length_km: float) -> Layout:
    """Runs and passes that each switch unit contributes.

    Raises
    ------
    DesignError
        If the washout takes more than half of what is driven between two switches.

    >>> layout_of(Plan(runs_per_day=2, km_per_run=15), 0, 1.0)
    Layout(runs_per_unit=2.0, passes_per_run=15.0, block_size=4)
    """
    km = plan.days_per_unit * plan.runs_per_day * plan.km_per_run
    if washout_km > km / 2:
        days = math.ceil(2 * washout_km / (plan.runs_per_day * plan.km_per_run))
        raise DesignError(
            f"the washout of {washout_km:g} km takes more than half of the {km:g} km between two "
            f"switches: set days_per_unit = {days} in [plan], or drive more a day"
        )
    return Layout(
        runs_per_unit=(km - washout_km) / plan.km_per_run,
        passes_per_run=max(1.0, plan.km_per_run / segment_length_km),
        block_size=plan.block_size,
    )


def size(units: int, scatter: Scatter, layout: Layout, claim: Claim | None) -> Size:
    """What `units` switch units, half of them fitted, can show.

    Raises
    ------
    DesignError
        If the units are too few for any interval.
    """
    df = power.containment_df(units, layout.block_size)
    if df < 2:
        least = next(n for n in range(units, 99) if power.containment_df(n, layout.block_size) > 1)
        raise DesignError(
            f"{units} switch units in blocks of {layout.block_size} leave {max(df, 0)} degrees of "
            f"freedom, too few for an interval: plan {least} units or more"
        )
    se = power.coefficient_se(
        units,
        unit_sd=scatter.unit_sd,
        run_sd=scatter.run_sd,
        pass_sd=scatter.pass_sd,
        runs_per_unit=layout.runs_per_unit,
        passes_per_run=layout.passes_per_run,
    )
    target = None if claim is None else abs(math.log1p(claim.fuel_use_change_pct / 100))
    return Size(
        units=units,
        df=df,
        se=se,
        detectable_pct=power.smallest_detectable_pct(se, df),
        half_width_pct=100 * math.sinh(power.expected_half_width(se, df)),
        chance=None if target is None else power.t_power(target, se, df),
        needed=None if claim is None else needed_units(scatter, layout, claim),
    )


def needed_units(scatter: Scatter, layout: Layout, claim: Claim) -> int | None:
    """Fewest switch units whose interval excludes the claim 4 times out of 5 if nothing happens.

    None if 400 are not enough.
    """
    target = -100 * math.expm1(-abs(math.log1p(claim.fuel_use_change_pct / 100)))
    try:
        return power.needed_units(
            target,
            unit_sd=scatter.unit_sd,
            run_sd=scatter.run_sd,
            pass_sd=scatter.pass_sd,
            runs_per_unit=layout.runs_per_unit,
            passes_per_run=layout.passes_per_run,
            block_size=layout.block_size,
            most=MOST_UNITS,
        )
    except DesignError:
        return None


def cautious(scatter: Scatter) -> Scatter | None:
    """The scatter at its upper 80 % confidence limit, None for an assumption.

    A few pilot days tell a variance only roughly, so a test sized by the estimate itself is too
    small about half of the time.

    References
    ----------
    Browne R.H. (1995), On the use of a pilot sample for sample size determination, Statistics in
    Medicine 14, 1933-1940 (from memory).
    """
    if scatter.df is None:
        return None
    from scipy.special import chdtri

    factor = math.sqrt(scatter.df / float(chdtri(scatter.df, CAUTION)))
    return replace(
        scatter,
        unit_sd=scatter.unit_sd * factor,
        run_sd=scatter.run_sd * factor,
        pass_sd=scatter.pass_sd * factor,
    )
