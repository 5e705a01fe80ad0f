"""A run against the network: which segment each sample lies on, and how far along.

A frame of samples and a `Network` go in; the frame with the columns of `tables.TRACK` comes out.
Between fixes the position along the segment follows the wheel distance, so that fuel burnt in a
tunnel isn't lost. Method section 3.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.road.alignment import Alignment, Line, align, gather, line_of
from roadlog.road.network import Floats, Network, Segment
from roadlog.road.projection import positions, to_local
from roadlog.road.trace import STEP_M, make_trace

END_REACH_M = 3 * STEP_M  # a chain that begins this near an end of its line reaches that end
SHORTEST_PIECE_M = 60.0

Ints = NDArray[np.int64]


def match(track: pd.DataFrame, network: Network, run: int) -> pd.DataFrame:
    """Place every sample of a run on the network.

    Parameters
    ----------
    track : DataFrame
        Samples (`tables.FUEL`), with `lat_deg`, `lon_deg` where the run has positions.
    network : Network
        From `find_network`.
    run : int
        Number of the run.

    Returns
    -------
    DataFrame
        The frame with `run`, `x_m`, `y_m` [m], `segment`, `traversal`, `s_m` [m], `grade`,
        `d_m` (distance since the run's start by wheel speed [m]) and `bearing_deg` (direction of
        the segment, clockwise from north [°], NaN off the network). Standing before the first
        move and after the last is on no segment: it is parking, not driving it. In a network of
        kind `run` every sample is on segment `run`.
    """
    out = track.assign(
        run=run, x_m=np.nan, y_m=np.nan, segment="", traversal=-1, s_m=np.nan, grade=0.0,
        d_m=0.0, bearing_deg=np.nan,
    )  # fmt: skip
    if network.origin is None:
        d = make_trace(track, run, (0.0, 0.0)).sample_d_m
        whole = network.segments[0].id
        return out.assign(segment=whole, traversal=0, s_m=d, d_m=d)
    trace = make_trace(track, run, network.origin)
    lat, lon, fix = positions(track)
    x, y = to_local(np.where(fix, lat, np.nan), np.where(fix, lon, np.nan), network.origin)
    d = trace.sample_d_m
    lines, parts = _lines(network)
    line = np.full(len(track), -1)
    piece = np.full(len(track), -1)
    s = np.full(len(track), np.nan)
    if len(trace.d_m):
        moving = (d > d[0]) & (d < d[-1])
        pieces = _pieces(align(gather([trace]), lines), trace.d_m, lines)
        for number, (which, at_d, at_s) in enumerate(pieces):
            a, b = np.searchsorted(d, at_d[0], "left"), np.searchsorted(d, at_d[-1], "right")
            free = (piece[a:b] < 0) & moving[a:b]
            line[a:b][free], piece[a:b][free] = which, number
            s[a:b][free] = np.interp(d[a:b], at_d, at_s)[free]
        near = piece >= 0
        x, y = _between_fixes(x, d, near), _between_fixes(y, d, near)
    return out.assign(x_m=x, y_m=y, d_m=d, **_on_segments(network.segments, parts, line, piece, s))


def _lines(network: Network) -> tuple[list[Line], list[list[int]]]:
    """The stretches again: lines of consecutive segments, and which segments make each."""
    parts: list[list[int]] = []
    for i, segment in enumerate(network.segments):
        before = network.segments[i - 1] if i else None
        if (
            before is not None
            and before.id.rstrip("0123456789") == segment.id.rstrip("0123456789")
            and np.hypot(before.x_m[-1] - segment.x_m[0], before.y_m[-1] - segment.y_m[0]) < 1.0
        ):
            parts[-1].append(i)
        else:
            parts.append([i])
    return [_joined([network.segments[i] for i in part]) for part in parts], parts


def _joined(segments: list[Segment]) -> Line:
    start = np.cumsum([0.0, *(g.length_m for g in segments)])
    s = np.concatenate([g.s_m[(i > 0) :] + start[i] for i, g in enumerate(segments)])
    x = np.concatenate([g.x_m[(i > 0) :] for i, g in enumerate(segments)])
    y = np.concatenate([g.y_m[(i > 0) :] for i, g in enumerate(segments)])
    return line_of(s, x, y)


def _pieces(rows: Alignment, d: Floats, lines: list[Line]) -> list[tuple[int, Floats, Floats]]:
    """Unbroken pieces of following one line, disjoint: line, distances, positions along it."""
    chains = {c: np.flatnonzero(rows.chain == c) for c in np.unique(rows.chain[rows.chain >= 0])}
    kept = {c: np.ones(len(index), bool) for c, index in chains.items()}
    order = sorted(chains)
    for i, a in enumerate(order):
        for b in order[i + 1 :]:
            _settle(rows, chains[a], chains[b], kept[a], kept[b])
    out = []
    for c, index in chains.items():
        for part in np.split(np.arange(len(index)), np.flatnonzero(np.diff(kept[c])) + 1):
            if not kept[c][part[0]]:
                continue
            at_d, at_s = d[rows.point[index[part]]], rows.s_m[index[part]]
            if at_d[-1] - at_d[0] >= SHORTEST_PIECE_M:
                which = int(rows.line[index[0]])
                out.append((which, *_to_ends(at_d, at_s, lines[which].length_m)))
    return sorted(out, key=lambda p: float(p[1][0]))


def _settle(rows: Alignment, a: Ints, b: Ints, keep_a: np.ndarray, keep_b: np.ndarray) -> None:
    """Where two chains claim the same stretch of a run, leave it to the nearer line."""
    pa, pb = rows.point[a], rows.point[b]
    low, high = max(pa[0], pb[0]), min(pa[-1], pb[-1])
    if low > high:
        return
    in_a, in_b = (pa >= low) & (pa <= high) & keep_a, (pb >= low) & (pb <= high) & keep_b
    if not in_a.any() or not in_b.any():
        return
    cost_a, cost_b = (np.mean(rows.off_bias_m[i] ** 2) for i in (a[in_a], b[in_b]))
    if cost_a <= cost_b:
        keep_b[in_b] = False
    else:
        keep_a[in_a] = False


def _to_ends(d: Floats, s: Floats, length_m: float) -> tuple[Floats, Floats]:
    """Make s increase with d and carry it on to the line's ends where the chain is near them."""
    s = np.maximum.accumulate(s)
    if s[0] <= END_REACH_M:
        d, s = np.insert(d, 0, d[0] - s[0]), np.insert(s, 0, 0.0)
    if s[-1] >= length_m - END_REACH_M:
        d, s = np.append(d, d[-1] + length_m - s[-1]), np.append(s, length_m)
    return d, s


def _between_fixes(c: Floats, d: Floats, near: np.ndarray) -> Floats:
    fix = np.flatnonzero(np.isfinite(c))
    fill = ~np.isfinite(c) & near
    out = c.copy()
    out[fill] = np.interp(d[fill], d[fix], c[fix])
    return out


def _on_segments(
    segments: tuple[Segment, ...], parts: list[list[int]], line: Ints, piece: Ints, s: Floats
) -> dict[str, np.ndarray]:
    """Columns segment, traversal, s_m, grade and bearing_deg from positions along lines."""
    index = np.full(len(s), -1)
    along, grade, bearing = np.full(len(s), np.nan), np.zeros(len(s)), np.full(len(s), np.nan)
    for number, part in enumerate(parts):
        rows = np.flatnonzero(line == number)
        edges = np.cumsum([0.0, *(segments[i].length_m for i in part)])
        which = np.clip(np.searchsorted(edges, s[rows], "right") - 1, 0, len(part) - 1)
        index[rows], along[rows] = np.array(part)[which], s[rows] - edges[which]
    for i in np.unique(index[index >= 0]):
        rows, g = np.flatnonzero(index == i), segments[i]
        grade[rows] = np.interp(along[rows], g.s_m, g.grade)
        heading = np.unwrap(np.arctan2(np.gradient(g.x_m), np.gradient(g.y_m)))
        bearing[rows] = np.degrees(np.interp(along[rows], g.s_m, heading)) % 360
    entry = (index >= 0) & ((np.diff(index, prepend=-2) != 0) | (np.diff(piece, prepend=-2) != 0))
    traversal = np.where(index >= 0, np.cumsum(entry) - 1, -1)
    names = np.array(["", *(g.id for g in segments)], dtype=object)
    return {
        "segment": names[index + 1], "traversal": traversal, "s_m": along, "grade": grade,
        "bearing_deg": bearing,
    }  # fmt: skip
