"""Flat tops: samples go in, where a meter stands at its ceiling comes out.

What a clipped air meter doesn't show is air and fuel lost, most where the engine pulls hardest. The
thresholds are common practice without a source.
"""

import numpy as np

from roadlog.fuel.air import Array
from roadlog.quantities.columns import Table
from roadlog.quantities.signals import signal

CEILING_SHARE = 0.998
BELOW_SHARE = 0.95
LEAST_AT_CEILING_S = 5.0
LEAST_STREAK = 3
PILED_UP = 3.0
RPM_CHANGE = 1.03


def at_ceiling(samples: Table, name: str = "maf_g_s") -> Array:
    """Where a meter stands at its ceiling, shape (n,).

    A flat top: its highest value held over at least three samples in a row while engine speed (or
    road speed, where that isn't logged) rises, for five seconds in all, and far oftener than the
    values just below it. PID 10 ends at 655.35 g/s, but meters clip earlier.
    """
    values = signal(samples, name)
    none = np.zeros(len(values), bool)
    known = np.isfinite(values)
    if not known.any():
        return none
    top = float(values[known].max())
    held: Array = known & (values >= CEILING_SHARE * top)
    lower = values[known & ~held]
    next_lower = float(lower.max()) if len(lower) else top  # a coarse meter's next reading
    below = known & (values >= min(BELOW_SHARE * top, next_lower)) & ~held
    dt = signal(samples, "dt_s")
    if dt[held].sum() < max(LEAST_AT_CEILING_S, PILED_UP * dt[below].sum()):
        return none
    other = signal(samples, "rpm" if "rpm" in samples else "speed_kmh")
    edges = np.flatnonzero(np.diff(np.concatenate([[False], held, [False]])))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        there = other[first:last]
        there = there[np.isfinite(there)]
        if last - first >= LEAST_STREAK and len(there) and there.max() > RPM_CHANGE * there.min():
            return held
    return none
