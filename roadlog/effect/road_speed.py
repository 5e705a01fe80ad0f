"""The effect on slow and on fast road, each by itself, and how far the two are apart.

In go switch units and their expected fuel; out comes a row for each class of road by average speed.
A segment's class comes from all of its passes together, so that no pass is placed by what the
add-on did to it. Looked at beside the primary effect, never in its place.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.effect.expected_fuel import ExpectedFuel
from roadlog.effect.layout import Layout
from roadlog.quantities.arrays import Floats
from roadlog.stats.interval import Interval, percent_interval
from roadlog.stats.unit_contrast import UnitContrast, contrast_units

# Average speed of a segment, stops included: below the first is town, from the second on the road
# is fast. Round bounds that hold in km/h and in mph (30, 50); common practice, no source.
BOUNDS_KMH = (50.0, 80.0)
FAST_LESS_SLOW = "fastest less slowest"
LEAST_UNITS_PER_ARM = 2
COLUMNS = (
    "road", "from_kmh", "to_kmh", "km", "baseline_l_per_100km", "change_pct", "low", "high",
    "units",
)  # fmt: skip


def road_speed_effects(layout: Layout, fit: ExpectedFuel) -> pd.DataFrame:
    """Change of fuel use (percent) by class of road, and between the fastest and the slowest.

    Returns
    -------
    DataFrame
        `road` (slow, middle, fast, or `FAST_LESS_SLOW`), `from_kmh` and `to_kmh` (average speeds of
        the slowest and the fastest segment of the class), `km` driven there, what the baseline used
        there [L/100 km], `change_pct`, `low`, `high` (NaN where there is no interval), `units`. A
        class that under two switch units of either arm drove is left out; the difference is there
        with two classes at least, without speeds and use.

    Notes
    -----
    Each unit's fuel on the class over what was expected there; the arms are compared by these as
    the primary's are, with their weights, blocks and floor.
    """
    of_pass = _speeds(layout)
    at = np.searchsorted(BOUNDS_KMH, of_pass, side="right")
    classes: list[_Class] = []
    for i, road in enumerate(("slow", "middle", "fast")):
        here = at == i
        made = _class(layout, fit, here, road, of_pass) if here.any() else None
        if made is not None:
            classes.append(made)
    rows = [c.row() for c in classes]
    if len(classes) > 1:
        rows.append(_difference(layout, classes[-1], classes[0]))
    return pd.DataFrame(rows, columns=list(COLUMNS))


@dataclass(frozen=True)
class _Class:
    """One class of road: each unit's log ratio there (NaN without), its size, and the contrast."""

    road: str
    from_kmh: float
    to_kmh: float
    km: float
    baseline_l_per_100km: float
    values: Floats
    size: Floats
    variance: Floats
    contrast: UnitContrast

    def row(self) -> dict[str, object]:
        i = percent_interval(self.contrast.tau, self.contrast.half_width(), self.contrast.df, "")
        units = int(np.isfinite(self.values).sum())
        return _row(
            self.road, self.from_kmh, self.to_kmh, self.km, self.baseline_l_per_100km, i, units
        )


def _speeds(layout: Layout) -> Floats:
    """Average speed [km/h] of each pass's segment over all its passes, (n,)."""
    p = layout.passes
    sums = p.groupby("segment")[["distance_km", "duration_s"]].transform("sum")
    return np.asarray(3600 * sums["distance_km"] / sums["duration_s"], dtype=float)


def _class(
    layout: Layout, fit: ExpectedFuel, here: NDArray[np.bool_], road: str, speed: Floats
) -> _Class | None:
    n = len(layout.units)
    unit = layout.unit[here]
    burned = np.bincount(unit, fit.terms.fuel_ml[here], n)
    expected = np.bincount(unit, fit.expected_ml[here], n)
    there = (burned > 0) & (expected > 0)
    values = np.full(n, np.nan)
    values[there] = np.log(burned[there] / expected[there])
    size = np.where(there, expected, 0.0)
    variance = _pass_variance(fit, unit, here, size)
    contrast = _contrast(layout, values, size, variance)
    if contrast is None:
        return None
    km = layout.passes["distance_km"].to_numpy(dtype=float)
    base = here & (layout.unit_arm[layout.unit] == 0)
    use = float(fit.terms.fuel_ml[base].sum() / km[base].sum() / 10)
    own = speed[here]
    return _Class(
        road, float(own.min()), float(own.max()), float(km[here].sum()), use, values, size,
        variance, contrast,
    )  # fmt: skip


def _pass_variance(
    fit: ExpectedFuel, unit: NDArray[np.intp], here: NDArray[np.bool_], size: Floats
) -> Floats:
    """As `ExpectedFuel.pass_variance`, of the passes on this class of road."""
    if fit.spare <= 0 or not fit.fitted:
        return np.full(len(size), np.nan)
    squares = np.bincount(unit, fit.residual_ml[here] ** 2, len(size))
    whole = np.where(size > 0, fit.scale * size, np.nan)
    return np.asarray(squares / whole**2 * len(fit.terms.fuel_ml) / fit.spare)


def _contrast(
    layout: Layout, values: Floats, size: Floats, variance: Floats
) -> UnitContrast | None:
    kept = np.isfinite(values)
    arm = layout.unit_arm[kept]
    if min((arm == 0).sum(), (arm == 1).sum()) < LEAST_UNITS_PER_ARM:
        return None
    return contrast_units(values[kept], arm, layout.unit_fixed[kept], size[kept], variance[kept])


def _difference(layout: Layout, fast: _Class, slow: _Class) -> dict[str, object]:
    values = fast.values - slow.values
    size = np.minimum(fast.size, slow.size)
    found = _contrast(layout, values, size, fast.variance + slow.variance)
    i = Interval(np.nan, None, None)
    if found is not None:
        i = percent_interval(found.tau, found.half_width(), found.df, "")
    units = int(np.isfinite(values).sum())
    return _row(FAST_LESS_SLOW, np.nan, np.nan, fast.km + slow.km, np.nan, i, units)


def _row(
    road: str, from_kmh: float, to_kmh: float, km: float, use: float, i: Interval, units: int
) -> dict[str, object]:
    low, high = (np.nan if end is None else end for end in (i.low, i.high))
    cells = (road, from_kmh, to_kmh, km, use, i.estimate, low, high, units)
    return dict(zip(COLUMNS, cells, strict=True))
