"""Gaps in positions, bridged by wheel distance where other runs know the road.

Matched tracks of all runs go in; out come the same with the samples of a gap placed as another
run's were that drove from the same place to the same place over the same distance. Where runs
know two ways of that length, or none, the gap stays one. Part of method section 3.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.quantities.arrays import Floats, Ints
from roadlog.quantities.columns import Columns, Table, Words, columns_of
from roadlog.road.network import Network

SHORTEST_M = 60.0
SAME_LENGTH = (40.0, 0.02)  # m, and share of the way: wheels differ by under 1 %, lanes by some m
SAME_WAY = 0.9  # of the gap has to lie on the same segments in all runs that could have driven it


@dataclass(frozen=True)
class _Run:
    """A matched run: distance by wheels [m], segment (number, -1 for none) and place on it [m]."""

    d_m: Floats
    segment: Ints
    s_m: Floats
    fix: NDArray[np.bool_]


def bridged(tracks: Mapping[int, Table], network: Network) -> dict[int, Columns]:
    """The tracks with their gaps bridged.

    Parameters
    ----------
    tracks : mapping of run to Columns or DataFrame
        `tables.TRACK` with `d_m`, `bearing_deg`, from `match`.
    network : Network

    Returns
    -------
    dict of run to Columns
        `segment`, `traversal`, `s_m`, `grade`, `bearing_deg` are filled in; positions stay blank.
    """
    placed = {r: columns_of(t) for r, t in tracks.items()}
    if network.kind != "road":
        return placed
    number = {s.id: i for i, s in enumerate(network.segments)}
    runs = {r: _run_of(t, number) for r, t in placed.items()}
    out = {}
    for run, track in placed.items():
        mine = runs[run]
        segment, s = mine.segment.copy(), mine.s_m.copy()
        for a, b in _gaps(mine):
            found = [w for r, other in runs.items() if r != run for w in _ways(mine, a, b, other)]
            way = _agreed(found)
            if way is not None:
                segment[a + 1 : b], s[a + 1 : b] = way
        filled = (segment >= 0) & (mine.segment < 0)
        out[run] = _placed(track, network, segment, s, filled) if filled.any() else track
    return out


def _run_of(track: Columns, number: Mapping[str, int]) -> _Run:
    held = track.column("segment")
    if not isinstance(held, Words):
        codes, words = pd.factorize(held)
        held = Words(codes, tuple(words))
    segment = np.array([number.get(word, -1) for word in held.words], np.int64)[held.codes]
    fix = np.isfinite(track.floats("lat_deg"))
    return _Run(track.floats("d_m"), segment, track.floats("s_m"), fix)


def _gaps(run: _Run) -> list[tuple[int, int]]:
    """Last sample before and first after each stretch that is on no segment and has no fix."""
    on = np.flatnonzero(run.segment >= 0)
    found = []
    apart = np.flatnonzero(np.diff(on) > 1)
    for a, b in zip(on[apart], on[apart + 1], strict=True):
        inside = slice(a + 1, b)
        if run.d_m[b] - run.d_m[a] > SHORTEST_M and run.fix[inside].mean() < 0.1:
            found.append((int(a), int(b)))
    return found


def _ways(run: _Run, a: int, b: int, other: _Run) -> list[tuple[Ints, Floats]]:
    """How `other` drove from the place at `a` to that at `b` over the same distance, if it did."""
    driven = run.d_m[b] - run.d_m[a]
    within = SAME_LENGTH[0] + SAME_LENGTH[1] * driven
    found = []
    for start in _passing(other, run.segment[a], run.s_m[a]):
        for end in _passing(other, run.segment[b], run.s_m[b]):
            way = end - start
            if way <= 0 or abs(way - driven) > within:
                continue
            at = start + (run.d_m[a + 1 : b] - run.d_m[a]) * way / driven
            j = np.clip(np.searchsorted(other.d_m, at), 1, len(other.d_m) - 1)
            j = np.where(at - other.d_m[j - 1] < other.d_m[j] - at, j - 1, j)
            segment = other.segment[j]
            if (segment < 0).mean() > 1 - SAME_WAY:
                continue
            s = np.where(segment >= 0, np.maximum(other.s_m[j] + at - other.d_m[j], 0.0), np.nan)
            found.append((segment, s))
    return found


def _passing(run: _Run, segment: int, s_m: float) -> Floats:
    """Distances [m] at which a run passed a place on a segment."""
    on = np.flatnonzero(run.segment == segment)
    if not len(on):
        return np.empty(0)
    parts = np.split(on, np.flatnonzero(np.diff(on) > 1) + 1)
    return np.array(
        [
            float(np.interp(s_m, run.s_m[p], run.d_m[p]))
            for p in parts
            if run.s_m[p[0]] <= s_m <= run.s_m[p[-1]]
        ]
    )


def _agreed(ways: list[tuple[Ints, Floats]]) -> tuple[Ints, Floats] | None:
    """The one way that all runs drove, None if there is none or more than one."""
    if not ways:
        return None
    first = ways[0][0]
    if any((w == first).mean() < SAME_WAY for w, _ in ways):
        return None
    return ways[0]


def _placed(
    track: Columns, network: Network, segment: Ints, s: Floats, filled: NDArray[np.bool_]
) -> Columns:
    grade, bearing = track.floats("grade").copy(), track.floats("bearing_deg").copy()
    s = s.copy()
    for i in np.unique(segment[filled]):
        g = network.segments[i]
        rows = filled & (segment == i)
        s[rows] = np.minimum(s[rows], g.length_m)
        grade[rows] = np.interp(s[rows], g.s_m, g.grade)
        turn = np.unwrap(np.arctan2(np.gradient(g.x_m), np.gradient(g.y_m)))
        bearing[rows] = np.degrees(np.interp(s[rows], g.s_m, turn)) % 360
    before = track["traversal"]
    beside = filled | np.roll(filled, 1)
    beside[0] = filled[0]
    entry = np.diff(segment, prepend=-2) != 0
    entry |= ~beside & (np.diff(before, prepend=-2) != 0)
    entry |= beside & (np.diff(s, prepend=0.0) < -SHORTEST_M)
    entry &= segment >= 0
    return track.assign(
        segment=Words(segment + 1, ("", *(g.id for g in network.segments))),
        traversal=np.where(segment >= 0, np.cumsum(entry) - 1, -1),
        s_m=np.where(segment >= 0, s, np.nan),
        grade=grade,
        bearing_deg=bearing,
    )
