"""The network's steps on arrays against their rules written out, on rings that chance drew."""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from roadlog.road.alignment import Points, _chains, _gate
from roadlog.road.cells import Cells


def _points(seed: int, runs: int = 12, laps: int = 2) -> Points:
    """Runs round a bent ring, some twice, with gaps without fixes."""
    rng = np.random.default_rng(seed)
    parts = []
    for run in range(runs):
        n = int(rng.integers(100, 190 * laps))
        d = 20.0 * np.arange(n) + np.round(rng.uniform(0, 4000))
        turn = 2 * np.pi * d / 3800
        x, y = 600 * np.cos(turn), 500 * np.sin(2 * turn) + rng.normal(0, 12, n)
        hx, hy = -600 * np.sin(turn), 1000 * np.cos(2 * turn)
        length = np.hypot(hx, hy)
        seen = np.ones(n, bool)
        seen[int(rng.integers(n)) :][: int(rng.integers(1, 40))] = False
        parts.append((np.full(n, run), d, x, y, hx / length, hy / length, seen))
    return Points(*(np.concatenate(c) for c in zip(*parts, strict=True)))


@pytest.mark.parametrize("seed", range(2))
def test_runs_that_share_a_cell_are_those_whose_free_points_are_filed_there(seed: int) -> None:
    points = _points(seed)
    rng = np.random.default_rng(seed)
    free, fitted = rng.random(len(points)) < 0.4, np.arange(12) % 3 == 0
    filed: dict[tuple[int, ...], set[int]] = {}
    sector = np.arctan2(points.hy, points.hx) / (np.pi / 4)
    place = np.array([points.x_m / 40 - 0.5, points.y_m / 40 - 0.5, sector])
    for i, j, k in np.ndindex(2, 2, 2):
        for p in np.flatnonzero(free):
            a, b, c = (np.floor(place[:, p]) + np.array([i, j, k])).astype(int).tolist()
            filed.setdefault((a, b, c % 8), set()).add(int(points.owner[p]))
    expected = []
    for p in range(len(points)):
        a, b = (int(np.floor(c[p] / 40)) for c in (points.x_m, points.y_m))
        arms = [bool(fitted[r]) for r in filed.get((a, b, int(np.round(sector[p])) % 8), ())]
        expected.append(min(sum(arms), len(arms) - sum(arms)))
    assert max(expected) >= 3
    np.testing.assert_array_equal(Cells(points).support(free, fitted), expected)


@pytest.mark.parametrize("seed", range(2))
def test_a_run_stays_on_a_line_by_the_rule_written_out(seed: int) -> None:
    points, rng = _points(seed), np.random.default_rng(seed)
    point = np.flatnonzero(points.seen & (rng.random(len(points)) < 0.9))
    s = points.d_m[point] % 3800 + rng.normal(0, 12, len(point))
    use = np.flatnonzero(rng.random(len(point)) < 0.9)
    found = _chains(points, np.zeros_like(point), point, s, use)
    expected = np.full(len(point), -1)
    seen = np.cumsum(points.seen)
    for _ in range(2):
        chains: list[list[int]] = []
        for a, b in pairwise([-1, *use.tolist()]):
            p, q = point[a], point[b]
            dd, ds = points.d_m[q] - points.d_m[p], s[b] - s[a]
            aside, far = 20 * (b - a - 1), 20 * (seen[q] - seen[p] - (b - a))
            goes_on = points.owner[p] == points.owner[q] and 0.8 * dd - 45 < ds < 1.25 * dd + 45
            glitch = far <= 300 and abs(ds - dd) <= 30 + 0.05 * dd
            near = aside <= 120 and (far <= 120 or glitch) and dd <= 1500
            if a >= 0 and goes_on and near:
                chains[-1].append(b)
            else:
                chains.append([b])
        expected[:] = -1
        for number, c in enumerate(chains):
            driven = points.d_m[point[c[-1]]] - points.d_m[point[c[0]]]
            if driven >= 60 and s[c[-1]] - s[c[0]] > 0.75 * driven:
                expected[c] = number
        use = np.flatnonzero(expected >= 0)
    assert expected.max() > 10
    np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize("seed", range(2))
def test_a_drive_is_held_to_three_of_its_own_deviations_between_the_bounds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    owner = np.repeat(np.arange(40), rng.integers(0, 30, 40))
    aside = rng.normal(0, rng.uniform(1, 9, 40)[owner])
    median = pd.Series(np.abs(aside)).groupby(owner).transform("median")
    expected = np.clip(3 * 1.4826 * median, 13.0, 16.0)
    assert expected.nunique() > 3
    np.testing.assert_array_equal(_gate(owner, aside, (13.0, 16.0)), expected)
