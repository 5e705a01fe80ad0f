"""Other roads to the same number: estimates from switch-unit means, held beside the primary one.

Each cross-check boils the passes down to one figure a switch unit and compares arms with a t
interval on the units (paired within blocks when the schedule is blocked, about the same trend over
time as the primary's where the order wasn't randomised). None of them shares the mixed model's
machinery, so agreement means something.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from roadlog.effect.design import Design
from roadlog.effect.layout import Layout
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Warned
from roadlog.stats.interval import Interval, NamedInterval, percent_interval
from roadlog.stats.unit_contrast import unit_t

DISAGREEMENT_RULE = (
    "a cross-check disagrees when its estimate lies outside the primary interval and the primary "
    "estimate lies outside the cross-check's interval"
)


def unadjusted(layout: Layout) -> Interval:
    """Total fuel over total distance of each switch unit, nothing held equal."""
    totals = layout.passes.groupby(layout.unit)[["fuel_ml", "distance_km"]].sum()
    values = np.log((totals["fuel_ml"] / totals["distance_km"]).to_numpy())
    return _interval(layout, values, "t interval of switch-unit totals")


def segment_paired(design: Design) -> Interval:
    """Log fuel use compared within segments, segments weighted by their fuel, by switch unit."""
    table = pd.DataFrame(
        {"y": design.y, "segment": design.passes["segment"].to_numpy(), "unit": design.unit}
    )
    cells = table.groupby(["unit", "segment"])["y"].mean().unstack()
    centre = (
        cells[design.unit_arm[cells.index] == 0].mean()
        + cells[design.unit_arm[cells.index] == 1].mean()
    ) / 2
    fuel = design.passes.groupby("segment")["fuel_ml"].mean().reindex(cells.columns)
    weight = cells.notna() * fuel
    values = (((cells - centre) * weight).sum(axis=1) / weight.sum(axis=1)).to_numpy()
    return _interval(design, values, "t interval of segment-paired switch-unit means")


def demand_ratio(design: Design) -> Interval | None:
    """Fuel over what baseline passes with the same demand and time would burn, by switch unit.

    None where demand is unknown.
    """
    from scipy.optimize import nnls

    p = design.passes
    needed = p[["fuel_ml", "duration_s", "demand_kj_per_km", "distance_km"]].to_numpy(dtype=float)
    if not np.isfinite(needed).all():
        return None
    work = needed[:, 2] * needed[:, 3]
    terms = np.column_stack([needed[:, 1], work, needed[:, 3]])
    scale = terms.mean(axis=0)
    if not (scale > 0).all():
        return None
    base = design.arm == 0
    weights, _ = nnls(terms[base] / scale, needed[base, 0])
    expected = terms / scale @ weights
    sums = pd.DataFrame({"fuel": needed[:, 0], "expected": expected}).groupby(design.unit).sum()
    values = np.log((sums["fuel"] / sums["expected"]).to_numpy())
    return _interval(design, values, "t interval of fuel over baseline's demand line")


def mode_binned(layout: Layout, modes: pd.DataFrame) -> Interval | None:
    """Fuel rate by operating mode, at the study's common mix of modes, by switch unit.

    Parameters
    ----------
    modes : DataFrame
        Columns `switch_unit`, `mode` (EPA MOVES operating mode), `seconds`, `fuel_g`.

    Returns
    -------
    Interval or None
        None where fewer than two modes were driven in every switch unit.
    """
    if modes.empty:
        return None
    sums = modes.groupby(["switch_unit", "mode"])[["seconds", "fuel_g"]].sum()
    seconds = sums["seconds"].unstack().reindex(layout.units)
    fuel = sums["fuel_g"].unstack().reindex(layout.units)
    common = seconds.columns[(seconds >= 10).all()]
    if len(common) < 2:
        return None
    mix = seconds[common].sum()
    rates = fuel[common] / seconds[common]
    values = np.log(((rates * mix).sum(axis=1) / mix.sum()).to_numpy())
    share = float(mix.sum() / seconds.sum().sum())
    return _interval(
        layout, values, f"t interval of fuel rate at a common mix of modes ({share:.0%} of time)"
    )


def disagreements(primary: Interval, rows: Sequence[NamedInterval]) -> list[str]:
    """Names of the cross-checks that disagree with the primary interval by the stated rule."""
    if primary.low is None or primary.high is None:
        return []
    out = []
    for row in rows:
        i = row.interval
        if row.role != "crosscheck" or i.low is None or i.high is None:
            continue
        outside = not primary.low <= i.estimate <= primary.high
        if outside and not i.low <= primary.estimate <= i.high:
            out.append(row.name)
    return out


def disagreement_warnings(primary: Interval, rows: Sequence[NamedInterval]) -> list[Warned]:
    """One warning that names the cross-checks which disagree, if any do."""
    names = disagreements(primary, rows)
    if not names:
        return []
    verb = "disagrees" if len(names) == 1 else "disagree"
    return [
        Warned(
            "crosscheck-disagrees",
            f"{' and '.join(names)} {verb} with the primary result ({DISAGREEMENT_RULE})",
        )
    ]


def _interval(design: Design | Layout, values: Floats, method: str) -> Interval:
    tau, half, df = unit_t(values, design.unit_arm, design.unit_fixed)
    return percent_interval(tau, half, df, method)
