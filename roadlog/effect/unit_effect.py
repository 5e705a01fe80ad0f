"""The effect from one figure a switch unit: totals of fuel and distance in, an `EffectResult` out.

Where nothing but fuel and distance is known there are no passes within a unit to model; the switch
units' own figures are compared by a t interval (within blocks, if the schedule has them), and by
the schedules that chance could have drawn.
"""

import numpy as np
import pandas as pd

from roadlog.effect.carry_over import COLUMNS
from roadlog.effect.diagnostics import (
    design_table,
    design_warnings,
    drift_warnings,
    influence_warnings,
)
from roadlog.effect.layout import Layout, lay_out, orders_by_chance
from roadlog.effect.result import EffectResult
from roadlog.effect.tables import unit_table
from roadlog.quantities.arrays import Floats
from roadlog.stats.interval import Interval, NamedInterval, percent, percent_interval
from roadlog.stats.power import smallest_detectable_pct
from roadlog.stats.reduction import orthonormal
from roadlog.stats.unit_contrast import unit_t
from roadlog.stats.unit_randomisation import Redraw, in_percent


def unit_effect(
    passes: pd.DataFrame, *, randomised: bool, seed: int, redraw: Redraw | None = None
) -> EffectResult:
    """Compare the arms by each switch unit's fuel over distance.

    Parameters
    ----------
    passes : DataFrame
        `tables.PASSES`; only arm, switch unit, block, start, fuel and distance are looked at.
    randomised : bool
    seed : int
        For drawn schedules, where there are too many to list.
    redraw : callable, optional
        As in `roadlog.stats.unit_randomisation.orders_of`.

    Raises
    ------
    DesignError
        One arm only, or one switch unit an arm.
    """
    from scipy.special import stdtrit

    design = lay_out(passes, randomised=randomised)
    sums = design.passes.groupby(design.unit)[["fuel_ml", "distance_km"]].sum()
    values = np.log((sums["fuel_ml"] / sums["distance_km"]).to_numpy(dtype=float))
    tau, half, df = unit_t(values, design.unit_arm, design.unit_fixed)
    primary = percent_interval(
        tau, half, df, f"t interval of switch-unit totals, {df:g} degrees of freedom"
    )
    se = half / float(stdtrit(df, 0.975)) if df >= 2 else float("nan")
    table = design_table(design, randomised)
    left_out = _leave_one_out(design, values)
    warnings = (
        *design_warnings(design, table, randomised),
        *drift_warnings(design, values),
        *influence_warnings(primary, left_out),
    )
    fitted, centred = _fitted(design, values, tau)
    rng = np.random.default_rng(seed)
    orders = orders_by_chance(design, values, rng, redraw) if randomised else None
    p = design.passes
    return EffectResult(
        primary=primary,
        total=primary,
        unadjusted=primary,
        randomisation=None if orders is None else in_percent(orders),
        orders=orders,
        forest=(
            NamedInterval("effect from measured fuel", primary, "primary"),
            *_without_blocks(design, values),
        ),
        outcomes_by_arm=pd.DataFrame(columns=["outcome", "estimate", "low", "high", "p", "unit"]),
        carry_over=pd.DataFrame(columns=list(COLUMNS)),
        coefficients=_coefficient(tau, se, df, half),
        variance_components=pd.DataFrame(
            {"name": ["switch unit"], "sd_pct": [100 * float(np.std(centred))], "note": [""]}
        ),
        residuals=pd.DataFrame(
            {
                "fitted": fitted[design.unit],
                "residual": (values - fitted)[design.unit],
                "segment": p["segment"],
                "switch_unit": p["switch_unit"],
                "start": p["start"],
                "arm": p["arm"],
            },
            index=p.index,
        ),
        unit_means=unit_table(design, values),
        leave_one_out=left_out,
        design=table,
        segment_effects=pd.DataFrame(
            columns=["segment", "change_pct", "low", "high", "passes_baseline", "passes_fitted"]
        ),
        smallest_detectable_pct=smallest_detectable_pct(se, df) if df >= 2 else float("nan"),
        warnings=warnings,
    )


def _fitted(design: Layout, values: Floats, tau: float) -> tuple[Floats, Floats]:
    basis = orthonormal(design.unit_fixed)
    rest = values - tau * design.unit_arm
    fitted = basis @ (basis.T @ rest) + tau * design.unit_arm
    return fitted, values - fitted


def _leave_one_out(design: Layout, values: Floats) -> pd.DataFrame:
    rows = []
    for k, label in enumerate(design.units):
        keep = np.arange(len(values)) != k
        tau, half, _ = unit_t(values[keep], design.unit_arm[keep], design.unit_fixed[keep])
        rows.append(
            {
                "switch_unit": label,
                "estimate": percent(tau),
                "low": percent(tau - half),
                "high": percent(tau + half),
            }
        )
    return pd.DataFrame(rows)


def _without_blocks(design: Layout, values: Floats) -> tuple[NamedInterval, ...]:
    if not design.blocked:
        return ()
    tau, half, df = unit_t(values, design.unit_arm, None)
    row: Interval = percent_interval(tau, half, df, "t interval of switch-unit totals, no blocks")
    return (NamedInterval("without blocks", row, "sensitivity", "blocks left out"),)


def _coefficient(tau: float, se: float, df: float, half: float) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "term": ["arm"],
            "estimate": [tau],
            "se": [se],
            "df": [df],
            "low": [tau - half],
            "high": [tau + half],
            "unit": ["log ratio"],
        }
    )
