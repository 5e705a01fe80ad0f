"""Whether the add-on's effect outlasts taking it out, or grows while it is in.

In go switch units and their fuel over expected fuel; out come the change of fuel use that follows
a switch unit with the add-on in, the change of the effect with distance since the switch, and the
primary effect with the previous arm held equal (method section 5, washout). They are looked at
beside the primary effect and never replace it: what is set aside at the start of a unit is fixed
before any data.
"""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from roadlog.effect.expected_fuel import ExpectedFuel
from roadlog.effect.layout import Layout
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Warned
from roadlog.stats.interval import NamedInterval, percent, percent_interval
from roadlog.stats.unit_contrast import UnitContrast, contrast_units

AFTER_FITTED = "after a switch unit with the add-on in"
BY_DISTANCE = "effect for each 10 km since the switch"
PER_KM = 10.0
PER_100_KM = "effect for each 100 km with the add-on in"
AT_THE_END = "effect at the end of the study"
COLUMNS = ("what", "estimate", "low", "high", "p")
BUILD_UP_COLUMNS = ("what", "km", "estimate", "low", "high", "p")
LEAST_FITTED_UNITS = 3  # two make a line without a scatter
LEVEL = 0.01  # of each row: a report holds many looks, and shows the rows in any case
LEAST_DF = 4  # with fewer, the scatter that the interval is made of is itself a matter of chance

_TOLD = {
    AFTER_FITTED: (
        "fuel use differs by more than chance after a switch unit with the add-on in "
        "(95 % interval {low:+.1f} to {high:+.1f} %, estimate {estimate:+.1f} %): if its effect "
        "outlasts taking it out, the arms differ by more or less than was measured; declare "
        "carry_over and washout_km in [device] before the next study"
    ),
    BY_DISTANCE: (
        "the effect moves with the distance since the switch by more than chance (95 % interval "
        "{low:+.1f} to {high:+.1f} % for each 10 km, estimate {estimate:+.1f} %): it may take "
        "distance to build up or wash out; declare "
        "washout_km in [device] before the next study"
    ),
}


def carry_over_table(layout: Layout, fit: ExpectedFuel) -> pd.DataFrame:
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
    for what, found in (
        (AFTER_FITTED, _previous_arm(layout, fit.ratio_log)),
        (BY_DISTANCE, _by_distance(layout, fit)),
    ):
        if found is None or found.df < LEAST_DF or not found.se > 0:
            continue
        half = found.half_width()
        ends = (found.tau, found.tau - half, found.tau + half)
        names = ("estimate", "low", "high")
        told = {k: percent(x) for k, x in zip(names, ends, strict=True)}
        p = float(2 * stdtr(found.df, -abs(found.tau) / found.se))
        rows.append({"what": what, **told, "p": p})
    return pd.DataFrame(rows, columns=list(COLUMNS))


def previous_arm_row(layout: Layout, values: Floats) -> Iterator[NamedInterval]:
    """The primary effect with the previous switch unit's arm held equal, where it can be told."""
    previous = _previous(layout)
    fixed = np.column_stack([layout.unit_fixed[1:], previous])
    found = contrast_units(values[1:], layout.unit_arm[1:], fixed)
    if found is None or found.df < LEAST_DF:
        return
    note = "previous arm in the model, first switch unit left out"
    interval = percent_interval(found.tau, found.half_width(), found.df, note)
    yield NamedInterval("previous arm held equal", interval, "sensitivity", note)


def build_up_table(layout: Layout, fit: ExpectedFuel) -> pd.DataFrame:
    """Whether the effect grows with the kilometres that the add-on has been in, all units together.

    Returns
    -------
    DataFrame
        `what`, `km`, `estimate`, `low`, `high` (percent of fuel use), `p`: the change of the effect
        for each 100 km with the add-on in (`PER_100_KM`), and the effect at the middle of the last
        such switch unit (`AT_THE_END`), on the straight line that the units make; `km` are those
        driven with it by then, of the passes that are compared. Empty where fewer than three units
        had it in, the units have no order in time, or too few degrees of freedom are left.
    """
    from scipy.special import stdtr

    fitted = layout.unit_arm == 1
    empty = pd.DataFrame(columns=list(BUILD_UP_COLUMNS))
    if fitted.sum() < LEAST_FITTED_UNITS or layout.passes["start"].isna().any():
        return empty
    km = np.bincount(layout.unit, layout.passes["distance_km"].to_numpy(dtype=float))
    order = np.argsort(layout.starts.to_numpy(), kind="stable")
    own = np.where(fitted, km, 0.0)
    before = np.empty(len(km))
    before[order] = np.cumsum(own[order]) - own[order] / 2
    last = float(before[fitted].max())
    rows = []
    for what, arm, beside in (
        (PER_100_KM, fitted * (before - before[fitted].mean()) / 100, fitted * 1.0),
        (AT_THE_END, fitted * 1.0, fitted * (before - last)),
    ):
        fixed = np.column_stack([layout.unit_fixed, beside])
        found = contrast_units(
            fit.ratio_log,
            arm,
            fixed,
            fit.unit_expected_ml,
            fit.pass_variance,
        )
        if found is None or found.df < LEAST_DF or not found.se > 0:
            return empty
        half = found.half_width()
        ends = (percent(x) for x in (found.tau, found.tau - half, found.tau + half))
        p = float(2 * stdtr(found.df, -abs(found.tau) / found.se))
        rows.append(dict(zip(BUILD_UP_COLUMNS, (what, last, *ends, p), strict=True)))
    return pd.DataFrame(rows, columns=list(BUILD_UP_COLUMNS))


def carry_over_warnings(table: pd.DataFrame) -> list[Warned]:
    """Warn of a row beyond chance."""
    return [
        Warned("carry-over", _TOLD[row["what"]].format_map(row))
        for row in table.to_dict("records")
        if row["p"] < LEVEL
    ]


def _previous(layout: Layout) -> Floats:
    """The arm (1 fitted) of the unit before each but the first, (units - 1,)."""
    return layout.unit_arm[:-1].astype(float)


def _previous_arm(layout: Layout, values: Floats) -> UnitContrast | None:
    fixed = np.column_stack([layout.unit_fixed[1:], layout.unit_arm[1:]])
    return contrast_units(values[1:], layout.unit_arm[:-1], fixed)


def _by_distance(layout: Layout, fit: ExpectedFuel) -> UnitContrast | None:
    """Each switch unit has a slope of its own over distance; the slopes are compared by arm."""
    if "km_since_switch" not in layout.passes or not fit.fitted:
        return None
    km = layout.passes["km_since_switch"].to_numpy(dtype=float)
    if not np.isfinite(km).all() or np.ptp(km) < 1:
        return None
    n = len(layout.units)
    expected = fit.scale[layout.unit] * fit.expected_ml
    of_unit = np.bincount(layout.unit, expected, n)
    middle = np.bincount(layout.unit, expected * km, n) / of_unit
    leverage = expected * (km - middle[layout.unit]) / PER_KM
    size = np.bincount(layout.unit, leverage**2, n)
    told = size > 1e-9 * size.max()
    if not told.all():
        return None
    slope = np.bincount(layout.unit, leverage * fit.residual_ml, n) / size
    return contrast_units(slope, layout.unit_arm, np.ones((n, 1)), np.asarray(size, dtype=float))
