"""Where in a drive a home, a workplace or a friend's could be seen: its ends, long stops, turns.

A log's frame goes in; positions come out that no published file may show or lead to. A stop counts
from five minutes, with the engine on or off; a turn is where the drive comes back along the line
that it came by.
"""

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.publish.private import METRES_PER_DEGREE
from roadlog.quantities.arrays import Floats
from roadlog.quantities.signals import signal
from roadlog.road.projection import positions

LONG_STOP_S = 300.0  # common practice, no source; a red light is over sooner
_STOP_SPREAD_M = 40.0  # how far a receiver's positions wander at rest
_STEP_M = 25.0
_ARM_STEPS = 12  # 300 m on both sides of a turn
_SAME_ROAD_M = 40.0  # between the ways there and back, a wide road's lanes

Point = tuple[float, float]


def hidden_points(frame: pd.DataFrame) -> list[Point]:
    """Latitude and longitude [°] of first and last fix, long stops and turns; empty without fixes.

    Parameters
    ----------
    frame : DataFrame
        `t_s` [s] and, where logged, `lat_deg`, `lon_deg` [°].
    """
    lat, lon, there = positions(frame)
    if not there.any():
        return []
    t, lat, lon = signal(frame, "t_s")[there], lat[there], lon[there]
    at = [0, len(lat) - 1, *_stops(t, lat, lon), *_turns(lat, lon)]
    return [(float(lat[i]), float(lon[i])) for i in at]


def driven_m(lat_deg: Floats, lon_deg: Floats) -> Floats:
    """Distance along positions [m], from 0."""
    if len(lat_deg) < 2:
        return np.zeros(len(lat_deg))
    north = np.diff(lat_deg) * METRES_PER_DEGREE
    east = ((np.diff(lon_deg) + 180) % 360 - 180) * METRES_PER_DEGREE
    east *= np.cos(np.radians(lat_deg[1:]))
    return np.concatenate([[0.0], np.cumsum(np.hypot(east, north))])


def _stops(t: Floats, lat: Floats, lon: Floats) -> Iterator[int]:
    """Where the car stays within some tens of metres for `LONG_STOP_S`: the middle of each stay."""
    scale = METRES_PER_DEGREE * np.cos(np.radians(lat[0]))
    x = ((lon - lon[0] + 180) % 360 - 180) * scale
    y = (lat - lat[0]) * METRES_PER_DEGREE
    i, n = 0, len(t)
    while i < n:
        j = int(np.searchsorted(t, t[i] + LONG_STOP_S))
        j = min(j, n - 1)
        stays = t[j] - t[i] >= LONG_STOP_S
        if stays and np.hypot(x[i : j + 1] - x[i], y[i : j + 1] - y[i]).max() <= _STOP_SPREAD_M:
            while j + 1 < n and np.hypot(x[j + 1] - x[i], y[j + 1] - y[i]) <= _STOP_SPREAD_M:
                j += 1
            yield (i + j) // 2
            i = j + 1
        else:
            i += 1


def _turns(lat: Floats, lon: Floats) -> Iterator[int]:
    """Where the line runs back over itself for 300 m."""
    d = driven_m(lat, lon)
    if d[-1] < 2 * _ARM_STEPS * _STEP_M:
        return
    along = np.arange(0.0, d[-1], _STEP_M)
    rising = np.append(True, np.diff(d) > 0)
    east = np.unwrap(lon, period=360.0)
    scale = METRES_PER_DEGREE * np.cos(np.radians(lat[0]))
    x = (np.interp(along, d[rising], east[rising]) - east[0]) * scale
    y = (np.interp(along, d[rising], lat[rising]) - lat[0]) * METRES_PER_DEGREE
    middle = np.arange(_ARM_STEPS, len(along) - _ARM_STEPS)
    if not len(middle):
        return
    apart = np.zeros(len(middle))
    for k in range(3, _ARM_STEPS + 1):
        gap = np.hypot(x[middle - k] - x[middle + k], y[middle - k] - y[middle + k])
        apart = np.maximum(apart, gap)
    out = np.hypot(x[middle - _ARM_STEPS] - x[middle], y[middle - _ARM_STEPS] - y[middle])
    turned: NDArray[np.bool_] = (apart < _SAME_ROAD_M) & (out > _ARM_STEPS * _STEP_M / 2)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], turned.astype(np.int8), [0]])))
    for first, last in zip(edges[::2], edges[1::2] - 1, strict=True):
        best = middle[first + int(np.argmin(apart[first : last + 1]))]
        yield int(np.searchsorted(d, along[best]))
