"""The unit of a clock that names none: seconds, or a fraction that the drive itself tells.

In come times in the unit that they were taken for, and the log's signals; out comes the unit that
the engine's run time, the positions or the changes of speed leave. Nothing is taken that another
unit explains as well: it is asked for. Part of the ingest stage.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from roadlog.ingest.clock.coarse import spread_rounded
from roadlog.ingest.facts import LeftOpen, Unclear
from roadlog.ingest.log import UnitEvidence
from roadlog.ingest.positions.speedcheck import distance_ratio
from roadlog.quantities.arrays import Floats
from roadlog.quantities.units import convert

_UNITS = ("s", "0.1 s", "0.01 s", "ms", "µs", "100 ns", "ns")
_WORDS = {"s": "seconds", "ms": "milliseconds"}
_ROW_S = (0.02, 30.0)  # few diagnostic sockets answer 50 times a second
_LEAST_CHANGES = 30
_WINDOW_S = 0.5
# The 99th percentile of acceleration over half a second [m/s²]: driving lies about 2; tyres hold 9.
_USUAL_M_S2 = (0.4, 5.0)
_EVER_M_S2 = (0.1, 9.0)  # both: common practice, no source
_NEVER_M_S2 = 15.0  # a road car on tyres brakes at about 1 g; common practice, no source
_COARSE_STEP = 5.0  # seconds a row: fewer loggers than fractions of a second do that
_AGREES = 0.05
_DISTANCE_AGREES = (0.8, 1.25)
_LEAST_RUN_TIME_S = 60.0


def clock_unit(
    t_s: Floats, frame: Mapping[str, Floats], header: str, unit: str, path: Path
) -> UnitEvidence:
    """What a clock without a unit counts in.

    Parameters
    ----------
    t_s : array, shape (rows,) [s]
        Times since the first row, if the clock counts in `unit`.
    frame : mapping of signal to array
    header : str
        The clock's header.
    unit : str
        What it was taken for: "s" or "ms".

    Returns
    -------
    UnitEvidence
        `read_as` is the unit to use, `allowed` those that the drive doesn't rule out.

    Raises
    ------
    InputError
        If the drive rules the unit out and doesn't leave one other.
    """
    step = float(np.median(np.diff(np.unique(t_s)))) if len(np.unique(t_s)) > 1 else 0.0
    scales = {u: convert(1.0, u, "s") / convert(1.0, unit, "s") for u in _UNITS}
    whole = bool(np.allclose(convert(t_s, "s", unit), np.round(convert(t_s, "s", unit)), atol=1e-6))
    span = (0.0, float(t_s[-1] - t_s[0]) if len(t_s) else 0.0)
    possible = [
        u for u in _UNITS if _ROW_S[0] <= step * scales[u] <= _ROW_S[1] and (whole or u == unit)
    ]
    if told := _by_other_columns(t_s, frame, scales, possible):
        return UnitEvidence(header, "time", told, frozenset({told}), span)
    hardest = {u: _hardest_m_s2(t_s * scales[u], frame) for u in possible}
    if all(np.isnan(a) for a in hardest.values()):
        return UnitEvidence(header, "time", unit, frozenset(), span)
    usual = [u for u, a in hardest.items() if _USUAL_M_S2[0] <= a <= _USUAL_M_S2[1]]
    ever = frozenset(u for u, a in hardest.items() if _EVER_M_S2[0] <= a <= _EVER_M_S2[1])
    slow = whole and step >= _COARSE_STEP and unit == "s"
    sure = unit == "s" and not slow
    if unit in usual or (sure and hardest.get(unit, np.inf) <= _EVER_M_S2[1]):
        return UnitEvidence(header, "time", unit, ever | {unit}, span)
    if unit not in ever and len(usual) == 1:
        return UnitEvidence(header, "time", usual[0], frozenset(usual), span)
    if unit in ever and not usual:
        return UnitEvidence(header, "time", unit, ever, span)
    slow_clock = hardest.get(unit, np.inf) < _USUAL_M_S2[0]
    fault = Unclear.CLOCK_SLOW if slow_clock else Unclear.CLOCK_FAST
    likely = next(iter(usual), "min")
    raise LeftOpen(
        f"{path}",
        fault(header=header, unit=_WORDS[unit]),
        ": name the unit "
        f'in study.toml under [columns], as "{header}" = {{signal = "time", unit = "{likely}"}}, '
        f"or --column '{header}=time[{likely}]'",
    )


def _by_other_columns(
    t_s: Floats, frame: Mapping[str, Floats], scales: Mapping[str, float], possible: Sequence[str]
) -> str | None:
    """The one unit in which the clock agrees with the engine's run time, or with positions."""
    if "engine_runtime_s" in frame:
        have = np.isfinite(frame["engine_runtime_s"])
        run, t = frame["engine_runtime_s"][have], t_s[have]
        if len(run) > 1 and (np.diff(run) >= 0).all() and run[-1] - run[0] >= _LEAST_RUN_TIME_S:
            rate = float((run[-1] - run[0]) / max(t[-1] - t[0], 1e-12))
            fits = [u for u in possible if abs(scales[u] / rate - 1) <= _AGREES]
            if len(fits) == 1:
                return fits[0]
    name = next((s for s in ("speed_kmh", "gps_speed_kmh") if s in frame), None)
    if name is None or not {"lat_deg", "lon_deg"} <= frame.keys():
        return None
    fits = []
    for u in possible:
        ratio = distance_ratio({**frame, "t_s": t_s * scales[u]}, name)
        if _DISTANCE_AGREES[0] <= ratio <= _DISTANCE_AGREES[1]:
            fits.append(u)
    return fits[0] if len(fits) == 1 else None


def _hardest_m_s2(t_s: Floats, frame: Mapping[str, Floats]) -> float:
    """99th percentile of the change of speed over half a second, NaN without enough changes.

    Infinite where a twentieth of the changes from one reading to the next are harder than any.
    """
    if "speed_kmh" not in frame:
        return float("nan")
    have = np.isfinite(frame["speed_kmh"])
    t, v = spread_rounded(t_s)[have], frame["speed_kmh"][have]
    if (np.diff(v) != 0).sum() < _LEAST_CHANGES:
        return float("nan")
    # a whole km/h is the least step that most logs have, so it tells nothing
    changed = np.flatnonzero(np.diff(v) != 0)
    rise = (np.abs(np.diff(v)[changed]) - 1) / 3.6
    if (rise / np.maximum(np.diff(t)[changed], 1e-3) > _NEVER_M_S2).mean() > 0.05:
        return float("inf")
    later = np.searchsorted(t, t + _WINDOW_S)
    inside = np.flatnonzero(later < len(t))
    dt = t[later[inside]] - t[inside]
    dv = np.abs(v[later[inside]] - v[inside]) / 3.6
    moving = (dv > 0) | (v[inside] > 0)
    if moving.sum() < _LEAST_CHANGES:
        return float("nan")
    return float(np.quantile(dv[moving] / dt[moving], 0.99))
