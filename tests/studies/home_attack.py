"""Attacks on what `trimmed_study` publishes: can a home be found from it?

Each study has twelve or more drives from one home over roads of one shape. What is published of
them is made by the same functions as in `roadlog publish`; the attacks see nothing else. Each
attack makes its best guess, with every constant that it needs set to what does best over all
studies, and the table tells in how many studies a guess lies within 300 m of the home.

    python -m tests.studies.home_attack --studies 200
    python -m tests.studies.home_attack --folder STUDY     # a study's own published folder
"""

import argparse
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.publish.cut import on_own_clock, shown_rows
from roadlog.publish.exits import ages_at_first, hide
from roadlog.publish.private import METRES_PER_DEGREE, OFFSET_M, draw_secrets

HIT_M = 300.0
LAT, LON = 52.0, 10.0
TANGENT_M = 150.0  # of road, whose direction an attacker extrapolates
Line = np.ndarray  # (n, 2) metres east and north of the home


@dataclass(frozen=True)
class Seen:
    """What the public has of one run: metres from an origin of the map, and time."""

    xy: np.ndarray
    t_s: np.ndarray
    age_s: np.ndarray

    @property
    def cut(self) -> np.ndarray:
        """Where it begins."""
        return np.asarray(self.xy[0])

    @property
    def back(self) -> np.ndarray:
        """Unit vector backwards along the road at the cut."""
        d = np.hypot(*(self.xy - self.xy[0]).T)
        ahead = int(np.argmax(d > TANGENT_M)) or len(d) - 1
        way = self.xy[0] - self.xy[ahead]
        return np.asarray(way / max(float(np.hypot(*way)), 1.0))


# --- roads ------------------------------------------------------------------------------------


def _bent(rng: np.random.Generator, heading: float, length_m: float, bend: float) -> Line:
    """A road that wanders: heading changes by `bend` [rad] a hundred metres."""
    steps = int(length_m / 25)
    turn = np.cumsum(rng.normal(0, bend / 2, steps)) + heading
    return np.cumsum(25 * np.column_stack([np.sin(turn), np.cos(turn)]), axis=0)


def straight(rng: np.random.Generator) -> list[Line]:
    """A straight dead end: all drives go the same way."""
    turn = rng.uniform(0, 2 * np.pi)
    one = _bent(rng, turn, 15000, 0.0)
    return [one] * 12


def curved(rng: np.random.Generator) -> list[Line]:
    """One country road."""
    return [_bent(rng, rng.uniform(0, 2 * np.pi), 15000, 0.08)] * 12


def two_ways(rng: np.random.Generator) -> list[Line]:
    """Nine drives by one road and three by another."""
    turn = rng.uniform(0, 2 * np.pi)
    main = _bent(rng, turn, 15000, 0.08)
    other = _bent(rng, turn + rng.uniform(0.8, 2.5), 15000, 0.08)
    return [main] * 9 + [other] * 3


def several(rng: np.random.Generator) -> list[Line]:
    """Four country roads, three drives each."""
    turn = rng.uniform(0, 2 * np.pi)
    roads = [_bent(rng, turn + i * np.pi / 2 + rng.normal(0, 0.3), 15000, 0.08) for i in range(4)]
    return [r for r in roads for _ in range(3)]


def star(rng: np.random.Generator) -> list[Line]:
    """Four straight roads that meet at the home: the worst that a map can be."""
    turn = rng.uniform(0, 2 * np.pi)
    roads = [_bent(rng, turn + i * np.pi / 2 + rng.normal(0, 0.3), 15000, 0.0) for i in range(4)]
    return [r for r in roads for _ in range(3)]


def grid(rng: np.random.Generator) -> list[Line]:
    """Blocks of 200 m; each of four ways turns where it likes, all to the far north-east."""
    ways = []
    for _ in range(4):
        moves = rng.permutation([0, 1] * 30)
        step = np.repeat(np.array([[200.0, 0.0], [0.0, 200.0]])[moves] / 8, 8, axis=0)
        ways.append(np.cumsum(step, axis=0))
    return [w for w in ways for _ in range(3)]


SHAPES: dict[str, Callable[[np.random.Generator], list[Line]]] = {
    "straight dead end": straight,
    "one country road": curved,
    "two ways": two_ways,
    "four country roads": several,
    "grid of streets": grid,
    "four straight roads": star,
}


def _drive(line: Line, rng: np.random.Generator) -> pd.DataFrame:
    """A drive along a line at 1 Hz: from rest, with a stop here and there, noise of a receiver."""
    whole = np.concatenate([[[0.0, 0.0]], line])
    d = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(whole, axis=0).T))])
    n = int(d[-1] / 11)
    target = np.clip(13.0 + np.cumsum(rng.normal(0, 0.4, n)), 6, 20)
    target[rng.random(n) < 0.003] = 0.0
    v = np.minimum(target, 1.5 * np.arange(n))
    at = np.minimum(np.cumsum(v), d[-1])
    noise = np.cumsum(rng.normal(0, 0.3, (n, 2)), axis=0) * 0.2 + rng.normal(0, 1.5, (n, 2))
    x, y = (np.interp(at, d, whole[:, i]) + noise[:, i] for i in (0, 1))
    scale = METRES_PER_DEGREE * np.cos(np.radians(LAT))
    return pd.DataFrame(
        {"t_s": np.arange(n, dtype=float), "lat_deg": np.round(LAT + y / METRES_PER_DEGREE, 5),
         "lon_deg": np.round(LON + x / scale, 5), "speed_kmh": 3.6 * v}
    )  # fmt: skip


def published(lines: Sequence[Line], rng: np.random.Generator) -> list[Seen]:
    """What is published of drives along these lines, as `trimmed_study` cuts them."""
    chance = random.Random(int(rng.integers(1 << 30)))
    secrets = draw_secrets(chance)
    drives = [_drive(line, rng) for line in lines]
    hidden = hide(drives, secrets, chance)
    rows = [shown_rows(f, h, secrets.length_m) for f, h in zip(drives, hidden.of_run, strict=True)]
    ages = ages_at_first(drives, rows, hidden.origin, secrets.age_s)
    out = []
    for frame, mine, age in zip(drives, rows, ages, strict=True):
        if mine.any():
            shown = on_own_clock(frame, mine)
            out.append(_seen(shown, age + shown["t_s"].to_numpy(float)))
    return out


def _seen(frame: pd.DataFrame, age_s: np.ndarray) -> Seen:
    scale = METRES_PER_DEGREE * np.cos(np.radians(LAT))
    x = (frame["lon_deg"].to_numpy(float) - LON) * scale
    y = (frame["lat_deg"].to_numpy(float) - LAT) * METRES_PER_DEGREE
    return Seen(np.column_stack([x, y]), frame["t_s"].to_numpy(float), age_s)


# --- attacks: each yields guesses by the constant that it takes --------------------------------


def exits(runs: Sequence[Seen]) -> list[Seen]:
    """One run for each road out: cuts within 150 m are one."""
    out: list[Seen] = []
    for run in runs:
        if all(np.hypot(*(run.cut - other.cut)) > 150 for other in out):
            out.append(run)
    return out


def mean_start(runs: Sequence[Seen]) -> dict[float, np.ndarray]:
    """The mean of all first positions."""
    return {0.0: np.mean([r.cut for r in runs], axis=0)}


def walk_back(runs: Sequence[Seen]) -> dict[float, np.ndarray]:
    """So far straight back from the commonest cut."""
    first = runs[0]
    return {float(d): first.cut + d * first.back for d in range(500, 4000, 100)}


def walk_back_all(runs: Sequence[Seen]) -> dict[float, np.ndarray]:
    """So far straight back from each road's cut, and the mean of that."""
    mine = exits(runs)
    return {
        float(d): np.mean([r.cut + d * r.back for r in mine], axis=0) for d in range(500, 4000, 100)
    }


def crossing(runs: Sequence[Seen]) -> dict[float, np.ndarray]:
    """The point nearest to all roads, each extrapolated straight back."""
    mine = exits(runs)
    if len(mine) < 2:
        return {}
    sides = [np.eye(2) - np.outer(r.back, r.back) for r in mine]
    whole = np.sum(sides, axis=0)
    if np.linalg.cond(whole) > 1e4:
        return {}
    right = np.sum([s @ r.cut for s, r in zip(sides, mine, strict=True)], axis=0)
    return {0.0: np.linalg.solve(whole, right)}


def circle(runs: Sequence[Seen]) -> dict[float, np.ndarray]:
    """The centre of a circle through all cuts, and points of the ring about it."""
    found = _circle(runs)
    if found is None:
        return {}
    centre = found[0]
    turns = np.radians(np.arange(0, 360, 45))
    ring = {
        float(i + 1): centre + np.mean(OFFSET_M) * np.array([np.sin(a), np.cos(a)])
        for i, a in enumerate(turns)
    }
    return {0.0: centre, **ring}


def _circle(runs: Sequence[Seen]) -> tuple[np.ndarray, float] | None:
    cuts = np.array([r.cut for r in exits(runs)])
    if len(cuts) < 3:
        return None
    left = np.column_stack([2 * cuts, np.ones(len(cuts))])
    found, *_ = np.linalg.lstsq(left, (cuts**2).sum(axis=1), rcond=None)
    return found[:2], float(np.sqrt(max(found[2] + found[:2] @ found[:2], 0.0)))


def circle_and_crossing(runs: Sequence[Seen]) -> dict[float, np.ndarray]:
    """The crossing of the roads, pulled into the ring in which the rule says that the home is."""
    found, cross = _circle(runs), crossing(runs)
    if found is None or not cross:
        return {}
    way = cross[0.0] - found[0]
    far = float(np.hypot(*way))
    return {0.0: found[0] + way * (np.clip(far, *OFFSET_M) / max(far, 1.0))}


def by_age(runs: Sequence[Seen]) -> dict[float, np.ndarray]:
    """Back along the road by the time since the start, at the speed seen after the cut."""
    first = runs[0]
    early = first.t_s < 300
    step = np.hypot(*np.diff(first.xy[early], axis=0).T).sum()
    speed = float(step / max(first.t_s[early][-1], 1.0))
    return {
        float(added): first.cut + first.back * speed * max(first.age_s[0] - added, 0.0)
        for added in range(0, 301, 50)
    }


def by_differences_of_age(runs: Sequence[Seen]) -> dict[float, np.ndarray]:
    """Where the roads differ in time since the start: the point whose distances differ alike."""
    mine = exits(runs)
    if len(mine) < 3:
        return {}
    centre = np.mean([r.cut for r in mine], axis=0)
    axis = np.arange(-3000, 3001, 100.0)
    gx, gy = np.meshgrid(centre[0] + axis, centre[1] + axis)
    best: dict[float, np.ndarray] = {}
    for speed in (8.0, 10.0, 12.0):
        told = np.array([r.age_s[0] for r in mine]) * speed
        away = np.array([np.hypot(gx - r.cut[0], gy - r.cut[1]) for r in mine])
        rest = away - told[:, None, None]
        spread = rest.std(axis=0)
        i = np.unravel_index(int(np.argmin(spread)), spread.shape)
        best[speed] = np.array([gx[i], gy[i]])
    return best


ATTACKS: dict[str, Callable[[Sequence[Seen]], dict[float, np.ndarray]]] = {
    "mean of the starts": mean_start,
    "straight back": walk_back,
    "straight back, mean of the roads": walk_back_all,
    "crossing of the roads": crossing,
    "circle through the cuts": circle,
    "crossing within the ring": circle_and_crossing,
    "time since the start": by_age,
    "differences of that time": by_differences_of_age,
}


@dataclass(frozen=True)
class Reached:
    """One attack on one shape of roads: share of studies within 300 m, and the middle distance."""

    shape: str
    attack: str
    hits: float
    median_m: float
    least_mean_start_m: float


def reach(shape: str, studies: int, seed: int) -> Iterator[Reached]:
    """What every attack reaches, each with the constant that does best."""
    away: dict[str, dict[float, list[float]]] = {name: {} for name in ATTACKS}
    for i in range(studies):
        rng = np.random.default_rng([seed, i])
        runs = published(SHAPES[shape](rng), rng)
        for name, attack in ATTACKS.items():
            guesses = attack(runs) if runs else {}
            for constant, guess in guesses.items():
                away[name].setdefault(constant, []).append(float(np.hypot(*guess)))
    for name, by in away.items():
        if by:
            share = {c: sum(d < HIT_M for d in far) / studies for c, far in by.items()}
            best = max(share, key=lambda c: share[c])
            yield Reached(
                shape, name, share[best], float(np.median(by[best])), min(map(min, by.values()))
            )


def published_starts(folder: Path) -> np.ndarray:
    """First positions [°] of every log of a published folder."""
    firsts = []
    for path in sorted((folder / "logs").rglob("*.csv")):
        shown = pd.read_csv(path)[["lat_deg", "lon_deg"]].dropna()
        firsts.append(shown.iloc[0].to_numpy(float))
    return np.array(firsts)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    ring = HIT_M**2 / (OFFSET_M[1] ** 2 - OFFSET_M[0] ** 2)
    print(f"a point of the ring taken blindly, the ring being known: {100 * ring:.0f} %")
    for shape in SHAPES:
        for r in reach(shape, given.studies, given.seed):
            print(f"{r.shape:20} {r.attack:34} {100 * r.hits:4.0f} %   middle {r.median_m:5.0f} m")


if __name__ == "__main__":
    main()
