"""A unit that changed with the arm: fuel for its air, by arm, held against the factors of units.

An add-on that saves fuel draws less air too; a gallon of the other kind in one arm's logs changes
fuel alone, at the same air. Flows and the effect go in, the sentence that forbids a firm word out.
"""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.closure.evidence import between_arms
from roadlog.fuel.levels import CARRIERS, other_readings
from roadlog.quantities.against import Against
from roadlog.quantities.columns import Table
from roadlog.quantities.facts import Veto
from roadlog.quantities.fuels import FUELS
from roadlog.quantities.signals import SIGNALS, plain, signal
from roadlog.quantities.units import LARGEST_RATIO
from roadlog.stats.interval import Interval
from roadlog.study.settings import Study

LEAST_RATIO = 1.05  # nearer units are other names of the same
NEAREST_PCT = 2.0  # that the shift may lie beside a factor
LEAST_SAMPLES = 60
UNKNOWN = Interval(float("nan"), None, None)


def unit_shift_blocking(
    study: Study,
    estimator: str,
    flows: Sequence[Table],
    runs: pd.DataFrame,
    units: Sequence[Mapping[str, str]],
    primary: Interval,
    *,
    beyond: float = 0.0,
) -> tuple[str, ...]:
    """Forbid a firm word where one arm's fuel looks as if it were in another unit.

    Parameters
    ----------
    study : Study
    estimator : str
    flows : sequence of DataFrame or Columns
        `tables.FUEL`, one for each row of `runs`.
    runs : DataFrame
        `tables.RUNS`.
    units : sequence of mapping of signal to unit
        In which units each run's log was read.
    primary : Interval [% fuel use]
    beyond : float
        By how many half-widths of its interval the shift must lie off none to be known, where many
        cars are asked.

    Returns
    -------
    tuple of str
        One sentence if fuel for its air shifts by a factor, or if the effect is near one and
        nothing in the logs tells a slip from a saving. Empty for other figures than the engine's
        fuel rate: their units lie further apart than any effect.
    """
    carriers = CARRIERS[estimator]
    if carriers != CARRIERS["rate"]:
        return ()
    carrier = next((c for c in carriers if any(np.isfinite(signal(f, c)).any() for f in flows)), "")
    if not carrier:
        return ()
    factors = _factors(carrier, units, study)
    ratio, shift = _shift(flows, runs, carrier)
    if shift.low is None or shift.high is None:
        return _near(primary, factors, carrier)
    half = (shift.high - shift.low) / 2
    known = (shift.low > 0 or shift.high < 0) and abs(shift.estimate) > beyond * half
    for name, factor in factors:
        by = 100 * (factor - 1)
        if not shift.low - NEAREST_PCT <= by <= shift.high + NEAREST_PCT:
            continue
        if not known:
            return _near(primary, factors, carrier)
        return (
            Veto(
                f"undecided: {plain(carrier)} for its {ratio} shifts by {shift.estimate:+.1f} % "
                f"({shift.low:+.1f} to {shift.high:+.1f} %) with the arm, as one arm's logs in "
                f"{name} would make it ({by:+.1f} %): make sure that all logs are in the unit "
                "that was named, and correct it for those that aren't",
                Against.OTHER_UNIT(),
            ),
        )
    return ()


def near_a_unit(study: Study, estimator: str, unit: str, primary: Interval) -> tuple[str, ...]:
    """Forbid a firm word on an effect that another unit in one arm's logs would make.

    `unit` is what the engine's fuel rate was read in; for figures by which nothing else tells the
    two apart.
    """
    carriers = CARRIERS[estimator]
    if carriers != CARRIERS["rate"]:
        return ()
    read_in = [{carriers[0]: unit}] if unit else [{}]
    return _near(primary, _factors(carriers[0], read_in, study), carriers[0])


def _factors(
    carrier: str, units: Sequence[Mapping[str, str]], study: Study
) -> list[tuple[str, float]]:
    """What another unit in one arm would multiply the arms' ratio by, either way."""
    fuel = FUELS[study.vehicle.fuel]
    found: dict[str, float] = {}
    for unit in dict.fromkeys(u.get(carrier, SIGNALS[carrier].unit) for u in units):
        for name, factor in other_readings(carrier, unit, fuel):
            far = max(factor, 1 / factor)
            if LEAST_RATIO < far < LARGEST_RATIO:
                found.setdefault(name, factor)
    return [(n, by) for n, f in found.items() for by in (1 / f, f)]


def _near(primary: Interval, factors: Sequence[tuple[str, float]], carrier: str) -> tuple[str, ...]:
    half = 0.0 if primary.low is None else primary.estimate - primary.low
    for name, factor in factors:
        by = 100 * (factor - 1)
        if abs(primary.estimate - by) <= max(NEAREST_PCT, half):
            return (
                Veto(
                    f"undecided: a change of {primary.estimate:+.1f} % is what one arm's "
                    f"{plain(carrier)} in {name} would make ({by:+.1f} %), and nothing in the "
                    "logs tells the two apart: log engine speed with the air meter, absolute load "
                    "or manifold pressure in both arms, or weigh the fuel",
                    Against.OTHER_UNIT(),
                ),
            )
    return ()


def _shift(flows: Sequence[Table], runs: pd.DataFrame, carrier: str) -> tuple[str, Interval]:
    """Fuel over the first figure of air that both arms have, compared between them [%]."""
    for name, of in _AIR.items():
        found = between_arms([_log_over(f, carrier, of) for f in flows], runs)
        if found.low is not None:
            return name, found
    return "", UNKNOWN


def _log_over(flow: Table, carrier: str, air: Sequence[str]) -> float:
    """100 log of a run's fuel over its air, where both are told."""
    fuel = signal(flow, carrier)
    drawn: NDArray[np.float64] = np.prod([signal(flow, s) for s in air], axis=0)
    both = (fuel > 0) & (drawn > 0)
    if both.sum() < LEAST_SAMPLES:
        return float("nan")
    return float(100 * np.log(fuel[both].sum() / drawn[both].sum()))


_AIR = {
    "air": ("maf_g_s",),
    "absolute load": ("absolute_load_pct", "rpm"),
    "manifold pressure": ("map_kpa", "rpm"),
    "calculated load": ("engine_load_pct", "rpm"),
}
