"""Weather, warmth and what the driver noted, compared between the arms by switch unit.

Comparable passes go in; a row a quantity comes out, with the arms' difference and its interval. It
says how far the arms met the same conditions, whatever the model then makes of them.
"""

import numpy as np
import pandas as pd

from roadlog.effect.layout import Layout
from roadlog.quantities.tables import NOTE, REMARK
from roadlog.stats.unit_contrast import unit_t

COLUMNS = ("what", "unit", "baseline", "fitted", "difference", "low", "high", "p")
SAME = 1e-9  # of the quantity: units that differ by less are the same, and have no scatter
KNOWN = 0.95  # of the switch units, for a quantity to be compared
# Pass column: factor and unit it is told in, and whether it belongs to the run's start.
_QUANTITIES = {
    "ambient_c": (1.0, "°C", False),
    "headwind_m_s": (1.0, "m/s", False),
    "wet_road": (100.0, "% of the time", False),
    "coolant_start_c": (1.0, "°C", True),
    "fuel_lhv_mj_kg": (1.0, "MJ/kg", False),
}


def conditions_by_arm(layout: Layout) -> pd.DataFrame:
    """Means of each arm's switch units, and their difference as the primary's contrast sees it.

    Returns
    -------
    DataFrame
        `what` (a column of the pass table), `unit`, `baseline`, `fitted` (means of the arm's
        units), `difference` (fitted less baseline, within blocks where there are any), `low`,
        `high`, `p` (NaN where there is none). A quantity that isn't known in nearly all units is
        absent.
    """
    from scipy.special import stdtr, stdtrit

    rows = []
    for column, factor, unit, at_start in _compared(layout.passes):
        p = layout.passes
        values = factor * pd.to_numeric(p[column], errors="coerce").astype(float)
        if at_start:
            first = ~p["run"].duplicated()
            of_unit = values[first].groupby(layout.unit[first.to_numpy()]).mean()
        else:
            of_unit = values.groupby(layout.unit).mean()
        v = of_unit.reindex(range(len(layout.units))).to_numpy(dtype=float)
        known = np.isfinite(v)
        if known.mean() < KNOWN:
            continue
        means = [float(v[known & (layout.unit_arm == i)].mean()) for i in (0, 1)]
        difference, half, df = unit_t(v, layout.unit_arm, layout.unit_fixed)
        if not np.isfinite(difference):
            continue
        if np.ptp(v[known]) <= SAME * max(1.0, float(np.abs(v[known]).max())):
            difference, half = 0.0, float("nan")
        chance = float("nan")
        if df >= 2 and half > 0:
            chance = float(2 * stdtr(df, -abs(difference) * float(stdtrit(df, 0.975)) / half))
        cells = (column, unit, *means, difference, difference - half, difference + half, chance)
        rows.append(dict(zip(COLUMNS, cells, strict=True)))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _compared(passes: pd.DataFrame) -> list[tuple[str, float, str, bool]]:
    """Column, factor, unit, and whether it is of the run's start; of notes the numbers."""
    found = [
        (column, factor, unit, at_start)
        for column, (factor, unit, at_start) in _QUANTITIES.items()
        if column in passes.columns
    ]
    for column in (str(c) for c in passes.columns if str(c).startswith((NOTE, REMARK))):
        numbers = pd.to_numeric(passes[column], errors="coerce")
        if numbers.notna().any():
            found.append((column, 1.0, "", False))
    return found
