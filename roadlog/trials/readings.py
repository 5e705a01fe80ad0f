"""What the readings of a run-out leave unsure, however well the trials agree.

In go the trials' fuel, time and load as written down; out come the standard uncertainty that the
scale or measure gives each trial, which repetition lowers, and that of the grid on which the
numbers were read, which it doesn't: trials that agree to the last digit share their rounding.
Implements the floor of the run-out's interval, method section 7.
"""

import numpy as np
import pandas as pd

from roadlog.quantities.arrays import Floats
from roadlog.quantities.fuels import Fuel

# Limits of error, taken as rectangular; common practice, no source.
SCALE_G = 1.0  # of a kitchen or parcel scale
MEASURE_SHARE = 0.005  # of a volume in a measuring cylinder
UNKNOWN_TEMP_K = 5.0  # standard uncertainty of the fuel's temperature where nobody read it
LEAST_FUEL_GRID_G = 0.1
CLOCK_GRIDS_S = (60.0, 30.0, 10.0, 5.0)  # times that were read in minutes or on a dial


def grid_of(values: Floats, coarser: tuple[float, ...] = ()) -> float:
    """The step on which numbers were written: by their decimals, or a coarser one that fits all.

    >>> grid_of(np.array([300.0, 301.0])), grid_of(np.array([12.5, 13.0]))
    (1.0, 0.1)
    >>> grid_of(np.array([3600.0, 3660.0]), CLOCK_GRIDS_S)
    60.0
    """
    x = np.asarray(values, float)
    x = x[np.isfinite(x)]
    for step in coarser:
        if len(x) and np.allclose(x / step, np.round(x / step), atol=1e-9):
            return step
    for decimals in range(4):
        if np.allclose(x, np.round(x, decimals), rtol=0, atol=1e-9):
            return float(10.0**-decimals)
    return 0.0


def fuel_error_g(volume_ml: float, fuel_g: float, temp_known: bool, fuel: Fuel) -> float:
    """Standard uncertainty of one trial's fuel from scale or measure, and from its temperature."""
    if np.isnan(volume_ml):
        return float(SCALE_G / np.sqrt(3))
    unread = 0.0 if temp_known else UNKNOWN_TEMP_K * fuel.thermal_expansion_per_k
    return float(fuel_g * np.hypot(MEASURE_SHARE / np.sqrt(3), unread))


def reading_errors(table: pd.DataFrame, follows: float) -> tuple[Floats, float]:
    """Standard uncertainties of log fuel flow at equal load that the readings alone give.

    Parameters
    ----------
    table : DataFrame
        `fuel_g`, `time_s`, `load_w`; where known `u_fuel_g` (scale or measure), and the grids
        `fuel_grid_g`, `time_grid_s`, `load_grid_w` on which they were read.
    follows : float
        d ln(fuel)/d ln(load).

    Returns
    -------
    each : (n,) array
        Of each trial by itself.
    shared : float
        Of the rounding, which trials that agree have in common.
    """
    fuel, time, load = (table[c].to_numpy(float) for c in ("fuel_g", "time_s", "load_w"))

    def column(name: str, otherwise: float) -> Floats:
        if name not in table:
            return np.full(len(table), otherwise)
        return np.asarray(table[name].fillna(otherwise).to_numpy(float))

    own = column("u_fuel_g", SCALE_G / np.sqrt(3)) / fuel
    steps = (
        np.sqrt(2) * column("fuel_grid_g", max(grid_of(fuel), LEAST_FUEL_GRID_G)) / fuel,
        np.sqrt(2) * column("time_grid_s", grid_of(time, CLOCK_GRIDS_S)) / time,
        follows * column("load_grid_w", grid_of(load)) / load,
    )
    rounding = np.sqrt(sum(s**2 for s in steps) / 12)  # a reading stands for its whole step
    return own, float(np.mean(rounding))
