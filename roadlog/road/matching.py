"""A run against the network: which segment each sample lies on, and how far along.

A frame of samples and a `Network` go in; the frame with the columns of `tables.TRACK` comes out.
Between fixes the position along the segment follows the wheel distance, so that fuel burnt in a
tunnel isn't lost. Method section 3.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.quantities.arrays import Floats, Ints
from roadlog.quantities.columns import Columns, Words, columns_of, frame_of
from roadlog.quantities.tables import TRACK
from roadlog.road.alignment import Line, approach, gather, line_of
from roadlog.road.by_distance import BY_DISTANCE, place
from roadlog.road.network import Network, Segment
from roadlog.road.trace import STEP_M, Trace, make_traces
from roadlog.road.viterbi import Piece, follow

END_REACH_M = 3 * STEP_M  # a chain that begins this near an end of its line reaches that end
SHORTEST_PIECE_M = 60.0
AT_ONCE = 30_000  # samples that are placed together: more outgrow the processor's cache


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
    >>> match(drive, network, 0)["segment"].value_counts().to_dict()
    {'A02': 50, 'A04': 50, 'A01': 49, 'A03': 49, '': 2}
    """
    if network.kind == BY_DISTANCE:
        return place(track, network, run)
    return TRACK.check(frame_of(placed(columns_of(track), network, run)))


def placed(track: Columns, network: Network, run: int) -> Columns:
    """`match` of a run's columns."""
    return next(placed_each([(run, track)], network))[1]


def placed_each(
    tracks: Iterable[tuple[int, Columns]], network: Network, at_once: int = AT_ONCE
) -> Iterator[tuple[int, Columns]]:
    """`placed` of many runs, some together: their number changes the time it takes alone.

    Parameters
    ----------
    tracks : iterable of (int, Columns)
        Runs with their columns; one group of them is held at a time.
    network : Network
    at_once : int
        Samples that a group holds, where a run alone isn't longer.
    """
    group: dict[int, Columns] = {}
    held = 0
    for run, track in tracks:
        if network.kind == BY_DISTANCE:
            yield run, columns_of(place(frame_of(track), network, run))
            continue
        if group and (held + len(track) > at_once or run in group):
            yield from _placed(group, network)
            group, held = {}, 0
        group[run] = track
        held += len(track)
    if group:
        yield from _placed(group, network)


def _placed(tracks: dict[int, Columns], network: Network) -> Iterator[tuple[int, Columns]]:
    origin = network.origin or (0.0, 0.0)
    traces = make_traces(list(tracks.values()), list(tracks), origin, profile=False)
    if network.kind == "run":
        for (run, track), trace in zip(tracks.items(), traces, strict=True):
            same = np.zeros(len(track), np.int64)
            yield run, track.assign(
                run=same + run, x_m=trace.sample_x_m, y_m=trace.sample_y_m,
                segment=Words(same, (network.segments[0].id,)), traversal=same,
                s_m=trace.sample_d_m, grade=0.0, d_m=trace.sample_d_m, bearing_deg=np.nan,
            )  # fmt: skip
        return
    corridors = _corridors(network)
    ends = np.cumsum([0, *(len(t) for t in tracks.values())]).tolist()
    which, piece, s = np.full(ends[-1], -1), np.full(ends[-1], -1), np.full(ends[-1], np.nan)
    each = [slice(a, b) for a, b in pairwise(ends)]
    pieces = _pieces(traces, [c.line for c in corridors])
    for trace, i, found in zip(traces, each, pieces, strict=True):
        _lay(trace.sample_d_m, found, which[i], piece[i], s[i])
    on = _on_segments(network.segments, corridors, which, piece, s, ends[:-1])
    for (run, track), trace, i in zip(tracks.items(), traces, each, strict=True):
        d, near = trace.sample_d_m, piece[i] >= 0
        x, y = trace.sample_x_m, trace.sample_y_m
        if len(trace.d_m):
            x, y = _between_fixes(x, d, near), _between_fixes(y, d, near)
        mine = {name: _part(column, i) for name, column in on.items()}
        yield run, track.assign(run=np.full(len(track), run), x_m=x, y_m=y, **mine, d_m=d)


def _part(column: NDArray[Any] | Words, i: slice) -> NDArray[Any] | Words:
    return Words(column.codes[i], column.words) if isinstance(column, Words) else column[i]


def _lay(
    d: Floats, pieces: list[tuple[int, Floats, Floats]], which: Ints, piece: Ints, s: Floats
) -> None:
    """Fill in which line, which piece and where along it each sample of a run is."""
    for number, (line, at_d, at_s) in enumerate(pieces):
        a, b = np.searchsorted(d, at_d[0], "left"), np.searchsorted(d, at_d[-1], "right")
        a = max(a, np.searchsorted(d, d[0], "right"))  # standing before the first move
        b = min(b, np.searchsorted(d, d[-1], "left"))  # and after the last
        free = np.flatnonzero(piece[a:b] < 0) + a
        which[free], piece[free] = line, number
        s[free] = np.interp(d[free], at_d, at_s)


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


def _pieces(traces: Sequence[Trace], lines: list[Line]) -> list[list[tuple[int, Floats, Floats]]]:
    """Each run's unbroken pieces of following one line, disjoint: line, distances, positions."""
    points = gather(traces)
    first = np.cumsum([0, *(len(t.d_m) for t in traces)])
    followed = follow(approach(points, lines), lines, first)
    return [_pieces_of(pieces, points.d_m, lines) for pieces in followed]


def _pieces_of(
    pieces: list[Piece], d: Floats, lines: list[Line]
) -> list[tuple[int, Floats, Floats]]:
    out = []
    for which, point, s in pieces:
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
    segments: tuple[Segment, ...],
    corridors: list[_Corridor],
    which: Ints,
    piece: Ints,
    s: Floats,
    begin: list[int],
) -> dict[str, NDArray[Any] | Words]:
    """Columns segment, traversal, s_m, grade and bearing_deg from positions along corridors.

    Of several runs, one after another, from the samples `begin` on.
    """
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
    changed[[i for i in begin if i < n]] = True
    entered = np.append(0, np.cumsum((index >= 0) & changed))
    entered = entered[1:] - np.repeat(entered[begin], np.diff([*begin, n]))
    return {
        "segment": Words(index + 1, ("", *(g.id for g in segments))),
        "traversal": np.where(index >= 0, entered - 1, -1),
        "s_m": along,
        "grade": grade,
        "bearing_deg": bearing,
    }
