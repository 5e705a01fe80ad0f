"""A run against the network: which segment each sample lies on, and how far along.

A frame of samples and a `Network` go in; the frame with the columns of `tables.TRACK` comes out.
Between fixes the position along the segment follows the wheel distance, so that fuel burnt in a
tunnel isn't lost. Method section 3.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.quantities.arrays import Floats, Ints
from roadlog.quantities.columns import Columns, Words, columns_of, frame_of
from roadlog.quantities.tables import TRACK
from roadlog.road.alignment import Alignment, Line, approach, gather, line_of
from roadlog.road.by_distance import BY_DISTANCE, place
from roadlog.road.network import Network, Segment
from roadlog.road.trace import STEP_M, make_trace
from roadlog.road.viterbi import follow

END_REACH_M = 3 * STEP_M  # a chain that begins this near an end of its line reaches that end
SHORTEST_PIECE_M = 60.0


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
        kind `run` every sample is on segment `run`; for kind `distance` see
        `roadlog.road.by_distance`.

    >>> import pandas as pd
    >>> from roadlog.road import find_network
    >>> drive = pd.DataFrame({"t_s": np.arange(200.0), "dt_s": 1.0, "speed_kmh": 72.0})
    >>> drive["lat_deg"], drive["lon_deg"] = 50 + 0.00018 * drive["t_s"], 8.0
    >>> arms = ["baseline", "fitted", "baseline", "fitted"]
    >>> network = find_network(dict.fromkeys(range(4), drive), dict(enumerate(arms)))
    >>> flow = dict.fromkeys(("fuel_flow_g_s", "fuel_flow_low_g_s", "fuel_flow_high_g_s"), 0.7)
    >>> drive = drive.assign(**flow, fuel_state="metered")
    >>> sorted(set(match(drive, network, 0)["segment"]))
    ['', 'A01', 'A02', 'A03', 'A04']
    """
    if network.kind == BY_DISTANCE:
        return place(track, network, run)
    return TRACK.check(frame_of(placed(columns_of(track), network, run)))


def placed(track: Columns, network: Network, run: int) -> Columns:
    """`match` of a run's columns."""
    if network.kind == BY_DISTANCE:
        return columns_of(place(frame_of(track), network, run))
    trace = make_trace(track, run, network.origin or (0.0, 0.0))
    d, x, y, n = trace.sample_d_m, trace.sample_x_m, trace.sample_y_m, len(track)
    if network.kind == "run":
        same = np.zeros(n, np.int64)
        return track.assign(
            run=same + run, x_m=x, y_m=y, segment=Words(same, (network.segments[0].id,)),
            traversal=same, s_m=d, grade=0.0, d_m=d, bearing_deg=np.nan,
        )  # fmt: skip
    corridors = _corridors(network)
    which, piece, s = np.full(n, -1), np.full(n, -1), np.full(n, np.nan)
    if len(trace.d_m):
        moving = (d > d[0]) & (d < d[-1])
        lines = [c.line for c in corridors]
        pieces = _pieces(approach(gather([trace]), lines), trace.d_m, lines)
        for number, (line, at_d, at_s) in enumerate(pieces):
            a, b = np.searchsorted(d, at_d[0], "left"), np.searchsorted(d, at_d[-1], "right")
            free = (piece[a:b] < 0) & moving[a:b]
            which[a:b][free], piece[a:b][free] = line, number
            s[a:b][free] = np.interp(d[a:b], at_d, at_s)[free]
        near = piece >= 0
        x, y = _between_fixes(x, d, near), _between_fixes(y, d, near)
    on = _on_segments(network.segments, corridors, which, piece, s)
    return track.assign(run=np.full(n, run), x_m=x, y_m=y, **on, d_m=d)


@dataclass(frozen=True)
class _Corridor:
    """Consecutive segments as one line: their indices, ends along it [m], and what lies on it."""

    line: Line
    segments: Ints
    ends_m: Floats
    grade: Floats
    bearing: Floats  # radians clockwise from north, unwrapped


@lru_cache(maxsize=1)
def _corridors(network: Network) -> list[_Corridor]:
    segments = network.segments
    parts: list[list[int]] = []
    for i, segment in enumerate(segments):
        before = segments[i - 1] if i else None
        if (
            before is not None
            and np.hypot(before.x_m[-1] - segment.x_m[0], before.y_m[-1] - segment.y_m[0]) < 1.0
            and np.diff(before.x_m[-2:]) @ np.diff(segment.x_m[:2])
            + np.diff(before.y_m[-2:]) @ np.diff(segment.y_m[:2])
            > 0
        ):
            parts[-1].append(i)
        else:
            parts.append([i])
    return [_joined(np.array(part), [segments[i] for i in part]) for part in parts]


def _joined(index: Ints, segments: list[Segment]) -> _Corridor:
    ends = np.cumsum([0.0, *(g.length_m for g in segments)])
    s = np.concatenate([g.s_m[(i > 0) :] + ends[i] for i, g in enumerate(segments)])
    x, y, grade = (
        np.concatenate([getattr(g, name)[(i > 0) :] for i, g in enumerate(segments)])
        for name in ("x_m", "y_m", "grade")
    )
    line = line_of(s, x, y)
    return _Corridor(line, index, ends, grade, np.unwrap(np.arctan2(line.tx, line.ty)))


def _pieces(rows: Alignment, d: Floats, lines: list[Line]) -> list[tuple[int, Floats, Floats]]:
    """Unbroken pieces of following one line, disjoint: line, distances, positions along it."""
    out = []
    for which, point, s in follow(rows, lines, np.arange(len(rows.point)), 0, len(d)):
        at_d = d[point]
        if at_d[-1] - at_d[0] >= SHORTEST_PIECE_M:
            out.append((which, *_to_ends(at_d, s, lines[which].length_m)))
    for i in range(1, len(out)):
        out[i - 1], out[i] = _touching(out[i - 1], out[i], lines)
    return out


def _touching(
    one: tuple[int, Floats, Floats], two: tuple[int, Floats, Floats], lines: list[Line]
) -> tuple[tuple[int, Floats, Floats], tuple[int, Floats, Floats]]:
    """Two pieces with no gap between them, if it is short: a run changes lines without a break."""
    (a, d, s), (b, e, t) = one, two
    gap = float(e[0] - d[-1])
    if 0 < gap <= END_REACH_M:
        on = min(gap, lines[a].length_m - s[-1])
        back = min(gap - on, t[0])
        d, s = np.append(d, d[-1] + on), np.append(s, s[-1] + on)
        e, t = np.insert(e, 0, e[0] - back), np.insert(t, 0, t[0] - back)
    return (a, d, s), (b, e, t)


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
    if not fill.any():
        return c
    out = c.copy()
    out[fill] = np.interp(d[fill], d[fix], c[fix])
    return out


def _on_segments(
    segments: tuple[Segment, ...], corridors: list[_Corridor], which: Ints, piece: Ints, s: Floats
) -> dict[str, NDArray[Any] | Words]:
    """Columns segment, traversal, s_m, grade and bearing_deg from positions along corridors."""
    n = len(s)
    index, along = np.full(n, -1), np.full(n, np.nan)
    grade, bearing = np.zeros(n), np.full(n, np.nan)
    for number, c in enumerate(corridors):
        rows = np.flatnonzero(which == number)
        if not len(rows):
            continue
        part = np.clip(np.searchsorted(c.ends_m, s[rows], "right") - 1, 0, len(c.segments) - 1)
        index[rows], along[rows] = c.segments[part], s[rows] - c.ends_m[part]
        grade[rows] = np.interp(s[rows], c.line.s_m, c.grade)
        bearing[rows] = np.degrees(np.interp(s[rows], c.line.s_m, c.bearing)) % 360
    changed = np.ones(n, bool)
    changed[1:] = (index[1:] != index[:-1]) | (piece[1:] != piece[:-1])
    entry = (index >= 0) & changed
    return {
        "segment": Words(index + 1, ("", *(g.id for g in segments))),
        "traversal": np.where(index >= 0, np.cumsum(entry) - 1, -1),
        "s_m": along,
        "grade": grade,
        "bearing_deg": bearing,
    }
