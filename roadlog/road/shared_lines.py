"""The stretches of road that runs of both arms share in the same direction.

Traces go in; out come directed mean lines with the rows of the runs that follow them (method
section 3). A grid of cells by place and heading proposes a reference run; alignment with it, not
the grid, decides who shares it; the line is then moved to the mean of all who do. When all lines
are found they are joined up, and every run is placed anew on all of them.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from roadlog.quantities.arrays import Bools, Floats, Ints, blocks
from roadlog.road.alignment import (
    LINE_STEP_M,
    REACH_M,
    Alignment,
    Line,
    Points,
    align,
    approach,
    make_line,
    only_seems_away,
    sustained,
)
from roadlog.road.cells import Cells
from roadlog.road.junctions import Placed, joined_up, place
from roadlog.road.trace import MAX_FIX_GAP_M, STEP_M
from roadlog.road.tunnels import course

BRIDGE_M = 60.0  # a reference may cross this much road that too few runs show
BLIND_M = 700.0  # and this much without fixes (a tunnel)
REVISIT_M = 300.0  # a line that comes back to its own road after this much ends there
LAPS_FOR_LINE = 80  # runs that the mean line is drawn from
SAME_ROAD_M = 12.0  # offset within which a run speaks for the mean line,
SAME_ROAD_OVER_M = 1000.0  # as a mean over this much road
OFFSET_CELL_M = 4.0  # cells of the density of offsets, which is smoothed over
USUAL_OVER_M = 200.0  # this much along the road (standard deviation)
USUAL_WITHIN_M = 5.0  # and this much across it
NEAR_REFERENCE_M = 15.0  # peaks farther from the reference than this count less
CORNER_M = 12.0  # the smoothing that the mean line's corners are freed of
MAX_STRETCHES = 200
SEARCHES = 3  # roads are looked for again where runs are on none when all are placed anew
COUNT_STEP_M = 20.0
TUNNEL_EDGE_M = 40.0  # so near a stretch without fixes the smoothed path leans into it
TUNNEL_AIM_M = 80.0  # the direction into it is taken over this much road


@dataclass(frozen=True)
class Stretch:
    """A shared directed line and who drove it.

    `point`, `s_m`, `chain` are the aligned rows (`point` indexes the study's points); `runs_at`
    counts the runs that pass each `COUNT_STEP_M` of the line.
    """

    line: Line
    point: Ints
    s_m: Floats
    chain: Ints
    runs_at: Ints


def shared_stretches(
    points: Points, fitted: Bools, min_runs_per_arm: int, min_length_m: float
) -> tuple[list[Stretch], float]:
    """Find the shared stretches, most shared first.

    Parameters
    ----------
    points : Points
        All runs' points.
    fitted : (runs,) bool
        Whether each run (by `points.owner`) belongs to the fitted arm.
    min_runs_per_arm : int
        Runs of either arm that a stretch needs.
    min_length_m : float
        Shorter stretches are left out [m].

    Returns
    -------
    stretches : list of Stretch
    longest_m : float
        Longest stretch found, kept or not [m] (0 if none).
    """
    cells = Cells(points)
    found: list[Stretch] = []
    free, longest = points.seen, 0.0
    for _ in range(SEARCHES):
        new, most = _search(points, cells, free, fitted, min_runs_per_arm, min_length_m)
        longest = max(longest, most)
        if not new:
            break
        found = _joined(points, found + new, fitted, min_runs_per_arm, min_length_m)
        free = points.seen.copy()
        for stretch in found:
            free[stretch.point] = False
    return found, longest


def _search(
    points: Points, cells: Cells, free: Bools, fitted: Bools, k: int, min_length_m: float
) -> tuple[list[Stretch], float]:
    """The stretches that runs share where they are free, and the longest one's length."""
    free, tried = free.copy(), np.zeros(len(points), bool)
    found: list[Stretch] = []
    longest = 0.0
    for _ in range(MAX_STRETCHES):
        support = cells.support(free, fitted)
        reference = _reference(points, cells, free, free & ~tried & (support >= k), support)
        if len(reference) < 3:
            break
        tried[reference] = True
        line, runs = _mean_line(points, reference, free)
        rows = align(points, [line], free)
        through = _through_tunnels(points, rows, line, runs)
        if through is not line:
            line, rows = through, align(points, [through], free)
        on = rows.chain >= 0
        followed = Placed(rows.point[on], rows.s_m[on], rows.chain[on])
        kept, most = _kept(points, line, followed, fitted, k, min_length_m)
        longest = max(longest, most)
        for stretch in kept:
            free[stretch.point] = False
            found.append(stretch)
        if not kept and points.d_m[reference[-1]] - points.d_m[reference[0]] < min_length_m:
            break
    return found, longest


def _joined(
    points: Points, found: list[Stretch], fitted: Bools, k: int, min_length_m: float
) -> list[Stretch]:
    """The stretches joined up with one another, and who drove them then."""
    some = np.unique(np.concatenate([_spread(points.owner[f.point]) for f in found]))
    few = _of_runs(points, some)
    lines = joined_up(few, [f.line for f in found], fitted[some], k)
    placed, _ = place(points, lines)
    return [
        stretch
        for line, on in zip(lines, placed, strict=True)
        for stretch in _kept(points, line, on, fitted, k, min_length_m)[0]
    ]


def _spread(owner: Ints) -> Ints:
    """At most `LAPS_FOR_LINE` of the runs, spread evenly over all."""
    runs = np.unique(owner)
    chosen = np.linspace(0, len(runs) - 1, min(len(runs), LAPS_FOR_LINE)).astype(int)
    return np.asarray(runs[chosen], dtype=np.int64)


def _of_runs(points: Points, runs: Ints) -> Points:
    """The points of these runs alone, which are numbered anew."""
    if len(runs) == points.owner[-1] + 1:
        return points
    some = np.flatnonzero(np.isin(points.owner, runs))
    names = ("d_m", "x_m", "y_m", "hx", "hy", "seen")
    owner = np.searchsorted(runs, points.owner.take(some))
    return Points(owner, *(getattr(points, n).take(some) for n in names))


def _reference(points: Points, cells: Cells, free: Bools, good: Bools, support: Ints) -> Ints:
    """The points of the one run's stretch that most runs share over most road."""
    index = np.flatnonzero(good)
    if not len(index):
        return index
    alone = np.cumsum(free & ~good) * STEP_M
    taken = np.cumsum(points.seen & ~free)
    joined = (
        (np.diff(points.owner[index]) == 0)
        & (np.diff(alone[index]) <= BRIDGE_M)
        & (np.diff(taken[index]) == 0)
        & (np.diff(points.d_m[index]) <= BLIND_M)
    )
    first = np.flatnonzero(np.append(True, ~joined))
    best = int(np.argmax(np.add.reduceat(support[index].astype(float), first)))
    end = first[best + 1] if best + 1 < len(first) else len(index)
    stretch = np.arange(index[first[best]], index[end - 1] + 1)
    earliest = np.full(cells.count, np.inf)
    kind = cells.kind[stretch]
    for row in cells.filed:
        np.minimum.at(earliest, row[kind], points.d_m[stretch])
    again = earliest[cells.home[kind]] < points.d_m[stretch] - REVISIT_M
    return stretch[: int(np.argmax(again))] if again.any() else stretch


def _mean_line(points: Points, reference: Ints, free: Bools) -> tuple[Line, Ints]:
    """The reference's path, moved to the mean of runs that follow it, and which these are.

    The reference's own wandering is taken out first: the mean of all runs near it, whichever road
    they are on, keeps its distance from each of the roads.
    """
    line = make_line(points.x_m[reference], points.y_m[reference])
    rows = approach(points, [line], free)
    near = np.flatnonzero(rows.near >= 0)
    runs = _spread(rows.owner.take(near))
    some, usable = _of_runs(points, runs), free[np.isin(points.owner, runs)]
    near = near[np.isin(rows.owner.take(near), runs)]
    if len(near):
        wander = _mean_offset(rows.s_m[near], rows.unbiased_m[near], line, REACH_M)
        offset = rows.unbiased_m[near] - np.interp(rows.s_m[near], line.s_m, wander)
        shift = wander + _usual_offset(rows.s_m[near], offset, line)
        line = make_line(line.x_m - line.ty * shift, line.y_m + line.tx * shift)
    for _ in range(3):
        rows = align(some, [line], usable)
        aside = np.abs(sustained(rows.unbiased_m, rows.near, SAME_ROAD_OVER_M))
        inside = (rows.chain >= 0) & (aside <= SAME_ROAD_M)
        if not inside.any():
            break
        aside_m = _mean_offset(rows.s_m[inside], rows.offset_m[inside], line, SAME_ROAD_M)
        line = make_line(line.x_m - line.ty * aside_m, line.y_m + line.tx * aside_m)
    return _with_corners(line), runs


def _with_corners(line: Line) -> Line:
    """The line less the leaning into its bends that smoothing gave it.

    What smoothing takes from the line once more is added back (Tukey's twicing).
    """
    width = CORNER_M / LINE_STEP_M
    inner = np.minimum(line.s_m, line.length_m - line.s_m) > 4 * CORNER_M
    x, y = (
        c + inner * (c - gaussian_filter1d(c, width, mode="nearest")) for c in (line.x_m, line.y_m)
    )
    return make_line(x, y)


def _through_tunnels(points: Points, rows: Alignment, line: Line, runs: Ints) -> Line:
    """The line with its course redrawn where none of these runs has fixes."""
    index = np.flatnonzero((rows.chain >= 0) & np.isin(rows.owner, runs))
    if not len(index):
        return line
    bins = int(line.length_m / STEP_M) + 1
    place = np.minimum((rows.s_m[index] / STEP_M).astype(int), bins - 1)
    there = np.flatnonzero(np.bincount(place, minlength=bins))
    blind = np.flatnonzero(np.diff(there) * STEP_M > MAX_FIX_GAP_M)
    if not len(blind):
        return line
    d, s = points.d_m[rows.point[index]], rows.s_m[index]
    dd, ds = np.diff(d), np.diff(s)
    joined = np.diff(rows.chain[index]) == 0
    short = joined & (dd < 3 * STEP_M)
    scale = float(ds[short].sum() / max(dd[short].sum(), 1e-9)) if short.any() else 1.0
    path, done = [], 0.0
    for b in blind:
        low = there[b] * STEP_M + STEP_M / 2 - TUNNEL_EDGE_M
        high = there[b + 1] * STEP_M + STEP_M / 2 + TUNNEL_EDGE_M
        across = joined & (s[:-1] < low + 2 * TUNNEL_EDGE_M) & (s[1:] > high - 2 * TUNNEL_EDGE_M)
        if not across.any() or low < done + TUNNEL_AIM_M or high > line.length_m - TUNNEL_AIM_M:
            continue
        beyond = (high - low) - ds[across]
        driven = float(np.median(scale * dd[across] + beyond))
        before = (line.s_m >= done) & (line.s_m <= low)
        begin, end = _place(line, low), _place(line, high)
        into = begin - _place(line, low - TUNNEL_AIM_M)
        out = _place(line, high + TUNNEL_AIM_M) - end
        into, out = into / np.hypot(*into), out / np.hypot(*out)
        path += [np.column_stack([line.x_m[before], line.y_m[before]])]
        path += [np.column_stack(course(begin, into, end, out, driven))]
        done = high
    after = line.s_m > done
    path += [np.column_stack([line.x_m[after], line.y_m[after]])]
    return make_line(*np.vstack(path).T)


def _place(line: Line, s_m: float) -> Floats:
    return np.array([np.interp(s_m, line.s_m, line.x_m), np.interp(s_m, line.s_m, line.y_m)])


def _usual_offset(s: Floats, offset: Floats, line: Line) -> Floats:
    """Offset at which most runs pass each vertex [m]: the ridge of their density.

    Beside a parallel road the line may lie between the two; then it has to go to one of them, and
    to the same one all along.
    """
    places, sides = int(line.length_m / STEP_M) + 1, int(2 * REACH_M / OFFSET_CELL_M) + 1
    at = np.minimum((s / STEP_M).astype(int), places - 1)
    side = np.round((offset + REACH_M) / OFFSET_CELL_M).astype(int)
    cell = at * sides + np.clip(side, 0, sides - 1)
    count = np.bincount(cell, minlength=places * sides).reshape(places, sides).astype(float)
    spread = (USUAL_OVER_M / STEP_M, USUAL_WITHIN_M / OFFSET_CELL_M)
    density = gaussian_filter(count, spread, mode="nearest")
    centre = np.arange(sides) * OFFSET_CELL_M - REACH_M
    density *= np.exp(-0.5 * (centre / NEAR_REFERENCE_M) ** 2)
    at_vertex = np.interp(line.s_m, (np.arange(places) + 0.5) * STEP_M, centre[_ridge(density)])
    return np.asarray(gaussian_filter1d(at_vertex, 2.0, mode="nearest"), float)


def _ridge(density: Floats) -> Ints:
    """The column of high density in each row, changed only for good (dynamic programming).

    Changing by `NEAR_REFERENCE_M` costs as much as `USUAL_OVER_M` of road without any density.
    """
    rows, columns = density.shape
    column = np.arange(columns)
    gain = density / np.maximum(density.max(1, keepdims=True), 1e-9)
    step = OFFSET_CELL_M / NEAR_REFERENCE_M * USUAL_OVER_M / STEP_M
    cost = step * np.abs(column[:, None] - column)
    total, came = gain[0], np.zeros((rows, columns), dtype=np.int64)
    for i in range(1, rows):
        change = total - cost
        came[i] = change.argmax(1)
        total = change[column, came[i]] + gain[i]
    best = np.empty(rows, dtype=np.int64)
    best[-1] = total.argmax()
    for i in range(rows - 1, 0, -1):
        best[i - 1] = came[i, best[i]]
    return best


def _mean_offset(s: Floats, offset: Floats, line: Line, within_m: float) -> Floats:
    """Mean offset at each vertex of the line, smoothed along it [m].

    Offsets farther than `within_m` from the mean count as that far from it.
    """
    bins = np.minimum((s / STEP_M).astype(int), int(line.length_m / STEP_M))
    n = int(line.length_m / STEP_M) + 1
    count = np.bincount(bins, minlength=n)
    mean = np.bincount(bins, offset, n) / np.maximum(count, 1)
    for _ in range(3):
        usual = mean.take(bins)
        near = usual + np.clip(offset - usual, -within_m, within_m)
        mean = np.bincount(bins, near, n) / np.maximum(count, 1)
    there = np.flatnonzero(count)
    at = (there + 0.5) * STEP_M
    at_vertex = np.interp(line.s_m, at, mean[there])
    return np.asarray(gaussian_filter1d(at_vertex, 2.0, mode="nearest"), float)


def _kept(
    points: Points, line: Line, on: Placed, fitted: Bools, k: int, min_length_m: float
) -> tuple[list[Stretch], float]:
    """The parts of a line that enough runs of both arms pass, and the longest part's length."""
    bins = int(line.length_m / COUNT_STEP_M) + 1
    passed = np.zeros((len(fitted), bins), bool)
    if not len(on.point):
        return [], 0.0
    first, size = blocks(on.piece)
    last = first + size - 1
    owner, d, s = points.owner[on.point], points.d_m[on.point], on.s_m
    cell = (s / COUNT_STEP_M).astype(int)
    for a, b in zip(first, last, strict=True):
        passed[owner[a], cell[a] : cell[b] + 1] = True
    for b, a in zip(last[:-1], first[1:], strict=True):
        if owner[a] == owner[b] and only_seems_away(d[a] - d[b], s[a] - s[b]):
            passed[owner[a], cell[b] : cell[a] + 1] = True
    enough = (passed[fitted].sum(0) >= k) & (passed[~fitted].sum(0) >= k)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], enough.astype(int), [0]])))
    parts = [
        (a * COUNT_STEP_M, min(b * COUNT_STEP_M, line.length_m)) for a, b in edges.reshape(-1, 2)
    ]
    longest = max((b - a for a, b in parts), default=0.0)
    kept = []
    for a, b in parts:
        if b - a < min_length_m:
            continue
        inside = (s >= a) & (s <= b)
        at = np.linspace(a, b, round((b - a) / LINE_STEP_M) + 1)
        piece = make_line(np.interp(at, line.s_m, line.x_m), np.interp(at, line.s_m, line.y_m))
        window = slice(int(a / COUNT_STEP_M), int(np.ceil(b / COUNT_STEP_M)))
        kept.append(
            Stretch(
                piece,
                on.point[inside],
                np.clip(s[inside] - a, 0, piece.length_m),
                on.piece[inside],
                passed[:, window].sum(0),
            )
        )
    return kept, longest
