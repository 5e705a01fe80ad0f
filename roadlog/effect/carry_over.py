"""Whether the add-on's effect outlasts taking it out, or grows while it is in.

In goes the design; out come the change of fuel use that follows a switch unit with the add-on in,
the change of the effect with distance since the switch, and the primary effect with the previous
arm held equal (method section 5, washout). They are looked at beside the primary effect and never
replace it: what is set aside at the start of a unit is fixed before any data.
"""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from roadlog.effect.crosschecks import fit_interval, fit_percent
from roadlog.effect.design import Design
from roadlog.effect.primary import PrimaryFit, fit_primary
from roadlog.effect.reduction import Floats, containment_df, reduce_design
from roadlog.errors import RoadlogError
from roadlog.results import NamedInterval, Warned

AFTER_FITTED = "after a switch unit with the add-on in"
BY_DISTANCE = "effect for each 10 km since the switch"
PER_KM = 10.0
COLUMNS = ("what", "estimate", "low", "high", "p")
LEVEL = 0.01  # of each row: a report holds many looks, and shows the rows in any case
LEAST_DF = 4  # with fewer, the scatter that the interval is made of is itself a matter of chance

_TOLD = {
    AFTER_FITTED: (
        "fuel use changed by {estimate:+.1f} % after a switch unit with the add-on in "
        "(95 % interval {low:+.1f} to {high:+.1f} %): if its effect outlasts taking it out, the "
        "arms differ by more or less than was measured; declare carry_over and washout_km in "
        "[device] before the next study"
    ),
    BY_DISTANCE: (
        "the effect changed by {estimate:+.1f} % for each 10 km since the switch (95 % interval "
        "{low:+.1f} to {high:+.1f} %): it may take distance to build up or wash out; declare "
        "washout_km in [device] before the next study"
    ),
}


def carry_over_table(design: Design) -> pd.DataFrame:
    """Change of fuel use by the previous arm, and of the effect by distance since the switch.

    Returns
    -------
    DataFrame
        `what`, `estimate`, `low`, `high` (percent of fuel use), `p`. A row is absent where the
        design can't tell it: strict turns leave the previous arm and the arm one and the same, and
        twelve days in pairs leave too few degrees of freedom for the previous arm.
    """
    from scipy.special import stdtr

    rows = []
    for what, fit in (
        (AFTER_FITTED, _previous_arm(design)),
        (BY_DISTANCE, _by_distance(design)),
    ):
        if fit is None or not fit.converged[0]:
            continue
        p = float(2 * stdtr(fit.df, -abs(fit.tau[0]) / fit.se[0]))
        rows.append({"what": what, **fit_percent(fit), "p": p})
    return pd.DataFrame(rows, columns=list(COLUMNS))


def previous_arm_row(design: Design) -> Iterator[NamedInterval]:
    """The primary effect with the previous switch unit's arm held equal, where it can be told."""
    keep, previous = _followers(design)
    fit = _fit(design, keep, design.arm[keep], previous, _unit_df(design, keep))
    if fit is None:
        return
    note = "previous arm in the model, first switch unit left out"
    yield NamedInterval("previous arm held equal", fit_interval(fit, note), "sensitivity", note)


def carry_over_warnings(table: pd.DataFrame) -> list[Warned]:
    """Warn of a row beyond chance."""
    return [
        Warned("carry-over", _TOLD[row["what"]].format_map(row))
        for row in table.to_dict("records")
        if row["p"] < LEVEL
    ]


def _followers(design: Design) -> tuple[np.ndarray, Floats]:
    """Rows of all switch units but the first, and the arm (1 fitted) of the unit before theirs."""
    keep = design.unit > 0
    return keep, design.unit_arm[design.unit[keep] - 1].astype(float)


def _previous_arm(design: Design) -> PrimaryFit | None:
    keep, previous = _followers(design)
    return _fit(design, keep, previous, design.arm[keep], _unit_df(design, keep))


def _unit_df(design: Design, keep: np.ndarray) -> int:
    """Containment degrees of freedom of the rows kept, less one for arm or previous arm."""
    other = None if design.other is None else design.other[keep]
    df = containment_df(design.fixed[keep], design.unit[keep], design.arm[keep], other)
    return df - len(design.between) - 1


def _by_distance(design: Design) -> PrimaryFit | None:
    """Every switch unit has a slope of its own; their number less two compares the arms' slopes."""
    if "km_since_switch" not in design.passes:
        return None
    km = design.passes["km_since_switch"].to_numpy(dtype=float)
    if not np.isfinite(km).all() or np.ptp(km) < 1:
        return None
    ten_km = (km - km.mean()) / PER_KM
    beside = np.column_stack([design.arm, ten_km])
    whole = np.ones(len(km), dtype=bool)
    return _fit(design, whole, design.arm * ten_km, beside, len(design.units) - 2)


def _fit(
    design: Design, keep: np.ndarray, column: Floats, beside: Floats, df: int
) -> PrimaryFit | None:
    """Coefficient of a column (kept,) with others `beside` it; None where it can't be told."""
    if df < LEAST_DF:
        return None
    beside = beside.reshape(int(keep.sum()), -1)
    unit = np.unique(design.unit[keep], return_inverse=True)[1]
    other = None if design.other is None else np.unique(design.other[keep], return_inverse=True)[1]
    fixed = np.column_stack([design.fixed_with(design.names)[keep], beside])
    try:
        reduced = reduce_design(fixed, column, unit, other, design.weights[keep], df)
        return fit_primary(reduced, design.y[keep])
    except RoadlogError:
        return None
