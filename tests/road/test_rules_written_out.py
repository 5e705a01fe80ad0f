"""The network's steps on arrays against their rules written out, on rings that chance drew."""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from roadlog.road.alignment import Points, _bias, _chains, sustained, tolerance
from roadlog.road.cells import Cells
from roadlog.road.elevation import fuse


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


@pytest.mark.parametrize(("seed", "runs"), [(0, 12), (1, 70)])
def test_runs_that_share_a_cell_are_those_whose_free_points_are_filed_there(
    seed: int, runs: int
) -> None:
    points = _points(seed, runs, laps=2 if runs == 12 else 1)
    rng = np.random.default_rng(seed)
    free, fitted = rng.random(len(points)) < 0.4, np.arange(runs) % 3 == 0
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


@pytest.mark.parametrize("over_m", [60.0, 200.0, 1000.0])
def test_an_offset_is_sustained_over_the_rows_of_its_own_chain(over_m: float) -> None:
    rng = np.random.default_rng(7)
    chain = np.repeat([4, -1, 0, 2, -1, 9], [90, 3, 1, 40, 5, 4])
    value = rng.normal(0, 9, len(chain))
    half = {60.0: 2, 200.0: 5, 1000.0: 25}[over_m]
    expected = [
        np.mean([value[j] for j in range(i - half, i + half + 1) if j in rows])
        if chain[i] >= 0
        else np.nan
        for i in range(len(chain))
        for rows in [set(np.flatnonzero(chain == chain[i]))]
    ]
    found = sustained(value, chain, over_m)
    np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-12)
    alone = sustained(value[94:134], chain[94:134], over_m)
    np.testing.assert_array_equal(found[94:134], alone)
    assert not len(sustained(value[:0], chain[:0], over_m))
    assert np.isnan(sustained(value[:3], np.full(3, -1), over_m)).all()


@pytest.mark.parametrize("seed", range(2))
def test_a_drive_is_held_to_three_of_its_own_deviations_between_the_bounds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    owner = np.repeat(np.arange(40), rng.integers(0, 30, 40))
    aside = rng.normal(0, rng.uniform(1, 9, 40)[owner])
    median = pd.Series(np.abs(aside)).groupby(owner).transform("median")
    expected = np.clip(3 * 1.4826 * median, 13.0, 16.0)
    assert expected.nunique() > 3
    np.testing.assert_array_equal(tolerance(owner, aside, (13.0, 16.0)), expected)


@pytest.mark.parametrize("seed", range(2))
def test_a_drives_bias_is_that_of_limited_offsets_written_out(seed: int) -> None:
    """By hand: a point near several lines speaks for the nearest, where there are few others."""
    rng = np.random.default_rng(seed)
    n, runs = 900, 8
    point = np.sort(rng.integers(0, 700, n))
    owner = point // 100
    point[owner < 4] = np.arange((owner < 4).sum())  # these are near one line only
    point[owner >= 4] += 1000
    order = rng.permutation(n)
    point, owner = point[order], owner[order]
    turn, offset = rng.uniform(-np.pi, np.pi, n), rng.normal(3, 9, n)
    nx, ny = np.cos(turn), np.sin(turn)
    found = _bias(owner, runs, point, offset, nx, ny)
    for run in range(runs):
        mine = np.flatnonzero(owner == run)
        alone = [i for i in mine if (point == point[i]).sum() == 1]
        nearest = [i for i in mine if abs(offset[i]) == np.abs(offset[point == point[i]]).min()]
        used = alone if len(alone) >= 50 else nearest
        a, b = np.column_stack([nx, ny])[used], np.zeros(2)
        for limit in (15, 15, 8, 8, 8):
            fit = a @ b
            target = fit + np.clip(offset[used] - fit, -limit, limit)
            b = np.linalg.solve(a.T @ a + 20 * np.eye(2), a.T @ target)
        b *= min(1.0, 20 / max(float(np.hypot(*b)), 1e-9))
        np.testing.assert_allclose([found[0][run], found[1][run]], b, rtol=1e-9, atol=1e-12)


def test_a_profile_is_that_of_limited_means_written_out() -> None:
    rng = np.random.default_rng(3)
    place, drive = rng.integers(0, 60, 2000), rng.integers(0, 9, 2000)
    z = 20 * np.sin(place / 9) + rng.uniform(-6, 6, 9)[drive] + rng.normal(0, 4, 2000)
    frame = pd.DataFrame({"place": place, "drive": drive, "z": z})
    level = pd.Series(0.0, range(9))
    profile = frame.groupby("place")["z"].mean()
    for step in range(20):
        limit = np.inf if step < 9 else 4.0
        own, rest = frame["drive"].map(level), frame["z"] - frame["place"].map(profile)
        level = (own + (rest - own).clip(-limit, limit)).groupby(frame["drive"]).mean()
        rest = frame["z"] - frame["place"].map(profile) - frame["drive"].map(level)
        profile += rest.clip(-limit, limit).groupby(frame["place"]).mean()
    found, drives = fuse(place, drive, z, 60)
    np.testing.assert_allclose(found, profile + level.median(), rtol=1e-9)
    np.testing.assert_array_equal(drives, frame.groupby("place")["drive"].nunique())
