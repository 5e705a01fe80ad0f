"""Invented roads and drives with known truth, for the tests of the road stage (synthetic).

A small town: a trunk road with two bends, a service road 30 m beside it for 1.5 km, a crossing by
an overpass, a detour round one block, a loop that is driven in laps, and the same street out and
back. Drives get stops, wheel speed in whole km/h, and a receiver with constant, drifting and white
errors, drop-outs and 1 s or 5 s between fixes.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from roadlog.road.network import Network, Segment
from roadlog.road.projection import to_geographic, to_local

ORIGIN = (50.0, 8.0)


def segment_of(network: Network, name: str) -> Segment:
    """The segment with this id."""
    return next(s for s in network.segments if s.id == name)


def path(*corners: tuple[float, float], radius: float = 15.0) -> np.ndarray:
    """A 1 m dense path through the corners (km), rounded."""
    p = 1000 * np.array(corners)
    s = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(p, axis=0).T))])
    at = np.arange(0, s[-1], 1.0)
    dense = np.column_stack([np.interp(at, s, p[:, i]) for i in (0, 1)])
    dense = gaussian_filter1d(dense, radius, axis=0, mode="nearest")
    step = np.hypot(*np.diff(dense, axis=0).T)
    s = np.concatenate([[0], np.cumsum(step)])
    at = np.arange(0, s[-1], 1.0)
    return np.column_stack([np.interp(at, s, dense[:, i]) for i in (0, 1)])


TRUNK_OUT = [(0, 0), (2, 0), (2.6, 0.8), (6, 0.8), (6.5, 1.5), (9, 1.5)]
ROUTES = {
    "out": path(*TRUNK_OUT),
    # leaves the trunk at 3.2 km east, drives 1.5 km on the service road 30 m south, comes back
    "out by service road": path(
        (0, 0), (2, 0), (2.6, 0.8), (3.2, 0.8), (3.25, 0.77), (4.75, 0.77), (4.8, 0.8), (6, 0.8),
        (6.5, 1.5), (9, 1.5),
    ),
    "out round the block": path(
        (0, 0), (0.8, 0), (0.8, 0.4), (1.4, 0.4), (1.4, 0), (2, 0), (2.6, 0.8), (6, 0.8),
        (6.5, 1.5), (9, 1.5),
    ),
    # the other carriageway lies 7 m to the north
    "back": path(*[(x, y + 0.007) for x, y in TRUNK_OUT[::-1]]),
    # crosses the trunk over a bridge at 5 km east, then back the same way
    "over the bridge and back": path(
        (5, -1.5), (5, 3), (5.004, 3.0), (5.007, 3.0), (5.007, -1.5), radius=5
    ),
    # three laps of a 3 km loop
    "laps": path(*([(7, -2), (8, -2), (8, -2.5), (7, -2.5)] * 3), (7, -2)),
}  # fmt: skip


@dataclass(frozen=True)
class Drives:
    """Frames and arms by run, and each sample's true place (n × 4: x, y, unit heading)."""

    tracks: dict[int, pd.DataFrame]
    arms: dict[int, str]
    truth: dict[int, np.ndarray]
    routes: dict[int, str]
    paths: dict[str, np.ndarray]
    spans: dict[int, tuple[int, int]]  # first and last metre of the route that a run drove


def elevation(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """True height [m] of the invented country."""
    return 120 + 25 * np.sin(x / 700) + 15 * np.cos(x / 1500 + y / 900)


def drives(
    plan: list[tuple[str, str]],
    *,
    seed: int,
    white_m: float = 5.0,
    bias_m: float = 4.0,
    drift_m: float = 3.0,
    fix_every_s: float = 1.0,
    dropout: tuple[float, float] | None = None,
    altitude_white_m: float = 2.0,
    altitude_bias_m: float = 6.0,
    stand_s: float = 60.0,
    paths: dict[str, np.ndarray] | None = None,
    jitter_m: float = 0.0,
) -> Drives:
    """Drive a plan of (route, arm), one run each; runs begin and end up to `jitter_m` late, early.

    `dropout` = (from, to) in m along the route without fixes.
    """
    rng = np.random.default_rng(seed)
    paths = ROUTES if paths is None else paths
    tracks, arms, truth, routes, spans = {}, {}, {}, {}, {}
    for run, (name, arm) in enumerate(plan):
        route = paths[name]
        late, early = rng.uniform(0, jitter_m, 2).astype(int) if jitter_m else (0, 0)
        spans[run] = int(late), len(route) - int(early)
        route = route[slice(*spans[run])]
        d, speed = _speeds(len(route) - 1.0, rng, stand_s)
        n = len(d)
        i = np.clip(d.astype(int), 0, len(route) - 2)
        at = route[i] + (d - i)[:, None] * (route[i + 1] - route[i])
        j = np.clip(i, 5, len(route) - 6)
        heading = route[j + 5] - route[j - 5]
        drift = np.array([_drift(n, 60.0, rng) for _ in range(3)])
        noise = rng.normal(0, bias_m, 2) + drift_m * drift[:2].T + rng.normal(0, white_m, (n, 2))
        altitude = elevation(*at.T) + altitude_bias_m * rng.uniform(-1, 1)
        altitude = altitude + 0.5 * altitude_bias_m * _drift(n, 120.0, rng)
        altitude = altitude + rng.normal(0, altitude_white_m, n)
        lat, lon = to_geographic(*(at + noise).T, ORIGIN)
        frame = pd.DataFrame(
            {
                "t_s": np.arange(n, dtype=float), "dt_s": 1.0, "speed_kmh": np.floor(speed * 3.6),
                "lat_deg": lat, "lon_deg": lon, "altitude_m": altitude,
                "fuel_flow_g_s": 0.3 + 0.04 * speed, "fuel_flow_low_g_s": 0.3 + 0.04 * speed,
                "fuel_flow_high_g_s": 0.3 + 0.04 * speed, "fuel_state": "metered",
                "coolant_temp_c": np.minimum(90, 15 + 0.2 * np.arange(n)),
                "supply_voltage_v": 14.2,
            }
        )  # fmt: skip
        position = ["lat_deg", "lon_deg", "altitude_m"]
        if fix_every_s > 1:
            every = int(fix_every_s)
            seen = frame[position].iloc[::every].reindex(frame.index)
            frame[position] = seen.interpolate(limit_area="inside")
        if dropout is not None:
            frame.loc[(d + late > dropout[0]) & (d + late < dropout[1]), position] = np.nan
        tracks[run], arms[run], routes[run] = frame, arm, name
        truth[run] = np.column_stack([at, heading / np.hypot(*heading.T)[:, None]])
    return Drives(tracks, arms, truth, routes, paths, spans)


def _drift(n: int, seconds: float, rng: np.random.Generator) -> np.ndarray:
    """Gauss-Markov noise of unit standard deviation and the given correlation time."""
    from scipy.signal import lfilter

    a = np.exp(-1 / seconds)
    start = rng.normal()
    return lfilter([np.sqrt(1 - a * a)], [1, -a], rng.normal(size=n), zi=[a * start])[0]


def _speeds(length: float, rng: np.random.Generator, stand_s: float) -> tuple[np.ndarray, ...]:
    """Distance and speed each second: 14 ± 3 m/s, a few stops, standing at both ends."""
    target = 14 + 3 * rng.normal()
    target = float(np.clip(target, 8, 22))
    stops = np.sort(rng.uniform(200, length - 200, max(1, round(length / 3000))))
    d, v, t_stop, out = 0.0, 0.0, 0.0, []
    ahead = [*stops, length - 1]
    out += [(0.0, 0.0)] * int(rng.integers(stand_s // 2, stand_s + 1))
    while ahead:
        room = ahead[0] - d
        limit = min(target, np.sqrt(2 * 1.2 * max(room - v, 0.0)))
        v = min(v + 1.3, max(limit, 0.0)) if limit > v else max(v - 1.8, limit)
        d += v
        out.append((d, v))
        if v < 0.5 and room < 20:
            ahead.pop(0)
            t_stop = int(rng.integers(5, 40))
            out += [(d, 0.0)] * t_stop
            v = 0.6 if ahead else 0.0
        elif v < 0.5:
            v = 0.6
    out += [(d, 0.0)] * int(rng.integers(stand_s // 2, stand_s + 1))
    both = np.array(out)
    return both[:, 0], both[:, 1]


@dataclass(frozen=True)
class Score:
    """Shares of the distance that is truly shared by both arms.

    `right` and `wrong` judge which road the assigned segment is; `near` asks moreover that its
    line lies within 12 m of the true place.
    """

    right: float
    wrong: float
    near: float


def score(made: Drives, network: Network, matched: dict[int, pd.DataFrame], k: int) -> Score:
    """How much of the truly shared distance lies on the right directed segment.

    Truly shared: at least k runs of each arm drive within 4 m in that direction. The road that an
    assigned place is on is the true road nearest to it in its direction. Right: that road is, to
    5 m, the one being driven, and the place is within 80 m of the true one.
    """
    trees = {name: cKDTree(with_heading(made.paths[name])) for name in set(made.routes.values())}
    on_route = {name: shared(made, name, k, trees) for name in trees}
    every = np.vstack([with_heading(made.paths[name]) for name in trees])
    roads = cKDTree(every)
    total = right = wrong = close = 0.0
    for run, frame in matched.items():
        truth = made.truth[run]
        own = trees[made.routes[run]]
        step = np.append(np.hypot(*np.diff(truth[:, :2], axis=0).T), 0.0)
        common = on_route[made.routes[run]][own.query(_headed(truth))[1]]
        on = frame["segment"].to_numpy() != ""
        ok, near = np.zeros(len(frame), bool), np.zeros(len(frame), bool)
        for name in set(frame["segment"]) - {""}:
            rows = np.flatnonzero(frame["segment"] == name)
            g = segment_of(network, name)
            lx, ly = to_local(g.lat_deg, g.lon_deg, ORIGIN)
            s = frame["s_m"].to_numpy()[rows]
            x, y = np.interp(s, g.s_m, lx), np.interp(s, g.s_m, ly)
            tx = np.interp(s, g.s_m, np.gradient(lx, g.s_m))
            ty = np.interp(s, g.s_m, np.gradient(ly, g.s_m))
            road = every[roads.query(np.column_stack([x, y, 8 * tx, 8 * ty]))[1]]
            p = truth[rows]
            far = np.hypot(road[:, 0] - p[:, 0], road[:, 1] - p[:, 1])
            ok[rows] = (own.query(road)[0] < 5) & (far < 80)
            near[rows] = np.abs((p[:, 1] - y) * tx - (p[:, 0] - x) * ty) < 12
        total += step[common].sum()
        right += step[common & ok].sum()
        wrong += step[on & ~ok].sum()
        close += step[common & ok & near].sum()
    return Score(right / total, wrong / total, close / total)


def shared(made: Drives, name: str, k: int, trees: dict[str, cKDTree]) -> np.ndarray:
    """For each metre of a route, whether k runs of each arm truly drive it in that direction."""
    here = with_heading(made.paths[name])
    counts = {arm: np.zeros(len(here)) for arm in ("baseline", "fitted")}
    for other, tree in trees.items():
        away, place = tree.query(here, distance_upper_bound=5)
        for run, driven in made.routes.items():
            if driven == other:
                first, last = made.spans[run]
                counts[made.arms[run]] += (away < 4) & (place >= first) & (place < last)
    return (counts["baseline"] >= k) & (counts["fitted"] >= k)


def _headed(place: np.ndarray) -> np.ndarray:
    return np.column_stack([place[:, :2], 8 * place[:, 2:]])


def with_heading(route: np.ndarray) -> np.ndarray:
    step = np.gradient(route, axis=0)
    return np.column_stack([route, 8 * step / np.hypot(*step.T)[:, None]])
