"""Whether a saving stands in the fuel trims alone: effect and trims in, what forbids it out.

Trims answer a bent air meter, and they answer fuel pressure too, at the same air and the same real
fuel. In closed loop fuel follows air, so where the air metered for the driving is unchanged and
only trims fell, the meter must have moved for the saving to be real: something else has to show it.
"""

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from roadlog.closure.evidence import between_arms
from roadlog.closure.result import Evidence
from roadlog.fuel.air import trim_factor
from roadlog.quantities.columns import Table
from roadlog.quantities.signals import TRIM_STEP_PCT, signal
from roadlog.stats.interval import Interval

Stays = Callable[[float, float], bool]


def trims_part(flows: Sequence[pd.DataFrame], runs: pd.DataFrame) -> Interval:
    """By how much the trims move the fuel between the arms.

    Parameters
    ----------
    flows : sequence of DataFrame
        `tables.FUEL`, one for each row of `runs`, of a figure that has the trims in it.
    runs : DataFrame
        `tables.RUNS`.

    Returns
    -------
    Interval [% fuel]
        Each run's fuel over the same fuel without trims, so that trims count where fuel is burned;
        compared over switch units. NaN without bounds where there are too few.
    """
    return between_arms([over_untrimmed(f) for f in flows], runs)


def over_untrimmed(flow: Table) -> float:
    """100 log of a run's fuel over what it would be with all trims at zero."""
    grams = signal(flow, "fuel_flow_g_s") * signal(flow, "dt_s")
    factor = trim_factor(flow)
    known = np.isfinite(grams) & (factor > 0)
    whole, bare = grams[known].sum(), (grams[known] / factor[known]).sum()
    return float(100 * np.log(whole / bare)) if whole > 0 else float("nan")


def saving_in_trims_alone(
    part: Interval, evidence: Evidence, supported: Callable[[float], bool], stays: Stays
) -> str:
    """Why a supported claim rests on trims that nothing confirms, '' if it doesn't.

    Parameters
    ----------
    part : Interval [% fuel]
        `trims_part`.
    evidence : Evidence
        Clues by arm; manifold pressure or absolute load may show that the air meter moved.
    supported : callable
        Whether the claim is still supported with the effect changed by so much [%].
    stays : callable
        Whether the finding stays with the effect off by anything between two bounds [%].

    Notes
    -----
    A meter that reads a share m of the true air leaves air × trims as it is, for the same charge
    by manifold pressure or by an absolute load from another sensor. Fuel pressure doesn't.
    The trims' own scatter is in the effect's interval, so their estimate counts, not their bounds.
    """
    moved = part.estimate
    if not np.isfinite(moved) or part.low is None or part.high is None or moved >= 0:
        return ""
    if part.low <= 0 <= part.high and -moved <= TRIM_STEP_PCT:
        return ""
    if supported(100 * (1 / (1 + moved / 100) - 1)):
        return ""
    if any(stays(-most, most) for most in _injected_at_like_charge(part, evidence)):
        return ""
    return (
        f"the saving stands in the fuel trims, which fell by {moved:+.1f} % "
        f"({part.low:+.1f} to {part.high:+.1f} %), and by metered air alone the claim isn't met; "
        "nothing shows that the air meter moved, and another fuel pressure moves trims too, at "
        "the same real fuel"
    )


def _injected_at_like_charge(part: Interval, evidence: Evidence) -> list[float]:
    """How far air × trims may have moved [%] for its charge, by each other figure of air."""
    bounds = {str(r["name"]): (r["low"], r["high"]) for r in evidence.table.to_dict("records")}
    found: list[float] = []
    if "injected_per_pressure" in bounds:
        low, high = bounds["injected_per_pressure"]
        found.append(max(abs(low), abs(high)))
    if "air_per_load" in bounds and part.low is not None and part.high is not None:
        low, high = bounds["air_per_load"]
        found.append(max(abs(low + part.low), abs(high + part.high)))
    return [f for f in found if np.isfinite(f)]
