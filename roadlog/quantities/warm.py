"""When an engine counts as warm: the one home of the temperatures, the times and what they select.

Two thresholds mean two things: from `WARM_COOLANT_C` signals of one engine are comparable with each
other; up to `WARMED_UP_COOLANT_C` a cold start still costs fuel.
"""

import numpy as np

from roadlog.quantities.arrays import Bools
from roadlog.quantities.columns import Table
from roadlog.quantities.signals import CLOSED_LOOP, CLOSED_LOOP_FAULT, signal

WARM_COOLANT_C = 70.0
WARM_AFTER_S = 300.0  # since the start, where coolant isn't logged
WARMED_UP_COOLANT_C = 80.0
WARMUP_TIME_CONSTANT_S = 300.0  # common practice, no source: coolant warms in about ten minutes


def warm_samples(samples: Table) -> Bools:
    """Samples of a warm engine: by coolant where it is logged, else by time since the start."""
    coolant = signal(samples, "coolant_temp_c")
    by_time = signal(samples, "t_s") >= WARM_AFTER_S
    return np.where(np.isfinite(coolant), coolant >= WARM_COOLANT_C, by_time).astype(bool)


def loop_is_closed(samples: Table) -> Bools:
    """Samples with the mixture's loop closed; where the status isn't logged, every one."""
    status = signal(samples, "fuel_status")
    closed: Bools = ~np.isfinite(status) | (status == CLOSED_LOOP) | (status == CLOSED_LOOP_FAULT)
    return closed
