"""Fuel and time of each arm by operating mode."""

from collections.abc import Mapping

import pandas as pd

from roadlog.quantities.warm import WARM_COOLANT_C


def mode_table(tracks: Mapping[int, pd.DataFrame], passes: pd.DataFrame) -> pd.DataFrame:
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
        coolant = track["coolant_temp_c"] if "coolant_temp_c" in track.columns else None
        warm = True if coolant is None else ~(coolant < WARM_COOLANT_C)
        on = track["fuel_flow_g_s"].notna() & (track["op_mode"] >= 0) & (track["traversal"] >= 0)
        kept = track[on & warm]
        parts.append(
            pd.DataFrame(
                {
                    "switch_unit": unit[run],
                    "mode": kept["op_mode"],
                    "seconds": kept["dt_s"],
                    "fuel_g": kept["fuel_flow_g_s"] * kept["dt_s"],
                }
            )
        )
    if not parts:
        return pd.DataFrame(columns=["switch_unit", "mode", "seconds", "fuel_g"])
    every = pd.concat(parts, ignore_index=True)
    return every.groupby(["switch_unit", "mode"], as_index=False)[["seconds", "fuel_g"]].sum()
