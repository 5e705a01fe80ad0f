"""The fuel trims of one run as one figure: samples go in, a mean for each bank comes out.

Trims mean something where the engine is warm and the loop closed: in open loop they are frozen, in
a fuel cut zero. The evidence in the report and the engine-signals trial both take this figure, so
that they can't tell two stories of one study. Implements method section 1, trims.
"""

import numpy as np

from roadlog.quantities.columns import Table
from roadlog.quantities.signals import TRIMS, signal
from roadlog.quantities.warm import loop_is_closed, warm_samples

LEAST_SECONDS = 60.0


def bank_trims(samples: Table) -> dict[str, float]:
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
    dt = signal(samples, "dt_s")
    loop = warm_samples(samples) & loop_is_closed(samples)
    found = {}
    for i, (short, long) in enumerate(TRIMS, 1):
        both = signal(samples, short) + signal(samples, long)
        there = loop & np.isfinite(both)
        seconds = float(dt[there].sum())
        if seconds >= LEAST_SECONDS:
            found[f"trim{i}"] = float((both[there] * dt[there]).sum() / seconds)
    return found
