"""Lines drawn again with every run placed on all of them, and carried on to where they meet.

Lines found one after another and all runs' points go in; the same lines come out, moved to the
mean of the runs that follow them less each drive's receiver bias, and longer at both ends: as far
as enough runs of both arms go on together, or until they meet another line. So a fork lies where
the mean of one branch's runs parts from the other line, not where one drive's noise takes it. Part
of method section 3.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np
from scipy.ndimage import gaussian_filter1d

from roadlog.quantities.arrays import Bools, Floats, Ints, blocks, medians
from roadlog.road.alignment import (
    LINE_STEP_M,
    SUSTAINED_M,
    Line,
    Points,
    approach,
    make_line,
)
from roadlog.road.trace import STEP_M
from roadlog.road.viterbi import follow

Path = tuple[Floats, Floats]

ROUNDS = 2  # lines and the drives' biases are found in turn; the second round is nearly the last
SHIFT_OVER_M = 100.0  # lines move sideways smoothly over this much road, so that corners stay
OUTLIER_M = 12.0  # one point moves its line by this much at most
FURTHER_M = 400.0  # a line is carried on by this much at most in one round
INSIDE_M = 100.0  # its last part, drawn from runs that were leaving it, is drawn again
TOGETHER_M = 25.0  # runs this near their median go on together
MEET_M = 4.0  # lines this near, a lane's width, are on one road
NEVER_MEET_M = 12.0  # lines that stay farther apart don't meet, whatever the drives' noise
SAME_WAY = 0.7  # cosine of the angle within which lines that meet have one direction


@dataclass(frozen=True)
class Placed:
    """Points of all runs placed on one line: rows by run and distance, numbered by piece."""

    point: Ints
    s_m: Floats
    piece: Ints


def place(points: Points, lines: Sequence[Line]) -> tuple[list[Placed], Floats]:
    """Place every run on the lines.

    Returns
    -------
    placed : list of Placed
        One for each line.
    bias_m : (runs, 2) float [m]
        Each run's receiver bias, east and north.
    """
    rows = approach(points, lines)
    first = np.searchsorted(points.owner, np.arange(len(rows.bias_m) + 1))
    parts: list[list[tuple[Ints, Floats]]] = [[] for _ in lines]
    for line, point, s in chain.from_iterable(follow(rows, lines, first)):
        parts[line].append((point, s))
    none = (np.empty(0, dtype=np.int64), np.empty(0))
    placed = []
    for part in parts:
        point, s = (np.concatenate(c) for c in zip(none, *part, strict=True))
        piece = np.repeat(np.arange(len(part)), [len(at) for at, _ in part])
        placed.append(Placed(point, s, piece))
    return placed, rows.bias_m


def joined_up(points: Points, lines: Sequence[Line], fitted: Bools, k: int) -> list[Line]:
    """The lines drawn again, and carried on as far as `k` runs of each arm go on together."""
    lines = list(lines)
    for _ in range(ROUNDS):
        placed, bias = place(points, lines)
        at = points.x_m - bias[points.owner, 0], points.y_m - bias[points.owner, 1]
        lines = [_moved(line, p, points.seen, at) for line, p in zip(lines, placed, strict=True)]
        for i, p in enumerate(placed):
            first, size = blocks(p.piece)
            for way, ends in ((-1, p.point[first]), (1, p.point[first + size - 1])):
                lines[i] = _carried_on(i, lines, way, ends, points, at, fitted, k)
    return lines


def _moved(line: Line, placed: Placed, seen: Bools, at: Path) -> Line:
    """The line moved sideways to the mean of the seen points placed on it."""
    there = seen[placed.point]
    point, s = placed.point[there], placed.s_m[there]
    if not len(point):
        return line
    x, y, tx, ty = (np.interp(s, line.s_m, c) for c in (line.x_m, line.y_m, line.tx, line.ty))
    offset = (at[1][point] - y) * tx - (at[0][point] - x) * ty
    bins = int(line.length_m / STEP_M) + 1
    bin_ = np.minimum((s / STEP_M).astype(int), bins - 1)
    total = np.bincount(bin_, np.clip(offset, -OUTLIER_M, OUTLIER_M), bins)
    count = np.bincount(bin_, minlength=bins).astype(float)
    width = SHIFT_OVER_M / STEP_M
    total, count = (gaussian_filter1d(c, width, mode="nearest") for c in (total, count))
    mean = total / np.maximum(count, 1e-9)
    shift = np.interp(line.s_m, (np.arange(bins) + 0.5) * STEP_M, mean)
    return make_line(line.x_m - line.ty * shift, line.y_m + line.tx * shift)


def _carried_on(
    i: int, lines: list[Line], way: int, ends: Ints, points: Points, at: Path, fitted: Bools, k: int
) -> Line:
    """Line `i` carried on at its end (`way` 1) or before its start (-1).

    `ends` are the last (first) points of the pieces of runs placed on it.
    """
    line = lines[i]
    if line.length_m < 2 * INSIDE_M or not len(ends):
        return line
    beyond = _beyond_end(line, way, at[0][ends], at[1][ends])
    near = np.abs(beyond) <= INSIDE_M
    ends, beyond = ends[near], beyond[near]
    if not len(ends):
        return line
    steps = np.arange(-INSIDE_M, FURTHER_M + 1, LINE_STEP_M)
    x, y = _onward(points, at, ends, way, steps - beyond[:, None])
    mx, my = _together(x, y, points.owner[ends], fitted, k, steps)
    meeting = _meeting(i, lines, way, mx, my) if len(mx) > 2 else None
    if meeting is not None:
        j, px, py = meeting
        mx, my = np.append(mx[:j], px), np.append(my[:j], py)
    if len(mx) <= INSIDE_M / LINE_STEP_M and meeting is None:
        return line
    if way > 0:
        keep = line.s_m < line.length_m - INSIDE_M
        return make_line(np.append(line.x_m[keep], mx), np.append(line.y_m[keep], my))
    keep = line.s_m > INSIDE_M
    return make_line(np.append(mx[::-1], line.x_m[keep]), np.append(my[::-1], line.y_m[keep]))


def _beyond_end(line: Line, way: int, x: Floats, y: Floats) -> Floats:
    """How far beyond the line's end (before its start) the places are [m], along it."""
    last = line.length_m if way > 0 else 0.0
    part = np.abs(line.s_m - last) <= 2 * INSIDE_M
    vx, vy, tx, ty, s = (c[part] for c in (line.x_m, line.y_m, line.tx, line.ty, line.s_m))
    v = np.hypot(x[:, None] - vx, y[:, None] - vy).argmin(1)
    along = s[v] + (x - vx[v]) * tx[v] + (y - vy[v]) * ty[v]
    return np.asarray(way * (along - last), float)


def _onward(points: Points, at: Path, ends: Ints, way: int, ahead_m: Floats) -> Path:
    """Where the runs were, distances ahead of (behind) the given points; NaN where unknown."""
    where = ends[:, None] + way * ahead_m / STEP_M
    owner = points.owner[ends]
    first = np.searchsorted(points.owner, owner)[:, None]
    last = np.searchsorted(points.owner, owner, "right")[:, None] - 1
    low = np.clip(np.floor(where).astype(int), first, np.maximum(last - 1, first))
    high = np.minimum(low + 1, last)
    known = (where >= first - 0.5) & (where <= last + 0.5) & points.seen[low] & points.seen[high]
    part = where - low
    x, y = (np.where(known, c[low] * (1 - part) + c[high] * part, np.nan) for c in at)
    return x, y


def _together(x: Floats, y: Floats, owner: Ints, fitted: Bools, k: int, steps: Floats) -> Path:
    """Mean of the runs' paths (pieces × steps) as far as `k` runs of each arm go on together.

    Over `SUSTAINED_M` they may seem not to: one noisy drive among few is enough for that.
    """
    there = np.asarray(np.isfinite(x).any(0), bool)
    length = len(there) if there.all() else int(np.argmin(there))
    x, y, steps = x[:, :length], y[:, :length], steps[:length]
    if not length:
        return x[0], y[0]
    mx, my = (medians(c) for c in (x, y))
    close = np.hypot(x - mx, y - my) <= TOGETHER_M
    n = np.maximum(close.sum(0), 1)
    mx, my = (
        np.where(close.any(0), np.where(close, c, 0).sum(0) / n, m) for c, m in ((x, mx), (y, my))
    )
    runs = np.zeros((len(fitted), length), bool)
    np.logical_or.at(runs, owner, close)
    enough = (runs[fitted].sum(0) >= k) & (runs[~fitted].sum(0) >= k)
    good = np.flatnonzero(enough | (steps <= 0))
    lapse = np.flatnonzero(np.diff(good) > SUSTAINED_M / LINE_STEP_M)
    count = int(good[lapse[0]] if len(lapse) else good[-1]) + 1
    mx, my = (gaussian_filter1d(c[:count], 1.0, mode="nearest") for c in (mx, my))
    return mx, my


def _meeting(
    i: int, lines: list[Line], way: int, x: Floats, y: Floats
) -> tuple[int, float, float] | None:
    """Where the path first meets another line, or its own far part: step of the path, and place.

    A path is on a line from where it first comes within `MEET_M`; a path that comes near, but not
    so near, meets the line where it is nearest.
    """
    h = way * np.gradient(np.column_stack([x, y]), axis=0)
    h /= np.maximum(np.hypot(*h.T), 1e-9)[:, None]
    best = None
    for o, other in enumerate(lines):
        far = np.abs(other.s_m - (other.length_m if way > 0 else 0)) > INSIDE_M + FURTHER_M
        near = (
            (other.x_m > x.min() - NEVER_MEET_M) & (other.x_m < x.max() + NEVER_MEET_M)
            & (other.y_m > y.min() - NEVER_MEET_M) & (other.y_m < y.max() + NEVER_MEET_M)
        )  # fmt: skip
        part = np.flatnonzero(near & far) if o == i else np.flatnonzero(near)
        if not len(part):
            continue
        vx, vy, tx, ty = (c[part] for c in (other.x_m, other.y_m, other.tx, other.ty))
        v = np.hypot(x[:, None] - vx, y[:, None] - vy).argmin(1)
        along = (x - vx[v]) * tx[v] + (y - vy[v]) * ty[v]
        beside = (np.abs(along) <= LINE_STEP_M) & (h[:, 0] * tx[v] + h[:, 1] * ty[v] >= SAME_WAY)
        aside = np.where(beside, np.abs((y - vy[v]) * tx[v] - (x - vx[v]) * ty[v]), np.inf)
        least = float(aside.min())
        if least > NEVER_MEET_M:
            continue
        j = int(np.argmax(aside <= max(MEET_M, least)))
        if best is None or j < best[0]:
            p = v[j]
            best = (j, float(vx[p] + along[j] * tx[p]), float(vy[p] + along[j] * ty[p]))
    return best
