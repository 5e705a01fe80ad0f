"""Which line a run follows where, decided over the whole run at once.

Alignment rows of runs go in; unbroken pieces of following one line come out, disjoint. At every
point a run is on one of the lines that it is near, or on none; the likeliest sequence of these
is taken (dynamic programming, Viterbi's recursion), in which a change between two lines costs
little where they meet and much where they lie apart. So a fork is placed where the lines part,
not where one drive's noise happens to say so. Part of method section 3.

References
----------
A. J. Viterbi, IEEE Trans. Inform. Theory 13 (1967) 260-269.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np

from roadlog.quantities.arrays import Floats, Ints, blocks
from roadlog.road.alignment import (
    LEAVING_GATE_M,
    LEAVING_OVER_M,
    Alignment,
    Line,
    sustained,
    tolerance,
)
from roadlog.road.trace import STEP_M

Piece = tuple[int, Ints, Floats]  # number of a line, points, positions along it [m]

FAR_M = 35.0  # an offset counts as this much at most
CHANGE_M = 200.0  # evidence that leaving and joining the known lines takes, as distance on them
CHANGE = CHANGE_M / STEP_M / 2  # cost of either
NOWHERE = -1


@dataclass(frozen=True)
class _Chain:
    """A run near one line: per point from `first` on, cost relative to none, and place on it.

    `tolerance_m` is the offset beyond which the run is likelier on no line.
    """

    line: int
    first: int
    cost: Floats
    s_m: Floats
    tolerance_m: float

    @property
    def end(self) -> int:
        return self.first + len(self.cost)

    def places(self, line: Line, low: int, high: int) -> tuple[Floats, Floats]:
        """The line's own places beside the points from `low` to before `high`."""
        s = self.s_m[low - self.first : high - self.first]
        return np.interp(s, line.s_m, line.x_m), np.interp(s, line.s_m, line.y_m)


def follow(rows: Alignment, lines: Sequence[Line], first: Ints) -> list[list[Piece]]:
    """Place runs on the lines, each as if it were alone.

    Parameters
    ----------
    rows : Alignment
        Of the runs, which are its owners, with all the lines.
    lines : sequence of Line
        The lines.
    first : (runs + 1,) int
        Each run's first point, and after the last run's the number of points.

    Returns
    -------
    list of list of (int, int array, float array)
        Each run's pieces in driving order: number of the line, points, positions along it [m].
    """
    chains: list[list[_Chain]] = [[] for _ in first[1:]]
    for run, chain in _chains_of(rows):
        chains[run].append(chain)
    out = []
    for mine, (begin, end) in zip(chains, pairwise(first.tolist()), strict=True):
        mine.sort(key=lambda c: c.first)
        out.append(_steady(mine, end) if _is_steady(mine) else _likeliest(mine, lines, begin, end))
    return out


def _is_steady(chains: list[_Chain]) -> bool:
    """Whether a run is nowhere near two lines at once, nor likelier on none than near one."""
    return all(a.end <= b.first for a, b in pairwise(chains)) and all(
        c.cost[0] < 0 and c.cost[-1] < 0 and c.cost.max() <= 0 for c in chains
    )


def _steady(chains: list[_Chain], end: int) -> list[Piece]:
    """`_likeliest` of such a run: each chain as a whole, where it is long enough."""
    enough = [(1 if c.end == end else 2) * CHANGE for c in chains]
    return [
        (c.line, np.arange(c.first, c.end), c.s_m)
        for c, least in zip(chains, enough, strict=True)
        if c.cost.sum() + least < 0
    ]


def _likeliest(chains: list[_Chain], lines: Sequence[Line], begin: int, end: int) -> list[Piece]:
    """The pieces of one run's cheapest sequence of chains."""
    pairs = _changes(chains, lines)
    total = [np.cumsum(c.cost) for c in chains]
    before_it = [t - c.cost for t, c in zip(total, chains, strict=True)]
    best = [np.full(len(c.cost), np.inf) for c in chains]
    entry = [np.full(len(c.cost), np.inf) for c in chains]
    off = np.zeros(end - begin + 1)  # off[i]: cost of being on no line after i points
    for _ in range(2 * len(chains) + 1):
        before = best.copy()
        for c, chain in enumerate(chains):
            into = off[chain.first - begin : chain.end - begin] + CHANGE
            for other, at, cost in pairs[c]:
                come = best[other][at - 1 - chains[other].first] + cost
                into[at - chain.first] = np.minimum(into[at - chain.first], come)
            entry[c] = into - before_it[c]
            best[c] = total[c] + np.minimum.accumulate(entry[c])
            out = off[chain.first - begin + 1 : chain.end - begin + 1]
            np.minimum(out, best[c] + CHANGE, out=out)
            np.minimum.accumulate(off, out=off)
        if all(map(np.array_equal, before, best)):
            break
    return _traced_back(chains, pairs, best, entry, off, begin)


def _traced_back(
    chains: list[_Chain], pairs: list[list[tuple[int, Ints, Floats]]], best: list[Floats],
    entry: list[Floats], off: Floats, begin: int,
) -> list[Piece]:  # fmt: skip
    """The pieces of the cheapest sequence, from its end to its beginning and then turned round."""
    n = len(off) - 1
    ends = [b[-1] if c.end == begin + n else np.inf for c, b in zip(chains, best, strict=True)]
    state, i = (int(np.argmin(ends)), n) if min(ends) < off[n] else (NOWHERE, n)
    pieces: list[Piece] = []
    while True:
        if state == NOWHERE:
            i = int(np.argmax(off[: i + 1] <= off[i]))
            if i == 0:
                break
            at = begin + i
            left = [
                abs(best[c][at - 1 - k.first] + CHANGE - off[i])
                if k.first < at <= k.end
                else np.inf
                for c, k in enumerate(chains)
            ]
            state = int(np.argmin(left))
        chain, at = chains[state], begin + i
        came = entry[state][: at - chain.first]
        j = len(came) - 1 - int(np.argmin(came[::-1]))
        pieces.append((chain.line, np.arange(chain.first + j, at), chain.s_m[j : at - chain.first]))
        at, here = chain.first + j, state
        i, state = at - begin, NOWHERE
        least = off[i] + CHANGE
        for other, where, cost in pairs[here]:
            k = int(np.searchsorted(where, at))
            if k < len(where) and where[k] == at:
                come = best[other][at - 1 - chains[other].first] + cost[k]
                if come < least:
                    least, state = come, other
    return pieces[::-1]


def _chains_of(rows: Alignment) -> Iterator[tuple[int, _Chain]]:
    """The chains with the runs that they are of."""
    on = np.flatnonzero(rows.near >= 0)
    on = on[np.argsort(rows.owner[on], kind="stable")]
    run, point, near = rows.owner.take(on), rows.point.take(on), rows.near.take(on)
    offset = sustained(rows.unbiased_m.take(on), near, LEAVING_OVER_M)
    most = tolerance(run, offset, LEAVING_GATE_M)
    cost, s = np.minimum(np.abs(offset), FAR_M) ** 2 / most**2 - 1, rows.s_m.take(on)
    for begin, end in pairwise([*blocks(near)[0].tolist(), len(on)]):
        at, known = point[begin:end], cost[begin:end]
        places = np.maximum.accumulate(s[begin:end])
        if at[-1] - at[0] >= len(at):
            every = np.arange(at[0], at[-1] + 1)
            places = np.interp(every, at, places)
            known = np.zeros(len(every))
            known[at - at[0]] = cost[begin:end]
        line = int(rows.line[on[begin]])
        yield int(run[begin]), _Chain(line, int(at[0]), known, places, float(most[begin]))


def _changes(chains: list[_Chain], lines: Sequence[Line]) -> list[list[tuple[int, Ints, Floats]]]:
    """For each chain the others that a run can change from, at which points, and at what cost.

    A change at point i goes from the other chain at i - 1 to this one at i. It costs one step, and
    the square of the distance between the two lines (in half tolerances, so that a jump to a road
    beside costs as much as leaving one line and joining another), where that is known: at i - 1,
    at i or both.
    """
    out: list[list[tuple[int, Ints, Floats]]] = [[] for _ in chains]
    for a, b in combinations(range(len(chains)), 2):
        one, two = chains[a], chains[b]
        low, high = max(one.first, two.first), min(one.end, two.end)
        if low >= high:
            continue
        x, y = one.places(lines[one.line], low, high)
        to_x, to_y = two.places(lines[two.line], low, high)
        gap = np.concatenate([[np.inf], (x - to_x) ** 2 + (y - to_y) ** 2, [np.inf]])
        at = np.arange(low, high + 1)
        cost = np.minimum(gap[:-1], gap[1:]) / (one.tolerance_m / 2) ** 2 + 1
        for into, come, mine, other in ((a, b, one, two), (b, a, two, one)):
            fits = (at - 1 >= other.first) & (at < mine.end) & (at >= mine.first)
            out[into].append((come, at[fits], cost[fits]))
    return out
