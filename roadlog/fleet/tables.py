"""The tables of a fleet's result: a row a vehicle, what was left out, rows of the interval plot."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.fleet.contrast import FleetContrast
from roadlog.quantities.arrays import Floats
from roadlog.quantities.units import mpg_us
from roadlog.stats.interval import Interval, NamedInterval

VEHICLE_COLUMNS = (
    "vehicle", "group", "switch_units", "fitted_units", "estimate", "low", "high", "raw", "weight",
    "without", "without_low", "without_high", "outlying", "l_per_100km", "l_per_100km_change",
    "mpg_us_change",
)  # fmt: skip


def vehicle_table(contrast: FleetContrast, outlying: NDArray[np.bool_]) -> pd.DataFrame:
    """A row a vehicle that counts (`FleetResult.vehicles`), changes in percent of fuel use."""
    known = [v.known for v in contrast.vehicles]
    n = len(known)
    middle = low = high = np.full(n, np.nan)
    if contrast.draws is not None:
        own = np.isfinite(contrast.noise) & np.isfinite(contrast.raw)
        middle, low, high = (np.full(n, np.nan) for _ in range(3))
        middle[own], low[own], high[own] = contrast.draws.shrunken(
            contrast.raw[own], contrast.noise[own] / contrast.scale
        )
    base = np.array([_use(f.burned_ml, f.km, f.arm == 0) for f in known])
    changed = base * np.exp(middle)
    return pd.DataFrame(
        {
            "vehicle": [v.vehicle for v in contrast.vehicles],
            "group": [v.group for v in contrast.vehicles],
            "switch_units": [len(f.arm) for f in known],
            "fitted_units": [int(f.arm.sum()) for f in known],
            "estimate": _percent(middle),
            "low": _percent(low),
            "high": _percent(high),
            "raw": _percent(contrast.raw),
            "weight": contrast.weights,
            "without": _percent(contrast.without),
            "without_low": _percent(contrast.without - contrast.without_half),
            "without_high": _percent(contrast.without + contrast.without_half),
            "outlying": outlying,
            "l_per_100km": base,
            "l_per_100km_change": changed - base,
            "mpg_us_change": mpg_us(changed) - mpg_us(base),
        },
        columns=list(VEHICLE_COLUMNS),
    )


def left_out_table(why: Sequence[tuple[str, str]]) -> pd.DataFrame:
    """Vehicles that said nothing, by name: `vehicle`, `why`."""
    return pd.DataFrame(sorted(why), columns=["vehicle", "why"])


def forest_rows(
    effect: Interval, total: Interval, next_vehicle: Interval | None, plain: Mapping[str, Interval]
) -> tuple[NamedInterval, ...]:
    """Rows of the interval plot: the fleet's effect first, then what stands beside it."""
    rows = [NamedInterval("fleet's effect", effect, "primary")]
    if next_vehicle is not None:
        rows.append(NamedInterval("next vehicle", next_vehicle, "sensitivity"))
    rows.append(NamedInterval("total effect", total, "total"))
    rows += [NamedInterval(name, interval, "crosscheck") for name, interval in plain.items()]
    return tuple(rows)


def _use(burned_ml: Floats, km: Floats, mask: NDArray[np.bool_]) -> float:
    """Fuel use [L/100 km] of some units; NaN where there are none."""
    return float(burned_ml[mask].sum() / km[mask].sum() / 10) if mask.any() else float("nan")


def _percent(logs: Floats) -> Floats:
    return np.asarray(100 * np.expm1(logs))
