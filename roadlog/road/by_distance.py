"""Runs without positions, cut into pieces by the distance that the wheels turned.

Frames of samples and the route of each run, as the user tells it, go in; a `Network` of kind
`distance` comes out, and samples are placed on its pieces. The part of method section 3 for cars
without a position receiver.
"""

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
import pandas as pd
from scipy.ndimage import gaussian_filter1d

from roadlog.errors import DesignError
from roadlog.quantities.arrays import Floats
from roadlog.quantities.columns import Table
from roadlog.quantities.facts import Fact, Kind
from roadlog.quantities.signals import signal
from roadlog.quantities.tables import TRACK
from roadlog.road.elevation import BIN_M, fuse, smooth
from roadlog.road.network import Network, Segment
from roadlog.road.trace import travelled

BY_DISTANCE = "distance"
OFF_SHARE = 0.02  # of the route's median length; wheels differ by under 1 % with tyre pressure
OFF_LEAST_M = 100.0  # another parking place is no other route
MOST_OFF = 0.25  # of a route's runs; with more it isn't one route
PROFILE_STEP_M = 50.0
SMOOTH_M = 200.0
SLOWEST_KMH = 5.0  # standing counts as this, or one red light would outweigh the road
TWO_ROUTES = 0.25  # correlation within groups less that between them
LEAST_TO_COMPARE = 4

Travel = tuple[Table, Floats]  # samples of a run, how far its wheels had turned [m]


class OffRoute(Kind):
    """Why a run is on no route: the codes, each with its sentence."""

    UNTOLD = "its route isn't told in [road] same_route or in the notes"
    OTHER_WAY = "{km:.2f} km, where {route} is {usual_km:.2f} km: another way, or not whole"
    TOO_FEW = (
        "{route} was driven whole in {baseline} baseline and {fitted} fitted runs, and {needed} of "
        "each are needed"
    )


def find_pieces(
    tracks: Mapping[int, Table],
    arms: Mapping[int, str],
    routes: Mapping[int, str],
    *,
    segment_length_km: float = 1.0,
    min_runs_per_arm: int = 2,
) -> Network:
    """Cut each route into pieces of about the asked length.

    Each run is stretched to its route's median length, so that the last pieces stay comparable
    whatever the tyres' pressure.

    Parameters
    ----------
    tracks : mapping of run to DataFrame
        Samples with `t_s` [s] and `speed_kmh`.
    arms : mapping of run to str
        `baseline` or `fitted`.
    routes : mapping of run to str
        Name of each run's route and direction, "" where it isn't known (`roadlog.runs.routes`).
    segment_length_km : float [km]
    min_runs_per_arm : int
        Runs of each arm that a route needs.

    Returns
    -------
    Network
        Of kind `distance`; its `routes` hold each run's route and wheel distance [m], its `off` why
        a run is on none.

    Raises
    ------
    DesignError
        If runs said to share a route differ too much in length or in their speeds along it, or no
        route has enough runs of both arms.
    """
    way = {r: _distance(t) for r, t in tracks.items() if len(t)}
    length = {r: float(d[-1]) for r, d in way.items()}
    off = {r: OffRoute.UNTOLD() for r in length if not routes[r]}
    segments: list[Segment] = []
    on: dict[int, tuple[str, float]] = {}
    for name in dict.fromkeys(routes[r] for r in sorted(length) if routes[r]):
        mine = {r: d for r, d in length.items() if routes[r] == name}
        usual = float(np.median(list(mine.values())))
        strays = _strays(name, mine, usual)
        kept = {r: d for r, d in mine.items() if r not in strays}
        off |= strays
        few = _too_few(name, kept, arms, min_runs_per_arm)
        if few:
            off |= dict.fromkeys(kept, few)
            continue
        driven = [(tracks[r], way[r]) for r in kept]
        _refuse_two_routes(name, driven)
        ends = np.linspace(0, usual, max(1, round(usual / (1000 * segment_length_km))) + 1)
        profile = _heights(driven, usual)
        segments += [
            _piece(f"{name} {i:02d}", float(a), float(b), *profile)
            for i, (a, b) in enumerate(pairwise(ends), 1)
        ]
        on |= {r: (name, d) for r, d in kept.items()}
    if not segments:
        raise DesignError(
            "no route of [road] same_route was driven often enough in both arms: "
            + "; ".join(map(str, dict.fromkeys(off.values())))
        )
    return Network(BY_DISTANCE, None, tuple(segments), {}, on, off)


def _heights(driven: Sequence[Travel], usual_m: float) -> tuple[Floats, Floats, Floats]:
    """Way [m], elevation [m] and grade of a route, from the altitudes of all its runs together.

    One profile serves both arms, so that an altimeter in one arm only makes no difference between
    them. Empty where no run logged altitude: then nobody knows the grade.
    """
    bins, drives, altitudes = [], [], []
    for i, (track, d) in enumerate(driven):
        if "altitude_m" in track:
            bins.append(np.rint(d * usual_m / d[-1] / BIN_M).astype(np.int64))
            drives.append(np.full(len(track), i))
            altitudes.append(signal(track, "altitude_m"))
    if not bins or not any(np.isfinite(a).any() for a in altitudes):
        return np.empty(0), np.empty(0), np.empty(0)
    places = int(max(b.max() for b in bins)) + 1
    heights, _ = fuse(
        np.concatenate(bins), np.concatenate(drives), np.concatenate(altitudes), places
    )
    return BIN_M * np.arange(places), *smooth(heights)


def _piece(name: str, start_m: float, end_m: float, s: Floats, z: Floats, grade: Floats) -> Segment:
    """A piece of a route with its part of the profile, if there is one."""
    none = np.empty(0)
    if not len(s):
        return Segment(name, end_m - start_m, none, none, none, none, none, none, none)
    at = np.append(np.arange(start_m, end_m, BIN_M), end_m)
    up = np.interp(at, s, z), np.interp(at, s, grade)
    return Segment(name, end_m - start_m, at - start_m, none, none, none, none, *up)


def place(track: pd.DataFrame, network: Network, run: int) -> pd.DataFrame:
    """Place every sample of a run on its route's pieces, as `roadlog.road.match` does.

    Grade is 0 where no run of the route logged altitude; standing before the first move and after
    the last is on no piece.
    """
    d = _distance(track)
    segment = np.full(len(track), "", dtype=object)
    which, s = np.full(len(track), -1), np.full(len(track), np.nan)
    grade = np.zeros(len(track))
    if run in network.routes:
        name, own = network.routes[run]
        pieces = [g for g in network.segments if g.id.rpartition(" ")[0] == name]
        ends = np.cumsum([0.0, *(g.length_m for g in pieces)])
        along = d * ends[-1] / own
        moving = (d > d[0]) & (d < d[-1])
        piece = np.clip(np.searchsorted(ends, along, "right") - 1, 0, len(pieces) - 1)
        ids = np.array([g.id for g in pieces], dtype=object)
        segment[moving], which[moving] = ids[piece[moving]], piece[moving]
        s[moving] = (along - ends[piece])[moving]
        for i, g in enumerate(pieces):
            here = moving & (piece == i)
            if len(g.s_m):
                grade[here] = np.interp(s[here], g.s_m, g.grade)
    return TRACK.check(
        track.assign(
            run=run, x_m=np.nan, y_m=np.nan, segment=segment, traversal=which, s_m=s, grade=grade,
            d_m=d, bearing_deg=np.nan,
        )
    )  # fmt: skip


def _distance(track: Table) -> Floats:
    nowhere = np.full(len(track), np.nan)
    return travelled(track, nowhere, nowhere)


def _strays(name: str, length_m: Mapping[int, float], usual_m: float) -> dict[int, Fact]:
    """Why runs are too long or too short to have driven the route."""
    most = max(OFF_SHARE * usual_m, OFF_LEAST_M)
    out = {
        r: OffRoute.OTHER_WAY(km=d / 1000, route=name, usual_km=usual_m / 1000)
        for r, d in length_m.items()
        if abs(d - usual_m) > most
    }
    if len(out) > MOST_OFF * len(length_m):
        lengths = np.array(list(length_m.values())) / 1000
        raise DesignError(
            f"the runs of {name} are {lengths.min():.2f} to {lengths.max():.2f} km long, and "
            f"{len(out)} of {len(length_m)} differ from the median by more than "
            f"{100 * OFF_SHARE:.0f} %, so they share no one route: name the routes in [road] "
            "same_route, or leave it out to compare whole runs"
        )
    return out


def _too_few(
    name: str, kept: Mapping[int, float], arms: Mapping[int, str], least: int
) -> Fact | None:
    count = {arm: sum(arms[r] == arm for r in kept) for arm in ("baseline", "fitted")}
    if min(count.values()) >= least:
        return None
    return OffRoute.TOO_FEW(route=name, needed=least, **count)


def _refuse_two_routes(name: str, driven: Sequence[Travel]) -> None:
    """Raise DesignError if speeds along the way fall into two groups: there and back, most likely.

    Measured on 40 studies of the demonstration (12 drives of 17 km each way): drives of one
    direction correlate by 0.85 to 0.96, those there with those back by 0.43 to 0.54; the two most
    unlike groups of one direction by at most 0.17 less than within.
    """
    if len(driven) < LEAST_TO_COMPARE:
        return
    from scipy.cluster.hierarchy import fcluster, linkage
    from scipy.spatial.distance import squareform

    profiles = _profiles(driven)
    if profiles.shape[1] < 2 * SMOOTH_M / PROFILE_STEP_M or (np.ptp(profiles, axis=1) == 0).any():
        return
    alike = np.asarray(np.corrcoef(profiles), float)
    apart = squareform(1 - alike, checks=False)
    group = fcluster(linkage(apart, "average"), 2, "maxclust")
    counts = np.bincount(group)[1:]
    if len(counts) < 2 or counts.min() < 2:
        return
    same = group[:, None] == group[None, :]
    within = float(alike[same & ~np.eye(len(group), dtype=bool)].mean())
    if within - float(alike[~same].mean()) > TWO_ROUTES:
        raise DesignError(
            f"by their speeds along the way the runs of {name} fall into two groups of "
            f"{counts[0]} and {counts[1]}, as of two routes or of there and back: name the routes "
            "in [road] same_route, or in a column 'route' of notes.csv"
        )


def _profiles(driven: Sequence[Travel]) -> Floats:
    """Log speed along the way (runs, places), every run stretched to the same number of places."""
    places = max(2, round(float(np.median([d[-1] for _, d in driven])) / PROFILE_STEP_M)) + 1
    out = []
    for track, d in driven:
        s = np.linspace(0, d[-1], places)
        at = np.interp(s, d + 1e-6 * np.arange(len(d)), signal(track, "t_s"))
        pace = np.minimum(np.diff(at) / np.diff(s), 3.6 / SLOWEST_KMH)
        out.append(gaussian_filter1d(-np.log(np.maximum(pace, 1e-3)), SMOOTH_M / PROFILE_STEP_M))
    return np.array(out)
