"""Where one log holds several drives.

In comes a `Log`; out come the stretches that are runs of their own, cut where the engine stood
still for minutes or the log has a long gap, and a piece of a log as a file that reads back to the
same values. Part of the ingest stage.
"""

from dataclasses import dataclass, replace
from datetime import timezone
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.ingest import shelf
from roadlog.ingest.log import Log
from roadlog.quantities.arrays import Floats
from roadlog.quantities.columns import frame_of

LONGEST_GAP_S = 600.0  # these four: common practice, no source
LONGEST_STOP_S = 300.0  # a stop-start engine at a level crossing stands for less
RESTART_GAP_S = 120.0
LEAST_RUN_KM = 0.5
LEAST_RUN_S = 60.0
_STOPPED_RPM = 100.0


@dataclass(frozen=True)
class Drive:
    """One stretch of a log, from `start_s` to `end_s` [s of its `t_s`], and how it is told apart.

    `km` is the distance by wheel speed, NaN without one; `why` says what ended it.
    """

    start_s: float
    end_s: float
    km: float
    why: str = ""

    @property
    def driven(self) -> bool:
        """Whether it is long enough to be a run."""
        long_enough = self.end_s - self.start_s >= LEAST_RUN_S
        return long_enough and not self.km < LEAST_RUN_KM


def find_drives(log: Log) -> tuple[Drive, ...]:
    """Cut a log where one drive ends and another begins.

    Parameters
    ----------
    log : Log

    Returns
    -------
    tuple of Drive
        In order of time, at least one. A cut is a gap of ten minutes; a gap of two over which the
        engine's run time starts anew; or an engine at rest for five minutes in a car at rest (a
        hybrid that rolls with its engine off goes on).
    """
    t = log.frame["t_s"].to_numpy(np.float64)
    cuts = sorted([*_gaps(log.frame, t), *_stops(log.frame)])
    drives, begin = [], float(t[0])
    for end, after, why in cuts:
        if end < begin:
            continue
        drives.append(_drive(log.frame, begin, end, why))
        begin = after
    drives.append(_drive(log.frame, begin, float(t[-1]), ""))
    return tuple(drives)


def piece(log: Log, drive: Drive) -> Log:
    """The rows of one drive as a log whose `t_s` begins at 0."""
    t = log.frame["t_s"].to_numpy(np.float64)
    rows = slice(t.searchsorted(drive.start_s), t.searchsorted(drive.end_s, side="right"))
    told = shelf.told(log.frame.iloc[rows])
    times = told.floats("t_s")
    first = float(times[0])
    start = None if log.start is None else log.start + pd.Timedelta(first, unit="s")
    return replace(log, frame=frame_of(told.assign(t_s=times - first)), start=start)


def write_piece(log: Log, path: Path) -> None:
    """Write a log in canonical signals and units, so that `read_log` gives the same values back.

    Times are written to the microsecond: wall clock if the log has one, else elapsed.
    """
    frame = log.frame.drop(columns="t_s")
    if log.start is None:
        clock = ("time_s", log.frame["t_s"].round(6))
    else:
        start = log.start
        if start.tz is not None:
            offset = start.utcoffset()
            assert offset is not None
            start = start.tz_convert(timezone(offset))
        at = start + pd.to_timedelta(log.frame["t_s"].round(6), unit="s")
        clock = ("time", at.map(lambda x: x.isoformat(timespec="microseconds")))
    frame.insert(0, clock[0], clock[1])
    frame.to_csv(path, index=False, lineterminator="\n")


def _drive(frame: pd.DataFrame, begin: float, end: float, why: str) -> Drive:
    if "speed_kmh" not in frame:
        return Drive(begin, end, float("nan"), why)
    t = frame["t_s"].to_numpy(np.float64)
    v = frame["speed_kmh"].to_numpy(np.float64)
    inside = (t >= begin) & (t <= end) & np.isfinite(v)
    dt = np.diff(t[inside])
    mean = (v[inside][1:] + v[inside][:-1]) / 2
    return Drive(begin, end, float((mean * np.where(dt > 10, 0.0, dt)).sum() / 3600), why)


def _gaps(frame: pd.DataFrame, t: Floats) -> list[tuple[float, float, str]]:
    step = np.diff(t)
    cuts = [
        (float(t[i]), float(t[i + 1]), f"a gap of {step[i] / 60:.0f} min")
        for i in np.flatnonzero(step >= LONGEST_GAP_S)
    ]
    if "engine_runtime_s" in frame:
        run = frame["engine_runtime_s"].to_numpy(np.float64)
        there = np.flatnonzero(np.isfinite(run))
        anew = np.flatnonzero(np.diff(run[there]) < 0)
        for i in anew:
            before, after = int(there[i]), int(there[i + 1])
            widest = before + int(np.argmax(step[before:after]))
            if RESTART_GAP_S <= step[widest] < LONGEST_GAP_S:
                cuts.append((float(t[widest]), float(t[widest + 1]), "the engine was restarted"))
    return cuts


def _stops(frame: pd.DataFrame) -> list[tuple[float, float, str]]:
    if "rpm" not in frame:
        return []
    t, rpm = _readings(frame, "rpm")
    off = rpm < _STOPPED_RPM
    edges = np.flatnonzero(np.diff(np.concatenate([[False], off, [False]]).astype(np.int8)))
    cuts = []
    for first, last in zip(edges[::2], edges[1::2] - 1, strict=True):
        start, end = float(t[first]), float(t[last])
        ends_log = first == 0 or last == len(t) - 1
        if ends_log or end - start < LONGEST_STOP_S or _rolls(frame, start, end):
            continue
        cuts.append((start, end, f"the engine stood still for {(end - start) / 60:.0f} min"))
    return cuts


def _rolls(frame: pd.DataFrame, start: float, end: float) -> bool:
    if "speed_kmh" not in frame:
        return False
    t, speed = _readings(frame, "speed_kmh")
    inside: NDArray[np.bool_] = (t > start) & (t < end)
    return bool((speed[inside] > 1).mean() > 0.1) if inside.any() else False


def _readings(frame: pd.DataFrame, name: str) -> tuple[Floats, Floats]:
    v = frame[name].to_numpy(np.float64)
    there = np.isfinite(v)
    return frame["t_s"].to_numpy(np.float64)[there], v[there]
