"""How many seconds a receiver's altitude lags behind its positions, found from there and back.

A receiver that filters its altitude shows each hill late: too far along the road in either
direction, so that there and back disagree by twice the lag. Traces go in, each with its altitude
moved by each of some lags; out comes the lag at which the two directions agree best, 0 where they
agree as well without one or a road isn't driven both ways. Part of method section 3.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.sparse import csr_matrix

from roadlog.quantities.arrays import Bools, Floats, Ints
from roadlog.road.cells import CELL_M, cell_key
from roadlog.road.trace import Trace

AXES = 4  # that a road may lie along, either way
LAGS_S = np.arange(0.0, 21.0, 1.0)
LEAST_S = 3.0  # less changes grades by less than their own error
LEAST_CELLS = 40  # that are driven both ways: 1.6 km
BETTER = 0.6  # the disagreement left at the best lag, as a share of that without, at most
MOST_RUNS = 60  # spread evenly over all


def altitude_lag_s(traces: Sequence[Trace]) -> float:
    """The lag [s] that lets altitudes of both directions agree best.

    Parameters
    ----------
    traces : sequence of Trace

    Notes
    -----
    Each drive's own level is taken out (its mean over the cells that it shares), then each cell's
    mean is formed for either direction; the disagreement is the mean square of the difference
    between the two. A parabola through the least value and its neighbours refines the lag.
    """
    some = [t for t in traces if len(t.d_m) and np.isfinite(t.altitude_m).any()]
    if len(some) < 2:
        return 0.0
    some = [some[i] for i in np.unique(np.linspace(0, len(some) - 1, MOST_RUNS).astype(int))]
    misfit = _disagreements(some)
    if not np.isfinite(misfit).all():
        return 0.0
    k = int(misfit.argmin())
    if LAGS_S[k] < LEAST_S or k == len(LAGS_S) - 1 or misfit[k] > BETTER * misfit[0]:
        return 0.0
    left, best, right = misfit[k - 1 : k + 2]
    bend = left - 2 * best + right
    return float(LAGS_S[k] + (0.5 * (left - right) / bend if bend > 0 else 0.0))


def lagged(trace: Trace, lag_s: float) -> Floats:
    """The trace's altitudes [m] as they were `lag_s` [s] later: what belongs to its places."""
    late: Floats = _lagged(trace, np.array([lag_s]))[0]
    return late


def _lagged(trace: Trace, lags_s: Floats) -> Floats:
    """The trace's altitudes [m] by each of the lags (lags, points)."""
    t = trace.t_s + 1e-6 * np.arange(len(trace.t_s))
    known = np.isfinite(trace.altitude_m)
    timed = known & np.isfinite(t)
    if not timed.any() or not lags_s.any():
        return np.tile(trace.altitude_m, (len(lags_s), 1))
    at = t + lags_s[:, None]
    z = np.interp(at.ravel(), t[timed], trace.altitude_m[timed]).reshape(at.shape)
    z[:, ~known] = np.nan
    z[lags_s == 0] = trace.altitude_m
    return z


def _placed(traces: Sequence[Trace]) -> tuple[Ints, Ints, Ints]:
    """Cell (of place and axis), direction along the axis and owner of every point."""
    names = ("x_m", "y_m", "hx", "hy")
    x, y, hx, hy = (np.concatenate([getattr(t, n) for t in traces]) for n in names)
    axis = np.round(np.arctan2(hy, hx) / (np.pi / AXES)).astype(int)
    side = np.where((axis % (2 * AXES)) < AXES, 1, -1)
    key = cell_key([np.floor(x / CELL_M), np.floor(y / CELL_M), axis], AXES)
    cell, _ = pd.factorize(key)
    owner = np.repeat(np.arange(len(traces)), [len(t.d_m) for t in traces])
    return cell, side, owner


def _disagreements(traces: Sequence[Trace]) -> Floats:
    """Mean square difference [m²] between the directions' altitudes at each lag.

    NaN with too little road. Which points have an altitude is the same at every lag, unless a time
    is missing; then each is gone through by itself.
    """
    placed = _placed(traces)
    z = np.concatenate([_lagged(t, LAGS_S) for t in traces], axis=1)
    known = ~np.isnan(z)
    alike = [slice(None)] if (known == known[0]).all() else [[k] for k in range(len(z))]
    parts = [_both_ways(*placed, known[some][0]).disagreement(z[some]) for some in alike]
    return np.concatenate(parts)


@dataclass(frozen=True)
class _BothWays:
    """The known points in cells that are driven both ways.

    Those cells and the direction in them are numbered by way (cells, 2); `way` and `trace` add up
    the points `kept` of each, `counts` has how many points each trace has in each (ways, traces).
    """

    kept: Ints
    way: csr_matrix
    trace: csr_matrix
    counts: csr_matrix

    def disagreement(self, z_m: Floats) -> Floats:
        """Mean square difference [m²] between the directions for each of the altitudes' rows."""
        ways, owners = self.counts.shape
        if ways < 2 * LEAST_CELLS:
            return np.full(len(z_m), np.nan)
        z = np.ascontiguousarray(z_m.take(self.kept, axis=1).T)
        total, own = self.way @ z, self.trace @ z
        in_way, size = (np.diff(of.indptr)[:, None] for of in (self.way, self.trace))
        in_cell, by_trace = in_way[::2] + in_way[1::2], self.counts.T.tocsr()
        level = np.zeros((owners, len(z_m)))
        for _ in range(6):
            rest = total - self.counts @ level
            mean = (rest[::2] + rest[1::2]) / in_cell
            aside = own - size * level - by_trace @ np.repeat(mean, 2, axis=0)
            level += aside / np.maximum(size, 1)
        side = (total - self.counts @ level) / in_way
        return np.array([(apart**2).mean() for apart in (side[::2] - side[1::2]).T])


def _both_ways(cells: Ints, sides: Ints, owners: Ints, known: Bools) -> _BothWays:
    count = int(cells.max(initial=-1)) + 1
    driven = [np.bincount(cells[known & (sides == side)], minlength=count) > 0 for side in (1, -1)]
    shared = driven[0] & driven[1]
    kept = np.flatnonzero(known & shared[cells])
    number = np.cumsum(shared) - 1
    way, owner = 2 * number[cells[kept]] + (sides[kept] < 0), owners[kept]
    one, each = np.ones(len(kept)), np.arange(len(kept))
    ways, traces = 2 * int(shared.sum()), int(owners.max(initial=-1)) + 1
    return _BothWays(
        kept,
        csr_matrix((one, (way, each)), (ways, len(kept))),
        csr_matrix((one, (owner, each)), (traces, len(kept))),
        csr_matrix((one, (way, owner)), (ways, traces)),
    )
