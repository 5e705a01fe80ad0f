"""Traces against lines: which points of which run follow which line, how far along and how far
aside.

Points (by distance) and directed lines go in; rows of (line, point, position along, offset, chain)
come out. A chain is a run following a line forward without leaving it: nearness and heading pick
candidates, agreement of distance driven with distance along the line makes chains, and the offset
sustained over 200 m, less the drive's own receiver bias, tells parallel roads apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from roadlog.quantities.arrays import Bools, Floats, Ints, blocks, middle
from roadlog.road.trace import STEP_M, Trace

LINE_STEP_M = 10.0
REACH_M = 50.0  # candidates lie at most this far aside of the line
HEADING_M = 40.0  # weight of heading in the search: unit heading vectors count as this many metres
SEARCH_M = 1.25 * REACH_M  # place and heading together
SQUARE_M = 62.5  # of the plane, by which points far from a line are told without a search
LEAST_COSINE = 1 - (SEARCH_M / HEADING_M) ** 2 / 2 - 0.1  # of headings within the search, and more
TURNS = 128  # directions that stand for all: what that takes is less than what was added
LEAST_FOR_GUESSES = 8  # vertices of a line
OFF_LINE_M = 120.0  # driven away from the line for longer than this ends a chain
GLITCH_M = 300.0  # unless both distances agree closely: then only the receiver left it
MAX_BLIND_M = 1500.0  # longest stretch without fixes that a chain may bridge
MIN_CHAIN_M = 60.0
LEAST_ALONG = 0.75  # of the distance driven has to go along the line: a crossing doesn't
SUSTAINED_M = 200.0  # offsets are averaged over this much road
OFFSET_GATE_M = (13.0, 16.0)  # sustained offset that means another road: quiet, noisy drive
LEAVING_OVER_M = 60.0  # at its ends a chain is judged by offsets over this much road only,
LEAVING_GATE_M = (9.0, 16.0)  # and ends where they exceed this: quiet, noisy drive
LEAST_FOR_BIAS = 50  # points of a drive near one line only that settle its bias
ROUNDING_M = 1e-6  # more than any rounding of an offset
MAX_BIAS_M = 20.0  # a receiver's bias in one drive is taken to be no more


@dataclass(frozen=True)
class Line:
    """A directed line: vertices, their distance along it [m], and unit tangents."""

    s_m: Floats
    x_m: Floats
    y_m: Floats
    tx: Floats
    ty: Floats

    @property
    def length_m(self) -> float:
        """Length of the line [m]."""
        return float(self.s_m[-1])

    @cached_property
    def tree(self) -> cKDTree:
        """The vertices' places and weighted headings, to be searched."""
        return cKDTree(_places(self.x_m, self.y_m, self.tx, self.ty))

    @cached_property
    def around(self) -> "_Around":
        """The squares of the plane near the line."""
        return _around(self.x_m, self.y_m, self.tx, self.ty)

    @cached_property
    def _clear(self) -> tuple[Floats, Floats]:
        """Half of each vertex's distance from all but itself and the next one, two either side.

        A point nearer to a vertex than that is nearer to it than to any such.
        """
        found = self.tree.query(self.tree.data, k=6)
        away, other = np.asarray(found[0]), np.asarray(found[1])
        apart = np.abs(other - np.arange(len(other))[:, None])
        one, two = (np.where(apart > k, away, np.inf).min(axis=1) / 2 for k in (1, 2))
        return np.minimum(one, SEARCH_M), np.minimum(two, SEARCH_M)

    def nearest(self, query: Floats, guess: Ints) -> Ints:
        """The vertex nearest to each place and heading (x, y, weighted heading), -1 beyond reach.

        Of the three vertices about where `guess` leads, or of the five, the nearest, if that
        settles it; else by the tree.
        """
        n = len(self.s_m)
        if len(guess) < n or n < LEAST_FOR_GUESSES:
            found = np.asarray(self.tree.query(query, distance_upper_bound=SEARCH_M)[1])
            return np.where(found < n, found, -1)
        vertex = self._beside(query, guess)
        least, before, after = (self._away(query, vertex + k) for k in (0, -1, 1))
        settled = (least < before) & (least <= after) & (least < self._clear[0].take(vertex) ** 2)
        open_ = np.flatnonzero(~settled)
        vertex[open_] = self._nearest_of_five(query.take(open_, axis=0), vertex[open_])
        return vertex

    def _nearest_of_five(self, query: Floats, guess: Ints) -> Ints:
        """As `nearest`, of the five vertices about where `guess` leads, else by the tree."""
        one, two = self._clear
        middle = self._beside(query, guess)
        away = np.stack([self._away(query, middle + k) for k in range(-2, 3)])
        which = away.argmin(axis=0)
        vertex: Ints = middle + which - 2
        clear = np.choose(np.abs(which - 2), [two[vertex], one[vertex], 0.0])
        open_ = np.flatnonzero(~(away.min(axis=0) < clear**2))
        found = np.asarray(self.tree.query(query[open_], distance_upper_bound=SEARCH_M)[1])
        vertex[open_] = np.where(found < len(self.s_m), found, -1)
        return vertex

    def _beside(self, query: Floats, guess: Ints) -> Ints:
        """The vertex that lies beside each place if the line is straight from `guess` on."""
        n, at = len(self.s_m), self.tree.data.take(guess, axis=0)
        east, north = query[:, 0] - at[:, 0], query[:, 1] - at[:, 1]
        steps = (east * at[:, 2] + north * at[:, 3]) / (HEADING_M * self.length_m / (n - 1))
        return np.clip(guess + np.rint(steps).astype(np.int64), 2, n - 3)

    def _away(self, query: Floats, vertex: Ints) -> Floats:
        """Squared distance from each place and heading to the given vertex."""
        apart = self.tree.data.take(vertex, axis=0)
        apart -= query
        apart *= apart
        x, y, hx, hy = apart.T
        return np.asarray(x + y + hx + hy, float)


def _places(x_m: Floats, y_m: Floats, hx: Floats, hy: Floats) -> Floats:
    """Places and weighted headings, as the search for the nearest takes them."""
    return np.column_stack([x_m, y_m, HEADING_M * hx, HEADING_M * hy])


@dataclass(frozen=True)
class _Around:
    """Which squares of the plane lie near a line, and in which eighths of a turn it runs there.

    `vertex` is -1 where no point of that square (columns east, rows north, from `x_m`, `y_m`) and
    heading can find a vertex within reach, as in the squares of its rim: it is off the line without
    a search. Elsewhere it is a vertex in that square or near it.
    """

    x_m: float
    y_m: float
    vertex: Ints

    def guess(self, points: "Points") -> Ints:
        """A vertex to begin the search for the nearest from, -1 where none is within reach."""
        rows, columns, eighths = self.vertex.shape
        i, j = (
            np.fmax(np.fmin(np.floor((c - begin) / SQUARE_M), count - 1), 0)
            for c, begin, count in ((points.y_m, self.y_m, rows), (points.x_m, self.x_m, columns))
        )
        square = (i * columns + j).astype(np.int64)
        found: Ints = self.vertex.ravel().take(square * eighths + points.eighth)
        return found


def _eighth(hx: Floats, hy: Floats) -> Ints:
    """The eighth of a turn that a heading lies in."""
    return (4 * (hx < 0) + 2 * (hy < 0) + (np.abs(hx) < np.abs(hy))).astype(np.int64)


@cache
def _eighths_alike() -> Bools:
    """For each of `TURNS` directions of a line the eighths in which a heading may be like it."""
    rim = np.linspace(0, 2 * np.pi, TURNS, endpoint=False)
    alike = np.cos(rim[:, None] - rim) >= LEAST_COSINE
    of = _eighth(np.cos(rim), np.sin(rim))
    return np.stack([alike[:, of == e].any(axis=1) for e in range(8)], axis=1)


def _around(x_m: Floats, y_m: Floats, tx: Floats, ty: Floats) -> _Around:
    reach = int(np.ceil(SEARCH_M / SQUARE_M))
    left, low = (float(c.min()) - (reach + 1) * SQUARE_M for c in (x_m, y_m))
    i, j = (np.floor((c - a) / SQUARE_M).astype(np.int64) for c, a in ((y_m, low), (x_m, left)))
    rows, columns = (int(c.max()) + reach + 2 for c in (i, j))
    turn = np.rint(np.arctan2(ty, tx) / (2 * np.pi / TURNS)).astype(np.int64) % TURNS
    vertex, eighth = np.nonzero(_eighths_alike()[turn])
    at = (i * columns + j)[vertex] * 8 + eighth
    start = np.full(rows * columns * 8, -1, np.int64)
    beside = [(di, dj) for di in range(-reach, reach + 1) for dj in range(-reach, reach + 1)]
    for di, dj in sorted(beside, key=lambda step: -np.hypot(*step)):  # the nearest square last
        start[at + (di * columns + dj) * 8] = vertex
    return _Around(left, low, start.reshape(rows, columns, 8))


@dataclass(frozen=True)
class Points:
    """Points of many traces in one: `owner` numbers the trace, in blocks, by distance within."""

    owner: Ints
    d_m: Floats
    x_m: Floats
    y_m: Floats
    hx: Floats
    hy: Floats
    seen: Bools

    def __len__(self) -> int:
        return len(self.owner)

    @cached_property
    def places(self) -> Floats:
        """Places and weighted headings, as lines are searched by them."""
        return _places(self.x_m, self.y_m, self.hx, self.hy)

    @cached_property
    def eighth(self) -> Ints:
        """The eighth of a turn that each heading lies in."""
        return _eighth(self.hx, self.hy)

    @cached_property
    def seen_so_far(self) -> Ints:
        """How many points up to each one were seen."""
        return np.cumsum(self.seen)


@dataclass(frozen=True)
class Alignment:
    """Rows ordered by line, then owner, then distance; `chain` is -1 where a row is in none."""

    line: Ints
    owner: Ints
    point: Ints
    s_m: Floats
    offset_m: Floats  # to the left of the line
    unbiased_m: Floats  # the same less the drive's bias
    near: Ints  # chains by nearness, heading and distance alone
    chain: Ints  # and, from `align`, less what is sustainedly aside
    bias_m: Floats  # (owners, 2): each drive's bias, east and north


def make_line(x_m: Floats, y_m: Floats, step_m: float = LINE_STEP_M) -> Line:
    """A line through the points (x_m, y_m), resampled at `step_m` and with smooth tangents."""
    s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x_m), np.diff(y_m)))])
    n = max(2, round(s[-1] / step_m) + 1)
    at = np.linspace(0, s[-1], n)
    x, y = np.interp(at, s, x_m), np.interp(at, s, y_m)
    s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    return line_of(s, x, y)


def line_of(s_m: Floats, x_m: Floats, y_m: Floats) -> Line:
    """A line with the given vertices as they are."""
    gx, gy = np.gradient(x_m), np.gradient(y_m)
    gx, gy = (gaussian_filter1d(g, 1.0, mode="nearest") for g in (gx, gy))
    norm = np.maximum(np.hypot(gx, gy), 1e-9)
    tx, ty = gx / norm, gy / norm
    return Line(s_m, x_m, y_m, tx, ty)


def gather(traces: Sequence[Trace]) -> Points:
    """All points of the traces, `owner` being the place in the sequence."""
    sizes = [len(t.d_m) for t in traces]
    owner = np.repeat(np.arange(len(traces), dtype=np.int64), sizes)
    names = ("d_m", "x_m", "y_m", "hx", "hy", "seen")
    return Points(owner, *(np.concatenate([getattr(t, n) for t in traces]) for n in names))


def approach(points: Points, lines: Sequence[Line], usable: Bools | None = None) -> Alignment:
    """Align every usable point with every line that it is near and may follow.

    Points that aren't usable (already explained by another line) count as off the line; points
    that weren't seen are neither on nor off it.
    """
    free = points.seen if usable is None else points.seen & usable
    parts = [_candidates(points, line, free) for line in lines]
    rows = np.concatenate([p[0] for p in parts])
    line = np.repeat(np.arange(len(lines), dtype=np.int64), [len(p[0]) for p in parts])
    s, offset, nx, ny = (np.concatenate([p[i] for p in parts]) for i in (1, 2, 3, 4))
    owner, owners = points.owner.take(rows), int(points.owner.max(initial=-1)) + 1
    near = _chains(points, line, rows, s, np.arange(len(rows)))
    on = np.flatnonzero(near >= 0)
    bias = _bias(owner.take(on), owners, *(c.take(on) for c in (rows, offset, nx, ny)))
    first, size = blocks(owner)
    bx, by = (np.repeat(b[owner[first]], size) for b in bias)
    unbiased = offset - nx * bx - ny * by
    return Alignment(line, owner, rows, s, offset, unbiased, near, near, np.column_stack(bias))


def align(points: Points, lines: Sequence[Line], usable: Bools | None = None) -> Alignment:
    """Align every usable point with every line that it follows, taking each line by itself."""
    rows = approach(points, lines, usable)
    inside = np.flatnonzero(rows.near >= 0)
    residual = sustained(rows.unbiased_m, rows.near, SUSTAINED_M).take(inside)
    keep = inside[np.abs(residual) <= tolerance(rows.owner.take(inside), residual, OFFSET_GATE_M)]
    final = _chains(points, rows.line, rows.point, rows.s_m, keep)
    final = _trimmed(final, rows.owner, rows.unbiased_m, points.d_m.take(rows.point))
    return replace(rows, chain=final)


def _trimmed(chain: Ints, owner: Ints, unbiased_m: Floats, d: Floats) -> Ints:
    """The chains without the ends where the run had left the line, or not yet joined it."""
    inside = np.flatnonzero(chain >= 0)
    near = sustained(unbiased_m, chain, LEAVING_OVER_M).take(inside)
    on = inside[np.abs(near) <= tolerance(owner.take(inside), near, LEAVING_GATE_M)]
    out = np.full(len(chain), -1, dtype=np.int64)
    if not len(on):
        return out
    first, size = blocks(chain[on])
    last = first + size - 1
    long = d[on[last]] - d[on[first]] >= MIN_CHAIN_M
    first, last = first[long], last[long]
    opened, closed = np.zeros(len(chain) + 1, np.int64), np.zeros(len(chain) + 1, np.int64)
    opened[on[first]], closed[on[last] + 1] = 1, 1
    kept = (np.cumsum(opened - closed)[:-1] > 0) & (chain >= 0)
    out[kept] = chain[kept]
    return out


def _candidates(
    points: Points, line: Line, free: Bools
) -> tuple[Ints, Floats, Floats, Floats, Floats]:
    """The points that may be on the line: rows, where along and beside it, and its normal there."""
    guess = line.around.guess(points)
    rows = np.flatnonzero(free & (guess >= 0))
    query = points.places.take(rows, axis=0)
    vertex = line.nearest(query, guess.take(rows))
    v = np.maximum(vertex, 0)
    tx, ty = line.tx.take(v), line.ty.take(v)
    east, north = query[:, 0] - line.x_m.take(v), query[:, 1] - line.y_m.take(v)
    along, offset = east * tx + north * ty, north * tx - east * ty
    past_end = ((v == 0) & (along < 0)) | ((v == len(line.s_m) - 1) & (along > 0))
    near = np.flatnonzero((vertex >= 0) & (np.abs(offset) <= REACH_M) & ~past_end)
    s = np.clip(line.s_m.take(v) + np.clip(along, -STEP_M, STEP_M), 0, line.length_m)
    return rows.take(near), s.take(near), offset.take(near), -ty.take(near), tx.take(near)


def _chains(points: Points, line: Ints, point: Ints, s: Floats, use: Ints) -> Ints:
    """Number the chains among the candidate rows `use`; -1 for the rest and for short chains.

    Distance over seen points between two neighbouring rows, less one step, is what was driven in
    view of the sky between them: over rows not in use (aside of the line) or over no candidates at
    all (far from it).
    """
    owner, d, seen = points.owner.take(point), points.d_m.take(point), points.seen_so_far
    out = np.full(len(point), -1, dtype=np.int64)
    for _ in range(2):
        if not len(use):
            break
        part = slice(None) if len(use) == len(point) else use
        of, mine, at_d, at_s, rows = (c[part] for c in (line, owner, d, s, point))
        dd, ds = np.diff(at_d), np.diff(at_s)
        joined = (
            (of[1:] == of[:-1])
            & (mine[1:] == mine[:-1])
            & (ds > 0.8 * dd - 45)
            & (ds < 1.25 * dd + 45)
            & (dd <= MAX_BLIND_M)
        )
        at = np.flatnonzero(joined & (rows[1:] != rows[:-1] + 1))
        aside = (use[at + 1] - use[at] - 1) * STEP_M
        far = (seen[rows[at + 1]] - seen[rows[at]] - 1) * STEP_M - aside
        glitch = (far <= GLITCH_M) & _agree(dd[at], ds[at])
        joined[at] = (aside <= OFF_LINE_M) & ((far <= OFF_LINE_M) | glitch)
        first = np.flatnonzero(np.append(True, ~joined))
        size = np.diff(np.append(first, len(use)))
        last = first + size - 1
        driven, along = at_d[last] - at_d[first], at_s[last] - at_s[first]
        long = (driven >= MIN_CHAIN_M) & (along > LEAST_ALONG * driven)
        out[:] = -1
        out[part] = np.repeat(np.where(long, np.arange(len(long)), -1), size)
        if long.all():
            break
        use = use[np.repeat(long, size)]
    return out


def only_seems_away(driven_m: float, along_m: float) -> bool:
    """Whether a run that left a line and came back by these distances may never have left it."""
    return 0 < driven_m <= GLITCH_M and bool(_agree(driven_m, along_m))


def _agree(driven_m: Floats | float, along_m: Floats | float) -> Bools:
    return np.asarray(np.abs(along_m - driven_m) <= 30 + 0.05 * driven_m, bool)


def _bias(
    owner: Ints, owners: int, point: Ints, offset: Floats, nx: Floats, ny: Floats
) -> tuple[Floats, Floats]:
    """Each drive's constant receiver offset (east, north) [m] that best explains its offsets.

    Least squares with offsets limited to 15 m, then 8 m, about the current fit, shrunk as if 20
    points had none. A point near several lines says nothing, as it isn't known which it is on; in
    a drive that has few others it speaks for the nearest.
    """
    alone = np.bincount(point)[point] == 1
    if not alone.all():
        plenty = np.bincount(owner[alone], minlength=owners) >= LEAST_FOR_BIAS
        several = np.flatnonzero(~(alone | plenty[owner]))
        several = several[np.lexsort((np.abs(offset[several]), point[several]))]
        nearest = several[np.diff(point[several], prepend=-1) != 0]
        used = np.concatenate([np.flatnonzero(alone), nearest])
        owner, offset, nx, ny = owner[used], offset[used], nx[used], ny[used]
    first, size = blocks(owner)
    of = owner[first]

    def total(column: Floats) -> Floats:
        return np.asarray(np.bincount(of, np.add.reduceat(column, first), owners), float)

    sxx, sxy, syy = total(nx * nx) + 20, total(nx * ny), total(ny * ny) + 20
    sx, sy, det = total(nx * offset), total(ny * offset), sxx * syy - sxy**2
    aside, bx, by = np.abs(offset), np.zeros(owners), np.zeros(owners)
    for limit in (15, 15, 8, 8, 8):
        least = limit - np.hypot(bx, by) - ROUNDING_M  # less than this aside isn't held back
        some = np.flatnonzero(aside > np.repeat(least[of], size))
        mine = owner[some]
        residual = offset[some] - (nx[some] * bx[mine] + ny[some] * by[mine])
        beyond = residual - np.clip(residual, -limit, limit)
        held = np.flatnonzero(beyond)
        far, mine, beyond = some[held], mine[held], beyond[held]
        gx = sx - np.bincount(mine, nx[far] * beyond, owners)
        gy = sy - np.bincount(mine, ny[far] * beyond, owners)
        bx, by = (syy * gx - sxy * gy) / det, (sxx * gy - sxy * gx) / det
    shrink = np.minimum(1.0, MAX_BIAS_M / np.maximum(np.hypot(bx, by), 1e-9))
    return bx * shrink, by * shrink


def sustained(value: Floats, chain: Ints, over_m: float) -> Floats:
    """Mean of `value` over the rows of the same chain within `over_m` about each row.

    Chains are laid out with room between them, so that no sum reaches into another.
    """
    out = np.full(len(value), np.nan)
    rows = np.flatnonzero(chain >= 0)
    first, size = blocks(chain.take(rows))
    half = round(over_m / STEP_M / 2)
    apart = np.repeat(half * np.arange(1, len(size) + 1) + first, size)
    within = np.arange(len(rows)) - np.repeat(first, size)
    laid = np.zeros(len(rows) + half * (len(size) + 1))
    laid[apart + within] = value.take(rows)
    total = _sum_of_each(laid, 2 * half + 1).take(apart + within - half)
    count = np.minimum(within, half) + np.minimum(np.repeat(size - 1, size) - within, half) + 1
    out[rows] = total / count
    return out


def _sum_of_each(values: Floats, n: int) -> Floats:
    """The sum of each `n` neighbours, put together of sums of 1, 2, 4 … of them."""
    out = np.zeros(max(len(values) - n + 1, 0))
    done, width = 0, 1
    while done < n:
        if n & width:
            out += values[done : done + len(out)]
            done += width
        values, width = values[:-width] + values[width:], 2 * width
    return out


def tolerance(owner: Ints, residual_m: Floats, within_m: tuple[float, float]) -> Floats:
    """Largest sustained offset [m] that is still on the line, for each row.

    Three robust standard deviations of the drive's own, within the given bounds. Counting tells
    which drives are at a bound; of the others the median is worked out.
    """
    if not len(owner):
        return np.empty(0)
    aside = np.abs(residual_m)
    wide = 3 * 1.4826 * aside
    first, size = blocks(owner)
    of = owner[first]
    rows = np.bincount(of, size)
    quiet, noisy = (
        2 * np.bincount(of, np.add.reduceat(beyond, first, dtype=np.int64)) > rows
        for beyond in (wide <= within_m[0], wide >= within_m[1])
    )
    bound = np.where(quiet, within_m[0], within_m[1])
    between = np.flatnonzero(np.repeat(~(quiet | noisy)[of], size))
    between = between[np.argsort(owner[between], kind="stable")]
    begin, _ = blocks(owner[between])
    medians = [middle(part) for part in np.split(aside[between], begin[1:]) if len(part)]
    bound[owner[between[begin]]] = np.clip(3 * 1.4826 * np.array(medians), *within_m)
    return np.repeat(bound[of], size)
