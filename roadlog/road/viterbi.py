"""Which line a run follows where, decided over the whole run at once.

Alignment rows of one run go in; unbroken pieces of following one line come out, disjoint. At every
point the run is on one of the lines that it is near, or on none; the likeliest sequence of these
is taken (dynamic programming, Viterbi's recursion), in which a change between two lines costs
little where they meet and much where they lie apart. So a fork is placed where the lines part,
not where one drive's noise happens to say so. Part of method section 3.

References
----------
A. J. Viterbi, IEEE Trans. Inform. Theory 13 (1967) 260-269.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.quantities.arrays import Floats, Ints, middle
from roadlog.road.alignment import LEAVING_GATE_M, LEAVING_OVER_M, Alignment, Line, sustained
from roadlog.road.trace import STEP_M

FAR_M = 35.0  # an offset counts as this much at most
CHANGE_M = 200.0  # evidence that leaving and joining the known lines takes, as distance on them
NOWHERE = -1


@dataclass(frozen=True)
class _Chain:
    """A run near one line: per point from `first` on, cost relative to none, and place on it."""

    line: int
    first: int
    cost: Floats
    s_m: Floats

    @property
    def end(self) -> int:
        return self.first + len(self.cost)

    def places(self, line: Line, low: int, high: int) -> tuple[Floats, Floats]:
        """The line's own places beside the points from `low` to before `high`."""
        s = self.s_m[low - self.first : high - self.first]
        return np.interp(s, line.s_m, line.x_m), np.interp(s, line.s_m, line.y_m)


def follow(
    rows: Alignment, lines: Sequence[Line], mine: Ints, first: int, n: int
) -> list[tuple[int, Ints, Floats]]:
    """Place one run on the lines.

    Parameters
    ----------
    rows : Alignment
        Of the run, perhaps among others, with all the lines.
    lines : sequence of Line
        The lines.
    mine : int array
        The run's rows.
    first, n : int
        The run's first point, and how many points it has.

    Returns
    -------
    list of (int, int array, float array)
        Pieces in driving order: number of the line, points counted from the run's first, positions
        along the line [m].
    """
    chains, tolerance = _chains_of(rows, mine, first)
    if not chains:
        return []
    change = CHANGE_M / STEP_M / 2
    pairs = _changes(chains, lines, tolerance)
    best = [np.full(len(c.cost), np.inf) for c in chains]
    entry = [np.full(len(c.cost), np.inf) for c in chains]
    off = np.zeros(n + 1)  # off[i]: cost of being on no line after i points
    for _ in range(2 * len(chains) + 1):
        before = [b.copy() for b in best]
        for c, chain in enumerate(chains):
            into = off[chain.first : chain.end] + change
            for other, at, cost in pairs[c]:
                come = best[other][at - 1 - chains[other].first] + cost
                into[at - chain.first] = np.minimum(into[at - chain.first], come)
            entry[c] = into
            total = np.cumsum(chain.cost)
            best[c] = total + np.minimum.accumulate(into - (total - chain.cost))
            out = off[chain.first + 1 : chain.end + 1]
            np.minimum(out, best[c] + change, out=out)
            np.minimum.accumulate(off, out=off)
        if all(map(np.array_equal, before, best)):
            break
    return _traced_back(chains, pairs, best, entry, off, change)


def _traced_back(
    chains: list[_Chain], pairs: list[list[tuple[int, Ints, Floats]]], best: list[Floats],
    entry: list[Floats], off: Floats, change: float,
) -> list[tuple[int, Ints, Floats]]:  # fmt: skip
    """The pieces of the cheapest sequence, from its end to its beginning and then turned round."""
    n = len(off) - 1
    ends = [b[-1] if c.end == n else np.inf for c, b in zip(chains, best, strict=True)]
    state, i = (int(np.argmin(ends)), n) if min(ends) < off[n] else (NOWHERE, n)
    pieces: list[tuple[int, Ints, Floats]] = []
    while True:
        if state == NOWHERE:
            i = int(np.argmax(off[: i + 1] <= off[i]))
            if i == 0:
                break
            left = [
                abs(best[c][i - 1 - k.first] + change - off[i]) if k.first < i <= k.end else np.inf
                for c, k in enumerate(chains)
            ]
            state = int(np.argmin(left))
        chain = chains[state]
        total = np.cumsum(chain.cost)
        came = (entry[state] - (total - chain.cost))[: i - chain.first]
        j = len(came) - 1 - int(np.argmin(came[::-1]))
        pieces.append((chain.line, np.arange(chain.first + j, i), chain.s_m[j : i - chain.first]))
        i, here = chain.first + j, state
        state = NOWHERE
        least = off[i] + change
        for other, at, cost in pairs[here]:
            k = int(np.searchsorted(at, i))
            if k < len(at) and at[k] == i:
                come = best[other][i - 1 - chains[other].first] + cost[k]
                if come < least:
                    least, state = come, other
    return pieces[::-1]


def _chains_of(rows: Alignment, mine: Ints, begin: int) -> tuple[list[_Chain], float]:
    """The run's chains in order, and the offset [m] beyond which it is likelier on no line."""
    mine = mine[rows.near[mine] >= 0]
    if not len(mine):
        return [], 0.0
    offset = sustained(rows.unbiased_m[mine], rows.near[mine], LEAVING_OVER_M)
    spread = 3 * 1.4826 * middle(np.abs(offset))
    tolerance = float(np.clip(spread, *LEAVING_GATE_M))
    cost = np.minimum(np.abs(offset), FAR_M) ** 2 / tolerance**2 - 1
    chains = []
    cut = [0, *(np.flatnonzero(np.diff(rows.near[mine])) + 1).tolist(), len(mine)]
    for part in map(slice, cut[:-1], cut[1:]):
        line = int(rows.line[mine[part.start]])
        at = rows.point[mine[part]] - begin
        known, s = cost[part], np.maximum.accumulate(rows.s_m[mine[part]])
        if at[-1] - at[0] >= len(at):
            every = np.arange(at[0], at[-1] + 1)
            s = np.interp(every, at, s)
            known = np.zeros(len(every))
            known[at - at[0]] = cost[part]
        chains.append(_Chain(line, int(at[0]), known, s))
    return sorted(chains, key=lambda c: c.first), tolerance


def _changes(
    chains: list[_Chain], lines: Sequence[Line], tolerance: float
) -> list[list[tuple[int, Ints, Floats]]]:
    """For each chain the others that a run can change from, at which points, and at what cost.

    A change at point i goes from the other chain at i - 1 to this one at i. It costs one step, and
    the square of the distance between the two lines (in half tolerances, so that a jump to a road
    beside costs as much as leaving one line and joining another), where that is known: at i - 1,
    at i or both.
    """
    out: list[list[tuple[int, Ints, Floats]]] = [[] for _ in chains]
    for a, one in enumerate(chains):
        for b, two in enumerate(chains):
            low, high = max(one.first, two.first), min(one.end, two.end)
            if a == b or low >= high:
                continue
            x, y = one.places(lines[one.line], low, high)
            to_x, to_y = two.places(lines[two.line], low, high)
            gap = (x - to_x) ** 2 + (y - to_y) ** 2
            gap = np.concatenate([[np.inf], gap, [np.inf]])
            at = np.arange(low, high + 1)
            cost = np.minimum(gap[:-1], gap[1:]) / (tolerance / 2) ** 2 + 1
            fits = (at - 1 >= two.first) & (at < one.end) & (at >= one.first)
            out[a].append((b, at[fits], cost[fits]))
    return out
