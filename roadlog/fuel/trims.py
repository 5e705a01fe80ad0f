"""The fuel trims of one run as one figure: samples go in, a mean for each bank comes out.

Trims mean something where the engine is warm and the loop closed: in open loop they are frozen, in
a fuel cut zero. The evidence in the report and the engine-signals trial both take this figure, so
that they can't tell two stories of one study. Implements method section 1, trims.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.fuel.air import signal
from roadlog.fuel.baseline import WARM_COOLANT_C
from roadlog.quantities.signals import CLOSED_LOOP, CLOSED_LOOP_FAULT, TRIMS

WARM_AFTER_S = 300.0
LEAST_SECONDS = 60.0


def warm_samples(samples: pd.DataFrame) -> NDArray[np.bool_]:
    """Samples of a warm engine: by coolant where it is logged, else by time since the start."""
    coolant = signal(samples, "coolant_temp_c")
    known = np.isfinite(coolant)
    return np.asarray(
        np.where(known, coolant >= WARM_COOLANT_C, signal(samples, "t_s") >= WARM_AFTER_S)
    ).astype(bool)


def closed_loop(samples: pd.DataFrame) -> NDArray[np.bool_]:
    """Warm samples with the loop closed; where the status isn't logged, every warm one."""
    status = signal(samples, "fuel_status")
    shut = ~np.isfinite(status) | (status == CLOSED_LOOP) | (status == CLOSED_LOOP_FAULT)
    return np.asarray(warm_samples(samples) & shut)


def bank_trims(samples: pd.DataFrame) -> dict[str, float]:
    """Short and long term trims together, time-weighted mean of each bank [%].

    Parameters
    ----------
    samples : DataFrame
        `tables.SAMPLES` or `tables.FUEL`.

    Returns
    -------
    dict
        `trim1`, `trim2`; a bank without both trims, or with under a minute of them, is absent.
    """
    dt = samples["dt_s"].to_numpy(np.float64)
    loop = closed_loop(samples)
    found = {}
    for i, (short, long) in enumerate(TRIMS, 1):
        both = signal(samples, short) + signal(samples, long)
        there = loop & np.isfinite(both)
        seconds = float(dt[there].sum())
        if seconds >= LEAST_SECONDS:
            found[f"trim{i}"] = float((both[there] * dt[there]).sum() / seconds)
    return found
