"""Fuel and time of each arm by operating mode."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from roadlog.quantities.columns import Table, columns_of
from roadlog.quantities.warm import WARM_COOLANT_C


def mode_table(tracks: Mapping[int, Table], passes: pd.DataFrame) -> pd.DataFrame:
    """Time and fuel by operating mode and switch unit, over the runs that made a used pass.

    Returns
    -------
    DataFrame
        `switch_unit`, `mode` (`demand.operating_mode`), `seconds`, `fuel_g`; warm samples on
        segments only, because a cold engine isn't comparable by mode.
    """
    used = passes[passes["used"].astype(bool)]
    unit = dict(zip(used["run"], used["switch_unit"], strict=True))
    parts = []
    for run, track in tracks.items():
        if run not in unit:
            continue
        told = columns_of(track)
        flow, mode, dt = told.floats("fuel_flow_g_s"), told["op_mode"], told.floats("dt_s")
        warm = ~(told.floats("coolant_temp_c") < WARM_COOLANT_C)
        on = np.isfinite(flow) & (mode >= 0) & (told["traversal"] >= 0) & warm
        parts.append(
            pd.DataFrame(
                {
                    "switch_unit": unit[run],
                    "mode": mode[on],
                    "seconds": dt[on],
                    "fuel_g": flow[on] * dt[on],
                }
            )
        )
    if not parts:
        return pd.DataFrame(columns=["switch_unit", "mode", "seconds", "fuel_g"])
    every = pd.concat(parts, ignore_index=True)
    return every.groupby(["switch_unit", "mode"], as_index=False)[["seconds", "fuel_g"]].sum()
