"""One signal of a log brought to other times, by its nature.

Readings at increasing times go in, values at the times asked for come out: interpolated, held or
averaged, NaN where no reading is near enough. Part of method section 2.
"""

import numpy as np

from roadlog.ingest import shelf
from roadlog.quantities.signals import SIGNALS, Nature

Array = np.ndarray

GAP_INTERVALS = 3.0
FLOW_LIMIT_S = (3.0, 10.0)
SLOW_LIMIT_S = 60.0
CIRCULAR = "heading_deg"
OFTEN = 0.9  # read at less than this share of the grid's step, a flow is averaged over it


def limit_s(nature: Nature, median_s: float) -> float:
    """How far apart two readings may be [s] for a time between them to be known."""
    if nature in ("slow", "status"):
        return SLOW_LIMIT_S
    return min(max(GAP_INTERVALS * median_s, FLOW_LIMIT_S[0]), FLOW_LIMIT_S[1])


def carry(name: str, t: Array, v: Array, at: Array, edges: Array | None, step_s: float) -> Array:
    """One signal, from its readings to the non-decreasing times `at`, by its nature."""
    if len(t) == 0:
        return np.full(len(at), np.nan)
    nature = SIGNALS[name].nature
    if name == CIRCULAR:
        limit = limit_s("position", shelf.median_step(t))
        return evaluate(t, np.unwrap(v, period=360.0), at, limit, 0.0) % 360.0
    if nature == "status":
        return _hold(t, v, at, SLOW_LIMIT_S)
    if nature == "slow":
        return evaluate(t, v, at, SLOW_LIMIT_S, SLOW_LIMIT_S)
    often = nature == "flow" and edges is not None
    doubtful = _beyond(t, at, FLOW_LIMIT_S[0])
    if not often and not doubtful.size:
        value: Array = shelf.interp(at, t, v)
        return value
    median = shelf.median_step(t)
    limit = limit_s(nature, median)
    beyond = min(median, limit) if nature == "flow" else 0.0
    value = evaluate(t, v, at, limit, beyond, doubtful)
    if often and edges is not None and 0 < median < OFTEN * step_s:
        mean, share = _cell_means(t, v, edges, limit)
        value = np.where(share > 0.25 * step_s, mean, value)
    return value


def _hold(t: Array, v: Array, at: Array, limit_s: float) -> Array:
    """The last reading, up to `limit_s` old; before the first reading, that one, as long."""
    i = last_until(t, at)
    held = v[np.maximum(i, 0)]
    if len(v) >= shelf.LARGE_ROWS:
        shelf.rest()
    age = np.where(i >= 0, at - t[np.maximum(i, 0)], t[0] - at)
    return np.where(age <= limit_s, held, np.nan)


def last_until(t: Array, at: Array) -> Array:
    """Index of the last of increasing times that is no later than each of `at`, -1 where none is.

    `numpy.searchsorted` to the right less one, quicker where `at` doesn't decrease.
    """
    if len(t) >= shelf.LARGE_ROWS:
        return np.searchsorted(t, at, side="right") - 1
    i: Array = np.interp(at, t, np.arange(len(t), dtype=float)).astype(np.int64)
    i -= t[i] > at  # rounded up, or before the first
    return i


def _beyond(t: Array, at: Array, limit_s: float) -> Array:
    """Which of the non-decreasing times `at` may lie between readings further apart than that.

    Those before the first reading and after the last are among them.
    """
    first, last = at.searchsorted(t[0]), at.searchsorted(t[-1], side="right")
    wide: Array = shelf.wider(t, limit_s * (1 - 1e-9))
    if not wide.size:
        if first == 0 and last == len(at):
            return wide
        return np.append(np.arange(first), np.arange(last, len(at)))
    opened = np.searchsorted(at, t[wide], side="right")
    closed = np.searchsorted(at, t[wide + 1])
    inside = [np.arange(a, b) for a, b in zip(opened, closed, strict=True) if b > a]
    return np.concatenate([np.arange(first), *inside, np.arange(last, len(at))])


def evaluate(
    t: Array, v: Array, at: Array, limit_s: float, beyond_s: float, doubtful: Array | None = None
) -> Array:
    """Interpolate linearly where the readings around lie within `limit_s`, else hold `beyond_s`.

    The times `at` don't decrease; `doubtful` are those of `_beyond` for a limit that is no longer.
    """
    if len(t) == 0:
        return np.full(len(at), np.nan)
    value: Array = shelf.interp(at, t, v)
    if doubtful is None:
        doubtful = _beyond(t, at, limit_s)
    if not doubtful.size:
        return value
    when = at[doubtful]
    right = np.searchsorted(t, when, side="left")
    left = np.searchsorted(t, when, side="right") - 1
    since = np.where(left >= 0, when - t[np.maximum(left, 0)], np.inf)
    until = np.where(right < len(t), t[np.minimum(right, len(t) - 1)] - when, np.inf)
    held = np.where(since <= until, v[np.maximum(left, 0)], v[np.minimum(right, len(t) - 1)])
    held = np.where(np.minimum(since, until) <= beyond_s, held, np.nan)
    value[doubtful] = np.where(since + until > limit_s, held, value[doubtful])
    return value


def _cell_means(t: Array, v: Array, edges: Array, limit_s: float) -> tuple[Array, Array]:
    """Mean of the interpolated signal between successive `edges`, and the time that it covers."""
    e = np.clip(edges, t[0], t[-1])
    i = np.clip(np.searchsorted(t, e, side="right") - 1, 0, len(t) - 2)
    area_at, time_at = np.empty(len(e)), np.empty(len(e))
    area_before = time_before = 0.0
    for part in shelf.parts(len(t) - 1):
        rows = slice(part.start, part.stop + 1)
        width = t[rows][1:] - t[rows][:-1]
        bridged = width <= limit_s
        steps = np.where(bridged, width * (v[rows][1:] + v[rows][:-1]) / 2, 0)
        area = np.cumsum(np.concatenate([[area_before], steps]))
        time = np.cumsum(np.concatenate([[time_before], np.where(bridged, width, 0.0)]))
        area_before, time_before = float(area[-1]), float(time[-1])
        inside = slice(*np.searchsorted(i, (part.start, part.stop)).tolist())
        k, at = i[inside] - part.start, e[inside]
        left, right = t[rows][k], t[rows][k + 1]
        first = v[rows][k]
        s = np.where(bridged[k], at - left, np.where(at >= right, width[k], 0.0))
        slope = (v[rows][k + 1] - first) / width[k]
        area_at[inside] = area[k] + np.where(bridged[k], s * (first + slope * s / 2), 0.0)
        time_at[inside] = time[k] + np.where(bridged[k], s, 0.0)
    share = np.diff(time_at)
    mean = np.diff(area_at) / np.where(share > 0, share, 1.0)
    return np.where(share > 0, mean, np.nan), share
