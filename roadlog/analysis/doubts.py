"""What keeps a firm word from a fuel figure that may not be one: unit, ceiling, open bounds.

Logs, fuel flow and effect go in; sentences that make a finding `undecided` come out. Nothing here
drops, rescales or weighs anything: where a slip and a real effect look alike, the tester is asked.
"""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from roadlog.analysis.metering import Metered
from roadlog.closure.unit_shift import unit_shift_blocking
from roadlog.fuel.flattop import at_ceiling
from roadlog.fuel.levels import CARRIERS, other_readings
from roadlog.quantities.against import Against
from roadlog.quantities.arms import ARMS
from roadlog.quantities.columns import Table
from roadlog.quantities.facts import Veto
from roadlog.quantities.fuels import FUELS
from roadlog.quantities.signals import SIGNALS, plain, signal
from roadlog.quantities.units import LARGEST_RATIO
from roadlog.stats.interval import Interval, rule
from roadlog.study.car import Claim
from roadlog.study.settings import Study

MOST_FUEL_AT_CEILING = 0.01


def fuel_doubts(
    study: Study,
    metered: Metered,
    primary: Interval,
    ambiguity_pct: float,
    units: Sequence[Mapping[str, str]],
) -> tuple[str, ...]:
    """All that forbids a firm word on this fuel figure.

    Parameters
    ----------
    study : Study
    metered : Metered
    primary : Interval [% fuel use]
    ambiguity_pct : float
        How far the effect moves between the bounds of ambiguous fuel flow.
    units : sequence of mapping of signal to unit
        In which units each run's log was read.
    """
    runs, flows = metered.runs, metered.flows
    return (
        *unit_blocking(study, metered.estimator, primary),
        *unit_shift_blocking(study, metered.estimator, flows, runs, units, primary),
        *ceiling_blocking(metered.flows, metered.runs, metered.estimator),
        *ambiguity_blocking(primary, ambiguity_pct, study.claim),
    )


def unit_blocking(study: Study, estimator: str, primary: Interval) -> tuple[str, ...]:
    """Forbid a firm word on an effect that a unit of one arm could be."""
    ratio = 1 + primary.estimate / 100
    if not 1 / LARGEST_RATIO < ratio < LARGEST_RATIO:
        return (
            Veto(
                f"undecided: no add-on changes fuel use by {primary.estimate:+.0f} %"
                + _named_factor(ratio, study, estimator)
                + ": make sure that both arms' logs are in the same units",
                Against.TOO_LARGE(),
            ),
        )
    return ()


def _named_factor(ratio: float, study: Study, estimator: str) -> str:
    """The unit whose factor an arms' ratio of fuel is within 10 % of."""
    carrier = CARRIERS[estimator][0]
    fuel = FUELS[study.vehicle.fuel]
    for name, factor in other_readings(carrier, SIGNALS[carrier].unit, fuel):
        if min(abs(np.log(ratio / factor)), abs(np.log(ratio * factor))) < 0.1:
            return f"; {plain(carrier)} in {name} in one arm's logs would look like it"
    return ""


def ceiling_share(flow: Table) -> float:
    """Share of a run's fuel that was metered at the air meter's ceiling."""
    grams = signal(flow, "fuel_flow_g_s") * signal(flow, "dt_s")
    total = float(np.nansum(grams))
    return float(np.nansum(grams[at_ceiling(flow)])) / total if total > 0 else 0.0


def ceiling_blocking(
    flows: Sequence[pd.DataFrame], runs: pd.DataFrame, estimator: str
) -> tuple[str, ...]:
    """Forbid a firm word where the air meter stood at its ceiling over a share of the fuel."""
    if CARRIERS.get(estimator) != ("maf_g_s",):
        return ()
    share = {}
    for arm in ARMS:
        mine = [
            f for f, a, u in zip(flows, runs["arm"], runs["used"], strict=True) if u and a == arm
        ]
        fuel = [float(np.nansum(f["fuel_flow_g_s"] * f["dt_s"])) for f in mine]
        at = sum(s * g for s, g in zip(map(ceiling_share, mine), fuel, strict=True))
        share[arm] = at / sum(fuel) if sum(fuel) > 0 else 0.0
    if max(share.values()) < MOST_FUEL_AT_CEILING:
        return ()
    top = max(float(f["maf_g_s"].max()) for f in flows if at_ceiling(f).any())
    return (
        Veto(
            f"undecided: the air meter stands at its ceiling of {top:.0f} g/s over "
            f"{100 * share['baseline']:.1f} % of the baseline's and "
            f"{100 * share['fitted']:.1f} % of the fitted fuel, and what it doesn't show is lost: "
            "log the engine fuel rate, or weigh the fuel",
            Against.AT_CEILING(),
        ),
    )


ON_OPEN_FUEL = Against.OPEN_FUEL()


def ambiguity_blocking(
    primary: Interval, ambiguity_pct: float, claim: Claim | None
) -> tuple[str, ...]:
    """Forbid a firm word that the open bounds of fuel cut and enrichment would change."""
    if claim is None or primary.low is None or primary.high is None:
        return ()
    c, half = claim.fuel_use_change_pct, ambiguity_pct / 2
    if rule(primary.low, primary.high, c) == rule(primary.low - half, primary.high + half, c):
        return ()
    return (
        Veto(
            f"undecided: whether fuel was cut or flowed is open in samples that move the effect "
            f"by {ambiguity_pct:.1f} points, enough to change the finding: log the engine fuel "
            "rate, or throttle and fuel-system status",
            ON_OPEN_FUEL,
        ),
    )
