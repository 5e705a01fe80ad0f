"""A log without its hidden road: rows inside the discs gone, and its start and end with them.

A log's frame and the discs go in; the rows that may be shown come out, on a clock that begins at
the first of them. Where a disc lies in mid-drive the rows around it stand `HOLE_S` apart, however
long the car was inside. A log without positions loses the drawn length by its wheels at both ends.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.publish.places import driven_m
from roadlog.publish.private import Place
from roadlog.quantities.arrays import Floats
from roadlog.quantities.signals import signal
from roadlog.road.projection import positions

HOLE_S = 300.0
LEAST_PIECE_M = 500.0  # less between two hidden stretches is no road to compare
NO_FIX_S = 15.0  # longer without a fix, the car may have been anywhere near
NO_FIX_M = 1000.0

Mask = NDArray[np.bool_]


def shown_rows(frame: pd.DataFrame, hidden: Sequence[Place], length_m: float) -> Mask:
    """Which rows of a log may be shown.

    Parameters
    ----------
    frame : DataFrame
        `t_s` [s], positions or wheel speed.
    hidden : sequence of Place
    length_m : float [m]
        What goes from each end by the wheels where there are no positions.

    Returns
    -------
    (n,) bool
        All False if the log tells neither positions nor distance.
    """
    lat, lon, there = positions(frame)
    t = signal(frame, "t_s")
    if not there.any():
        return _by_wheels(t, signal(frame, "speed_kmh"), length_m)
    at = t[there]
    row_lat = np.interp(t, at, lat[there])
    row_lon = np.interp(t, at, np.unwrap(lon[there], period=360.0))
    shown: Mask = (t >= at[0]) & (t <= at[-1])
    lost = _without_fix(t, at)
    for place in hidden:
        shown &= ~place.inside(row_lat, row_lon)
        shown &= ~(lost & place.inside(row_lat, row_lon, NO_FIX_M))
    return _long_pieces(shown, driven_m(row_lat, row_lon))


def on_own_clock(frame: pd.DataFrame, shown: Mask) -> pd.DataFrame:
    """The shown rows with `t_s` from 0, `HOLE_S` where rows between two of them are hidden."""
    at = np.flatnonzero(shown)
    kept = frame.iloc[at].reset_index(drop=True)
    t = kept["t_s"].to_numpy(np.float64)
    step = np.diff(t)
    step[np.diff(at) > 1] = HOLE_S
    return kept.assign(t_s=np.concatenate([[0.0], np.cumsum(step)]) if len(t) else t)


def between(frame: pd.DataFrame, first_s: float, last_s: float) -> Mask:
    """The rows from one time to another."""
    t = frame["t_s"].to_numpy(np.float64)
    return np.asarray((t >= first_s) & (t <= last_s))


def _without_fix(t: Floats, at: Floats) -> Mask:
    """Rows between two fixes that lie `NO_FIX_S` or more apart."""
    after = np.clip(np.searchsorted(at, t, "left"), 1, len(at) - 1) if len(at) > 1 else None
    if after is None:
        return np.zeros(len(t), bool)
    return np.asarray(
        (at[after] - at[after - 1] >= NO_FIX_S) & (t > at[after - 1]) & (t < at[after])
    )


def _long_pieces(shown: Mask, along_m: Floats) -> Mask:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], shown.astype(np.int8), [0]])))
    out = np.zeros(len(shown), bool)
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        if along_m[end - 1] - along_m[first] >= LEAST_PIECE_M:
            out[first:end] = True
    return out


def _by_wheels(t: Floats, speed_kmh: Floats, length_m: float) -> Mask:
    known = np.isfinite(speed_kmh)
    if known.sum() < 2:
        return np.zeros(len(t), bool)
    at, v = t[known], speed_kmh[known] / 3.6
    step = np.diff(at)
    metres = np.where(step > 10, 0.0, step) * (v[1:] + v[:-1]) / 2
    along = np.interp(t, at, np.concatenate([[0.0], np.cumsum(metres)]))
    return np.asarray((along >= length_m) & (along <= along[-1] - length_m))
