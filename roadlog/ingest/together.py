"""Signals of one log interpolated together, as each would be alone.

Readings of many signals go in, a row of values each comes out; what lies in a gap or beyond the
ends of any signal is looked at for all at once. Part of method section 2.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.ingest.interpolation import FLOW_LIMIT_S, SLOW_LIMIT_S, limit_s
from roadlog.quantities.arrays import Floats, Ints, median_step, middle, ranges
from roadlog.quantities.signals import Nature

_NEAR_S = FLOW_LIMIT_S[0] * (1 - 1e-9)  # readings no further apart are near for every signal


class Readings:
    """Times and values of several signals, those of one after those of the other."""

    def __init__(self, t: Floats, v: Floats, size: Ints) -> None:
        self.t, self.v, self.size = t, v, size
        self.end = np.cumsum(size)
        self.start = self.end - size

    @classmethod
    def of_rows(cls, times: Floats, raw: Floats) -> "Readings":
        """The finite values of `raw`, a row a signal, a column a time."""
        there = np.isfinite(raw)
        size = np.count_nonzero(there, axis=1)
        return cls(np.broadcast_to(times, raw.shape)[there], raw[there], size)

    @classmethod
    def of_each(cls, each: Sequence[tuple[Floats, Floats]]) -> "Readings":
        """Of signals that are there one by one."""
        t, v = (np.concatenate(part) for part in zip(*each, strict=True))
        return cls(t, v, np.array([len(own) for own, _ in each]))

    def of(self, k: int) -> tuple[Floats, Floats]:
        """Times and values of the k-th signal."""
        own = slice(self.start[k], self.end[k])
        return self.t[own], self.v[own]


@dataclass(frozen=True)
class _Away:
    """Times in a gap of a signal or beyond its ends: signal and number of the time, in entries.

    `since` and `until` are how long after and before a reading they lie [s], infinite where there
    is none; `held` is the nearer one's value.
    """

    of: Ints
    index: Ints
    since: Floats
    until: Floats
    held: Floats


def interpolate(read: Readings, natures: Sequence[Nature | None], at: Floats, out: Floats) -> None:
    """Interpolate each signal into its row of `out` at the non-decreasing times `at`.

    One whose nature is None is left alone; any other has one reading at least.
    """
    which = [k for k, nature in enumerate(natures) if nature is not None]
    if not which:
        return
    for k in which:
        out[k] = np.interp(at, *read.of(k))
    slow = np.array([nature == "slow" for nature in natures])
    flow = np.array([nature == "flow" for nature in natures])
    away = _away(read, np.array(which), slow, at)
    if len(away.of):
        _bridge(read, away, slow, flow, out)


def _away(read: Readings, which: Ints, slow: np.ndarray, at: Floats) -> _Away:
    """What of `at` lies in a gap of the signals `which` or beyond their ends."""
    t, v = read.t, read.v
    gap = t[1:] - t[:-1]
    wide = (gap > _NEAR_S).nonzero()[0]
    of = read.end.searchsorted(wide, side="right")
    wanted = np.zeros(len(slow), bool)
    wanted[which] = True
    far = gap[wide] > np.where(slow, SLOW_LIMIT_S * (1 - 1e-9), 0.0)[of]
    far &= wanted[of] & (wide + 1 != read.end[of])
    wide, of = wide[far], of[far]
    first, last = read.start[which], read.end[which] - 1
    none = np.full(len(which), -1)
    # stretches of `at`: whose, from, to, and the readings on either side
    of = np.concatenate([which, which, of])
    low = np.concatenate(
        [0 * which, at.searchsorted(t[last], side="right"), at.searchsorted(t[wide], "right")]
    )
    high = np.concatenate(
        [at.searchsorted(t[first]), 0 * which + len(at), at.searchsorted(t[wide + 1])]
    )
    left, right = np.concatenate([none, last, wide]), np.concatenate([first, none, wide + 1])
    n = np.maximum(high - low, 0)
    index = ranges(low, n)
    of, left, right = (np.repeat(a, n) for a in (of, left, right))
    since = np.where(left >= 0, at[index] - t[left], np.inf)
    until = np.where(right >= 0, t[right] - at[index], np.inf)
    return _Away(of, index, since, until, np.where(since <= until, v[left], v[right]))


def _bridge(read: Readings, away: _Away, slow: np.ndarray, flow: np.ndarray, out: Floats) -> None:
    """Hold a reading where it is near enough, and know nothing where none is.

    Up to the limit if slow, one interval if flow, never if position.
    """
    apart, nearer = away.since + away.until, np.minimum(away.since, away.until)
    of_slow = slow[away.of]
    limit = np.where(slow, SLOW_LIMIT_S, 0.0)
    for k in set(away.of[(apart < np.inf) & ~of_slow].tolist()):
        limit[k] = limit_s("flow" if flow[k] else "position", median_step(read.of(k)[0]))
    near = of_slow & (nearer <= SLOW_LIMIT_S)
    t, own = read.t, away.of
    mean = (t[read.end[own] - 1] - t[read.start[own]]) / np.maximum(read.size[own] - 1, 1)
    longest = np.minimum(2 * mean * (1 + 1e-9), FLOW_LIMIT_S[1])  # no median is over twice the mean
    for i in (flow[own] & (nearer <= longest)).nonzero()[0].tolist():
        t, _ = read.of(away.of[i])
        near[i] = _median_reaches(t[1:] - t[:-1], float(nearer[i]))
    beyond = apart > limit[away.of]
    out[away.of[beyond], away.index[beyond]] = np.where(near, away.held, np.nan)[beyond]


def _median_reaches(values: Floats, least: float) -> bool:
    """Whether the median is `least` or more, by counting; worked out where that doesn't tell."""
    n, many = len(values), 2 * int(np.count_nonzero(values >= least))
    if many == n and n:
        return middle(values) >= least
    return many > n
