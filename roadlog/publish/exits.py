"""Roads that lead out of a hidden place, so cut that they don't point back at it.

Drives and a place's disc go in; the place comes out with further discs where they are needed. All
roads but the commonest lose a drawn length more, so that their cuts lie on no circle about
anything; and a road is hidden on until its line, drawn straight on backwards, misses the place.
"""

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.publish.cut import shown_rows
from roadlog.publish.places import hidden_points
from roadlog.publish.private import Place, Secrets, with_places
from roadlog.quantities.arrays import Floats
from roadlog.quantities.signals import signal
from roadlog.road.projection import positions

MISSES_M = 450.0  # what a road extrapolated straight back passes the place by
MEAN_AWAY_M = 700.0  # of the cuts of all runs from the place
TANGENTS_M = (150.0, 400.0)
ONE_ROAD_M = 200.0  # cuts nearer to each other are on one road
MORE_M = (300.0, 2000.0)  # what all roads but the commonest lose beyond the disc
STEP_M = 500.0
MOST_STEPS = 60
STEPS_OF_COMMONEST = 3  # most of the study is on it
STRAIGHT_M = (100.0, 2500.0)  # what it loses instead where it doesn't bend in so many,
STRAIGHT_SHARE = 0.25  # and no more than this of what is shown
ONE_LINE = 0.97  # cosine of 14 degrees
EVERY_S = 3.0  # finer no road need be known here

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class _Cut:
    """Where a run's shown part ends at a place's discs, and the road beyond: metres from the place,
    beginning at the cut."""

    x: Floats
    y: Floats

    @property
    def at(self) -> Vector:
        return np.array([self.x[0], self.y[0]])

    @property
    def way(self) -> Vector:
        """Unit vector along the road beyond the cut."""
        ahead = int(np.argmax(np.hypot(self.x - self.x[0], self.y - self.y[0]) > TANGENTS_M[-1]))
        way = np.array([self.x[ahead] - self.x[0], self.y[ahead] - self.y[0]])
        return np.asarray(way / max(float(np.hypot(*way)), 1e-9))

    def misses_m(self, further_m: float = 0.0) -> float:
        """By how much the road, extrapolated straight back from a point of it, misses the place;
        infinite if it leads away."""
        begin = int(np.argmax(np.hypot(self.x - self.x[0], self.y - self.y[0]) >= further_m))
        x, y = self.x[begin:], self.y[begin:]
        away = np.hypot(x - x[0], y - y[0])
        out = float("inf")
        for length in TANGENTS_M:
            ahead = int(np.argmax(away >= length)) or len(x) - 1
            way = np.array([x[0] - x[ahead], y[0] - y[ahead]]) / max(away[ahead], 1e-9)
            if -(x[0] * way[0] + y[0] * way[1]) > 0:
                out = min(out, abs(float(x[0] * way[1] - y[0] * way[0])))
        return out


def with_blind_roads(
    place: Place,
    frames: Sequence[pd.DataFrame],
    others: Sequence[Sequence[Place]],
    length_m: float,
    chance: random.Random,
) -> Place:
    """The place with discs on the roads out of it that would betray it.

    Parameters
    ----------
    place : Place
        Perhaps with discs of an earlier publication, which stay.
    frames : sequence of DataFrame
        The logs of all runs.
    others : sequence of sequences of Place
        What else is hidden from each of them.
    length_m : float [m]
        As for `roadlog.publish.cut.shown_rows`.
    """
    for _ in range(MOST_STEPS):
        shown = [shown_rows(f, [place, *o], length_m) for f, o in zip(frames, others, strict=True)]
        cuts = [c for f, rows in zip(frames, shown, strict=True) for c in _cuts(place, f, rows)]
        new = _needed(place, cuts, _mean_away_m(place, frames, shown), chance)
        if new is None:
            return place
        place = replace(place, more=(*place.more, *new))
    return place


def _needed(
    place: Place, cuts: Sequence[_Cut], mean_away_m: float, chance: random.Random
) -> tuple[tuple[float, float, float], ...] | None:
    """The next discs, None if none is needed."""
    roads = _roads(cuts)
    if not roads:
        return None
    roads.sort(key=len, reverse=True)
    new: list[tuple[float, float, float]] = []
    for i, road in enumerate(roads):
        at = np.mean([c.at for c in road], axis=0)
        untouched = all(np.hypot(*(at - m[:2])) > m[2] + ONE_ROAD_M for m in place.more)
        points = min(c.misses_m() for c in road) < MISSES_M
        if i and not untouched and _on_one_line(road, roads[0]):
            continue  # both point at it from two sides, and cross nowhere
        if i and (untouched or points):
            radius = chance.uniform(*MORE_M) if untouched else STEP_M
            new.append((float(at[0]), float(at[1]), radius))
        elif points and untouched:
            new.append((float(at[0]), float(at[1]), _of_commonest(road, chance)))
    if not new and mean_away_m < MEAN_AWAY_M:
        mean = np.mean([c.at for c in cuts], axis=0)
        outward = max(roads, key=lambda r: float(np.mean([c.at @ mean for c in r])))
        at = np.mean([c.at for c in outward], axis=0)
        new.append((float(at[0]), float(at[1]), STEP_M))
    return tuple(new) or None


def _mean_away_m(
    place: Place, frames: Sequence[pd.DataFrame], shown: Sequence[NDArray[np.bool_]]
) -> float:
    """How far from the place the mean lies of the first shown positions of all runs that begin
    there, of the last of those that end there, or of both: the least [m]."""
    means: list[Vector] = []
    both: list[Vector] = []
    for which in (0, -1):
        at: list[Vector] = []
        for frame, rows in zip(frames, shown, strict=True):
            lat, lon, there = positions(frame)
            if not (rows & there).any():
                continue
            end = np.flatnonzero(there)[which]
            if float(place.away_m(lat[end], lon[end])) < MISSES_M:
                first = np.flatnonzero(rows & there)[which]
                at.append(np.array(place.metres_from(lat[first], lon[first])))
        both += at
        means += [np.mean(at, axis=0)] if at else []
    means += [np.mean(both, axis=0)] if both else []
    return min((float(np.hypot(*m)) for m in means), default=float("inf"))


def _on_one_line(road: Sequence[_Cut], commonest: Sequence[_Cut]) -> bool:
    """Whether two roads are one straight road through the place."""
    if min(c.misses_m() for c in commonest) >= MISSES_M:
        return False
    ways = [np.mean([c.way for c in r], axis=0) for r in (road, commonest)]
    one, other = (w / max(float(np.hypot(*w)), 1e-9) for w in ways)
    return abs(float(one @ other)) > ONE_LINE


def _of_commonest(road: Sequence[_Cut], chance: random.Random) -> float:
    """How far the commonest road is hidden on: to where it has bent away, if it does so soon."""
    for steps in range(1, STEPS_OF_COMMONEST + 1):
        if min(c.misses_m(steps * STEP_M) for c in road) >= MISSES_M:
            return steps * STEP_M
    shown = float(np.median([np.hypot(np.diff(c.x), np.diff(c.y)).sum() for c in road]))
    least, most = STRAIGHT_M
    return chance.uniform(least, max(least, min(most, STRAIGHT_SHARE * shown)))


def _roads(cuts: Sequence[_Cut]) -> list[list[_Cut]]:
    out: list[list[_Cut]] = []
    for cut in cuts:
        for road in out:
            if np.hypot(*(road[0].at - cut.at)) < ONE_ROAD_M:
                road.append(cut)
                break
        else:
            out.append([cut])
    return out


def _cuts(place: Place, frame: pd.DataFrame, rows: NDArray[np.bool_]) -> list[_Cut]:
    """Where the shown parts of a run begin and end at a place's discs."""
    lat, lon, there = positions(frame)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rows.astype(np.int8), [0]])))
    out = []
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        mine = np.flatnonzero(there[first:end]) + first
        if len(mine) < 2:
            continue
        east, north = place.metres_from(lat[mine], lon[mine])
        for way in (slice(None), slice(None, None, -1)):
            if place.inside(lat[mine[way][:1]], lon[mine[way][:1]], ONE_ROAD_M)[0]:
                out.append(_Cut(east[way], north[way]))
    return out


def _coarse(frame: pd.DataFrame) -> pd.DataFrame:
    """Positions alone, one every `EVERY_S`."""
    _, _, there = positions(frame)
    rows = np.flatnonzero(there)
    t = signal(frame, "t_s")[rows]
    _, first = np.unique(np.floor(t / EVERY_S), return_index=True)
    columns = [c for c in ("t_s", "lat_deg", "lon_deg") if c in frame]
    return frame[columns].iloc[rows[first]].reset_index(drop=True)


@dataclass(frozen=True)
class Hidden:
    """What is hidden from each run, and the secrets with all places that were drawn for it.

    `origin` has the place at which each run begins, None without positions.
    """

    secrets: Secrets
    of_run: tuple[tuple[Place, ...], ...]
    origin: tuple[int | None, ...]


def hide(frames: Sequence[pd.DataFrame], secrets: Secrets, chance: random.Random) -> Hidden:
    """Find the places of all runs, draw what hides them, and blind the roads out of them.

    A place at which runs begin, end, stop or turn more than once is hidden from every run, one of
    a single run from that run.

    Parameters
    ----------
    frames : sequence of DataFrame
        The logs of all runs, in order of driving.
    """
    points = [hidden_points(f) for f in frames]
    secrets, which = with_places(secrets, [p for mine in points for p in mine], chance)
    often = sorted({i for i in which if which.count(i) > 1})
    ends = np.cumsum([0, *map(len, points)])
    own = [
        [i for i in dict.fromkeys(which[a:b]) if i not in often] for a, b in pairwise(ends.tolist())
    ]
    places = list(secrets.places)
    coarse = [_coarse(f) for f in frames]
    for i in (*often, *often):  # twice, since each is cut by what hides the others
        common = [*secrets.circles, *(places[j] for j in often if j != i)]
        others = [[*common, *(places[j] for j in mine)] for mine in own]
        places[i] = with_blind_roads(places[i], coarse, others, secrets.length_m, chance)
    secrets = replace(secrets, places=tuple(places))
    common = [*secrets.circles, *(places[i] for i in often)]
    of_run = [(*common, *(places[i] for i in mine)) for mine in own]
    origin = [which[a] if b > a else None for a, b in pairwise(ends.tolist())]
    return Hidden(secrets, tuple(of_run), tuple(origin))


def ages_at_first(
    frames: Sequence[pd.DataFrame],
    rows: Sequence[NDArray[np.bool_]],
    origin: Sequence[int | None],
    added_s: float,
) -> list[float]:
    """Time since the engine's start at each run's first shown row, as it is published [s].

    Runs from one place have one time, their median, so that which road is the longer way to the
    cut isn't told; all have `added_s` more.
    """
    own = [_age(f, r) if r.any() else float("nan") for f, r in zip(frames, rows, strict=True)]
    table = pd.DataFrame({"age": own, "origin": [-1 if o is None else o for o in origin]})
    usual = table.groupby("origin")["age"].transform("median")
    return [float(a) + added_s for a in (10 * (usual / 10).round())]


def _age(frame: pd.DataFrame, rows: NDArray[np.bool_]) -> float:
    """Time since the engine's start; since the log's own beginning where it isn't logged."""
    t, since = signal(frame, "t_s"), signal(frame, "engine_runtime_s")
    first = t[np.flatnonzero(rows)[0]]
    known = np.isfinite(since)
    return float(np.interp(first, t[known], since[known]) if known.any() else first)
