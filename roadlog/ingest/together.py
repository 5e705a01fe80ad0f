"""Signals of one log interpolated together, as each would be alone.

Readings of many signals go in, a row of values each comes out; what lies in a gap or beyond the
ends of any signal is looked at for all at once. Part of method section 2.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from roadlog.ingest.interpolation import FLOW_LIMIT_S, SLOW_LIMIT_S, limit_s
from roadlog.quantities.arrays import Floats, Ints, median_step, middle
from roadlog.quantities.signals import Nature

_NEAR_S = FLOW_LIMIT_S[0] * (1 - 1e-9)  # readings no further apart are near for every signal


@dataclass(frozen=True)
class Channel:
    """A signal's readings, one at least."""

    nature: Nature
    t: Floats
    v: Floats

    @cached_property
    def gaps(self) -> Floats:
        """Intervals between the readings [s]."""
        return self.t[1:] - self.t[:-1]


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


def interpolate(channels: Mapping[int, Channel], at: Floats, out: Floats) -> None:
    """Interpolate each channel into its row of `out` at the non-decreasing times `at`."""
    if not channels:
        return
    for k, c in channels.items():
        out[k] = np.interp(at, c.t, c.v)
    number, listed = np.array(list(channels)), list(channels.values())
    t, v = (np.concatenate([getattr(c, name) for c in listed]) for name in ("t", "v"))
    size = np.array([len(c.t) for c in listed])
    end = np.cumsum(size)
    start, slow = end - size, np.array([c.nature == "slow" for c in listed])
    gap = np.diff(t, append=0.0)
    gap[end - 1] = 0.0
    wide = np.flatnonzero(gap > np.repeat(np.where(slow, SLOW_LIMIT_S * (1 - 1e-9), _NEAR_S), size))
    each, none = np.arange(len(listed)), np.full(len(listed), -1)
    # stretches of `at`: whose, from, to, and the readings on either side
    of = np.concatenate([each, each, np.searchsorted(end, wide, side="right")])
    low = np.concatenate(
        [0 * each, at.searchsorted(t[end - 1], side="right"), at.searchsorted(t[wide], "right")]
    )
    high = np.concatenate(
        [at.searchsorted(t[start]), 0 * each + len(at), at.searchsorted(t[wide + 1])]
    )
    left, right = (
        np.concatenate([none, end - 1, wide]), np.concatenate([start, none, wide + 1])
    )  # fmt: skip
    n = np.maximum(high - low, 0)
    if not n.any():
        return
    index = np.arange(n.sum()) - np.repeat(np.cumsum(n) - n - low, n)
    of, left, right = (np.repeat(a, n) for a in (of, left, right))
    since = np.where(left >= 0, at[index] - t[left], np.inf)
    until = np.where(right >= 0, t[right] - at[index], np.inf)
    held = np.where(since <= until, v[left], v[right])
    _bridge(channels, _Away(number[of], index, since, until, held), out)


def _bridge(channels: Mapping[int, Channel], away: _Away, out: Floats) -> None:
    """Hold a reading where it is near enough, and know nothing where none is.

    Up to the limit if slow, one interval if flow, never if position.
    """
    apart, nearer = away.since + away.until, np.minimum(away.since, away.until)
    slow, flow = (np.zeros(len(out), bool) for _ in range(2))
    for k, c in channels.items():
        slow[k], flow[k] = c.nature == "slow", c.nature == "flow"
    limit = np.where(slow, SLOW_LIMIT_S, 0.0)
    for k in np.unique(away.of[(apart < np.inf) & ~slow[away.of]]):
        limit[k] = limit_s(channels[k].nature, median_step(channels[k].t))
    near = slow[away.of] & (nearer <= SLOW_LIMIT_S)
    for i in np.flatnonzero(flow[away.of] & (nearer <= FLOW_LIMIT_S[1])):
        near[i] = _median_reaches(channels[away.of[i]].gaps, float(nearer[i]))
    beyond = apart > limit[away.of]
    out[away.of[beyond], away.index[beyond]] = np.where(near, away.held, np.nan)[beyond]


def _median_reaches(values: Floats, least: float) -> bool:
    """Whether the median is `least` or more, by counting; worked out where that doesn't tell."""
    n, many = len(values), 2 * int(np.count_nonzero(values >= least))
    if many == n and n:
        return middle(values) >= least
    return many > n
