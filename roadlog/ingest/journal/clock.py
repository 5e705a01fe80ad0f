"""One clock for everything that is recorded, and its map to UTC.

Readings of the vehicle and of the position receiver are stamped with seconds since boot, which
neither a set clock nor a summer-time change moves; the boot's id is stored beside them. When the
journal is read, `fit_clock` maps those seconds to GPS UTC from the fixes, before the first fix too.
"""

import time
import uuid
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from roadlog.quantities.arrays import Floats

EARLIEST_UTC_S = 1735689600.0  # 2025-01-01: an earlier clock was never set
_BIN_S = 60.0
_OUTLIER_S = 2.0
_RATE_SPAN_S = 600.0
_MAX_DRIFT = 200e-6

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def now_s() -> float:
    """Seconds since boot [s], time asleep included where the system counts it."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


def boot_id(source: Path = _BOOT_ID) -> str:
    """The id of this boot: seconds of one id share an origin.

    Where the system has none, an id of this call, so that nothing is tied that may not belong.
    """
    try:
        return source.read_text(encoding="ascii").strip()
    except OSError:
        return f"process-{uuid.uuid4()}"


@dataclass(frozen=True)
class ClockMap:
    """UTC [s since 1970] = `utc_s` + `rate` * (seconds since boot - `since_boot_s`)."""

    since_boot_s: float
    utc_s: float
    rate: float = 1.0

    def utc(self, since_boot_s: Floats) -> Floats:
        """UTC [s] of seconds since boot [s]."""
        return self.utc_s + self.rate * (since_boot_s - self.since_boot_s)


def fit_clock(since_boot_s: Floats, utc_s: Floats) -> ClockMap | None:
    """The map from seconds since boot to UTC that the fixes of one boot give.

    Parameters
    ----------
    since_boot_s, utc_s : array, shape (n,) [s]
        When each fix arrived, and the UTC that it carries.

    Returns
    -------
    ClockMap or None
        None without a plausible fix. A fix arrives late by a varying part of a second, and a
        receiver may send a stale date at first: medians a minute, those over 2 s off left out. The
        rate is fitted (a crystal drifts by some 1e-5) once the fixes span ten minutes.

    >>> map_ = fit_clock(np.array([10.0, 11.0]), np.array([1.8e9, 1.8e9 + 1]))
    >>> map_.utc(np.array([0.0])) - 1.8e9
    array([-10.])
    """
    offset = utc_s - since_boot_s
    good = np.isfinite(offset) & (utc_s >= EARLIEST_UTC_S)
    if not good.any():
        return None
    t, offset = since_boot_s[good], offset[good]
    near = np.abs(offset - np.median(offset)) <= _OUTLIER_S
    if near.any():
        t, offset = t[near], offset[near]
    bins = np.floor((t - t[0]) / _BIN_S)
    edges = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1))
    groups = np.split(np.arange(len(t)), edges[1:])
    at = np.array([t[g].mean() for g in groups])
    late = np.array([np.median(offset[g]) for g in groups])
    middle = float(at.mean())
    rate = 0.0
    if at[-1] - at[0] >= _RATE_SPAN_S:
        rate = float(np.polyfit(at - middle, late, 1)[0])
        rate = rate if abs(rate) <= _MAX_DRIFT else 0.0
    return ClockMap(middle, middle + float(late.mean()), 1.0 + rate)
