"""Invented towns that differ by seed, and the table of how well their drives are placed.

Every seed has its own bends, angles and lengths, so that no constant of the road stage can have
been tuned on it. `python -m tests.road.towns 20 4000` prints the table of docs/road.md over 20
seeds from 4000 on (synthetic data).
"""

import sys
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from roadlog.road import Network, Segment, find_network, match
from roadlog.road.projection import centre, to_geographic, to_local
from tests.road.synthetic import ORIGIN, Drives, Score, drives, path, score, shared, with_heading

ARMS = ("baseline", "fitted")


def town(seed: int) -> tuple[dict[str, np.ndarray], list[tuple[str, str]]]:
    """Routes of one town and the plan of its drives.

    A trunk out and back with bends of 20 to 95 degrees; a parallel road 30 m aside for 1 to 2 km;
    a detour round a block; a road that crosses the trunk on a bridge, out and back; laps.
    """
    rng = np.random.default_rng(seed)
    corners, heading = [np.zeros(2)], rng.uniform(0, 2 * np.pi)
    for leg in (0.8, 0.6, 0.9, rng.uniform(2.2, 3.2), *rng.uniform(0.7, 1.8, 2)):
        corners.append(corners[-1] + leg * np.array([np.cos(heading), np.sin(heading)]))
        turn = np.radians(rng.uniform(20, 95)) * rng.choice([-1, 1])
        heading += 0 if len(corners) in (2, 3) else turn
    trunk = np.array(corners)
    along = (trunk[4] - trunk[3]) / np.hypot(*(trunk[4] - trunk[3]))
    left = np.array([-along[1], along[0]])
    side = rng.choice([-1, 1])
    start, length = rng.uniform(0.4, 0.6), rng.uniform(1.0, 1.5)
    ramp = rng.uniform(0.04, 0.12)
    a, b = trunk[3] + start * along, trunk[3] + (start + length) * along
    service = [a, a + ramp * along + 0.03 * side * left, b - ramp * along + 0.03 * side * left, b]
    first = (trunk[1] - trunk[0]) / np.hypot(*(trunk[1] - trunk[0]))
    out = rng.choice([-1, 1]) * rng.uniform(0.25, 0.5) * np.array([-first[1], first[0]])
    block = [trunk[1], trunk[1] + out, trunk[2] + out, trunk[2]]
    mid = trunk[3] + (start + length + 0.25) * along
    tilt = rng.uniform(-0.5, 0.5)
    across = np.cos(tilt) * left + np.sin(tilt) * along
    ends = mid - rng.uniform(1, 1.6) * across, mid + rng.uniform(1.5, 2.2) * across
    lane = 0.007 * np.array([across[1], -across[0]])
    far = trunk.min(0) - np.array([1.5, 1.5])
    w, h = rng.uniform(0.6, 1.1), rng.uniform(0.4, 0.7)
    ring = far - np.array([[0, 0], [w, 0], [w + 0.1, h], [0.05, h]])
    radius = rng.uniform(8, 25)

    def made(points: list[np.ndarray]) -> np.ndarray:
        return path(*(tuple(p) for p in points), radius=radius)

    opposite = made(list(trunk))[::-1]
    step = np.gradient(opposite, axis=0)
    step /= np.hypot(*step.T)[:, None]
    routes = {
        "out": made(list(trunk)),
        "back": opposite + 7 * np.column_stack([step[:, 1], -step[:, 0]]),
        "parallel": made([*trunk[:4], *service, *trunk[4:]]),
        "detour": made([trunk[0], *block, *trunk[3:]]),
        "bridge": path(
            *(tuple(p) for p in (ends[0], ends[1], ends[1] + lane, ends[0] + lane)), radius=5
        ),
        "laps": made([*(p for _ in range(3) for p in ring), ring[0]]),
    }
    plan = [(r, a) for _ in range(4) for a in ARMS for r in ("out", "back")]
    plan += [("parallel", a) for _ in range(3) for a in ARMS]
    plan += [(r, a) for _ in range(2) for a in ARMS for r in ("detour", "bridge", "laps")]
    return routes, plan


@dataclass(frozen=True)
class Setting:
    """How the drives of a town are recorded."""

    name: str
    white_m: float = 5.0
    bias_m: float = 4.0
    drift_m: float = 3.0
    fix_every_s: float = 1.0
    commute_only: bool = False
    tunnel: str = ""


SETTINGS = (
    Setting("5 m noise, 4 m bias, 1 Hz"),
    Setting("8 m noise, 5 m bias, 1 Hz", white_m=8, bias_m=5),
    Setting("12 m noise, 6 m bias, 1 Hz", white_m=12, bias_m=6, drift_m=4),
    Setting("15 m noise, 6 m bias, 1 Hz", white_m=15, bias_m=6, drift_m=4),
    Setting("15 m noise, commute only", white_m=15, bias_m=6, drift_m=4, commute_only=True),
    Setting("5 m noise, 4 m bias, 0.2 Hz", fix_every_s=5),
    Setting("8 m noise, 5 m bias, 0.2 Hz", white_m=8, bias_m=5, fix_every_s=5),
    Setting("tunnel on a straight, 600 m", commute_only=True, tunnel="straight"),
    Setting("tunnel through a bend, 600 m", commute_only=True, tunnel="bend"),
)


def driven(setting: Setting, seed: int) -> Drives:
    """The drives of one town under one setting."""
    routes, plan = town(seed)
    if setting.commute_only:
        plan = [p for p in plan if p[0] in ("out", "back")]
    dropout = None
    if setting.tunnel:
        plan = [p for p in plan if p[0] == "out"]
        bend = np.argmax(np.abs(_curvature(routes["out"])[1500:3000])) + 1500
        middle = float(bend) if setting.tunnel == "bend" else 3800.0
        dropout = (middle - 300, middle + 300)
    return drives(
        plan, seed=seed, white_m=setting.white_m, bias_m=setting.bias_m, drift_m=setting.drift_m,
        fix_every_s=setting.fix_every_s, dropout=dropout, paths=routes, jitter_m=150.0,
    )  # fmt: skip


def placed(made: Drives, k: int = 2) -> Score:
    """Score of the network found in the drives, and of every drive matched to it."""
    network = find_network(made.tracks, made.arms, segment_length_km=1.0, min_runs_per_arm=k)
    return score(made, network, {r: match(t, network, r) for r, t in made.tracks.items()}, k)


def placed_by_oracle(made: Drives, k: int = 2) -> Score:
    """Score of the same noisy drives matched to the true network: what positions alone allow."""
    network = true_network(made, k)
    return score(made, network, {r: match(t, network, r) for r, t in made.tracks.items()}, k)


def true_network(made: Drives, k: int) -> Network:
    """The roads that k runs of each arm truly drive, one segment between forks, no error at all."""
    origin = centre(list(made.tracks.values()))
    assert origin is not None
    names = sorted(set(made.routes.values()), key=list(made.paths).index)
    trees = {name: cKDTree(with_heading(made.paths[name])) for name in names}
    segments: list[Segment] = []
    for i, name in enumerate(names):
        here = with_heading(made.paths[name])
        new = shared(made, name, k, trees)
        for before in names[:i]:
            new &= trees[before].query(here)[0] >= 4
        for place, others in enumerate(trees[name].query_ball_point(here, 4)):
            new[place] &= not any(new[o] for o in others if o <= place - 100)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], new.astype(int), [0]])))
        for a, b in edges.reshape(-1, 2):
            if b - a >= 20:
                lat, lon = to_geographic(*made.paths[name][a:b:5].T, ORIGIN)
                x, y = to_local(lat, lon, origin)
                s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
                none = np.full(len(s), np.nan)
                segments.append(
                    Segment(f"{name} {a}", float(s[-1]), s, x, y, lat, lon, none, 0 * s)
                )
    return Network("road", origin, tuple(segments), {})


def _curvature(route: np.ndarray) -> np.ndarray:
    angle = np.unwrap(np.arctan2(*np.gradient(route, axis=0).T[::-1]))
    return np.gradient(angle)


def main(seeds: int, first: int) -> None:
    """Print the table [% of the shared distance].

    On the right segment (least, mean); on a wrong one (greatest, mean); on the right segment and
    within 12 m of its line (mean); towns that miss 98 % right or 0.5 % wrong; and right, wrong
    (means) for the same positions matched to the true network.
    """
    print(f"{'setting':<30}    right (least)   wrong (most)  within 12 m   miss a bar   oracle")
    for setting in SETTINGS:
        towns = [driven(setting, first + i) for i in range(seeds)]
        scores = [placed(made) for made in towns]
        right, wrong, near = 100 * np.array([(s.right, s.wrong, s.near) for s in scores]).T
        best = [placed_by_oracle(made) for made in towns]
        missed = int(((right < 98) | (wrong > 0.5)).sum())
        print(
            f"{setting.name:<30} {right.mean():8.2f} ({right.min():5.2f})"
            f" {wrong.mean():6.2f} ({wrong.max():4.2f}) {near.mean():12.2f} {missed:7d} of {seeds}"
            f" {100 * np.mean([s.right for s in best]):8.2f}"
            f" {100 * np.mean([s.wrong for s in best]):5.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
