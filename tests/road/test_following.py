"""One run placed on lines that meet, part and lie side by side."""

import numpy as np
import pytest

from roadlog.road.alignment import Line, Points, approach, make_line
from roadlog.road.trace import STEP_M
from roadlog.road.viterbi import _chains_of, _is_steady, _likeliest, _steady, follow

START_M = -2000.0
MAIN = make_line(np.array([START_M, 3000.0]), np.zeros(2))
# leaves the main road at 1,000 m, runs 30 m beside it from 1,080 m to 2,000 m, and goes on so
BRANCH = make_line(np.array([1000.0, 1080.0, 2500.0]), np.array([0.0, 30.0, 30.0]))


def driven(aside_m: np.ndarray) -> Points:
    """A run eastward with a point each step, `aside_m` north of the main road."""
    d = np.arange(len(aside_m)) * STEP_M
    x = START_M + d
    heading = np.gradient(np.column_stack([x, aside_m]), axis=0)
    heading /= np.hypot(*heading.T)[:, None]
    n = len(d)
    return Points(np.zeros(n, np.int64), d, x, aside_m, *heading.T, np.ones(n, bool))


def placed(points: Points, *lines: Line) -> list[tuple[int, float, float]]:
    """Pieces as line, and first and last place eastward."""
    rows = approach(points, lines)
    (pieces,) = follow(rows, lines, np.array([0, len(points)]))
    return [(line, float(points.x_m[at[0]]), float(points.x_m[at[-1]])) for line, at, _ in pieces]


def noise(n: int, seed: int) -> np.ndarray:
    """Receiver error [m]: a bias, and an error that lasts for some 100 m."""
    rng = np.random.default_rng(seed)
    return 3 + np.convolve(rng.normal(0, 6, n + 4), np.full(5, 1 / np.sqrt(5)), "valid")


def on_branch(n: int) -> np.ndarray:
    return np.interp(START_M + np.arange(n) * STEP_M, BRANCH.x_m, BRANCH.y_m)


@pytest.mark.parametrize("seed", range(8))
def test_run_changes_to_its_branch_where_the_lines_part(seed: int) -> None:
    aside = on_branch(220) + noise(220, seed)
    (first, begin, change), (second, after, end) = placed(driven(aside), MAIN, BRANCH)
    assert (first, second) == (0, 1)
    assert begin == START_M
    assert after == change + STEP_M
    assert end == START_M + 219 * STEP_M
    # the lines lie 11 m apart at 1,030 m
    assert 970 <= change <= 1040


@pytest.mark.parametrize("seed", range(8))
def test_noise_does_not_take_a_run_to_the_road_beside_it(seed: int) -> None:
    aside = noise(240, seed)
    aside[170:175] += 20  # for 100 m it is nearer to the branch
    assert placed(driven(aside), MAIN, BRANCH) == [(0, START_M, START_M + 239 * STEP_M)]


def test_road_beside_the_only_line_is_on_no_line() -> None:
    aside = on_branch(200) + noise(200, 3)
    (line, begin, end), *more = placed(driven(aside), MAIN)
    assert line == 0
    assert begin <= START_M + 100
    assert 1000 <= end <= 1120
    assert not more


def test_run_far_from_every_line_is_placed_nowhere() -> None:
    assert placed(driven(np.full(50, 400.0)), MAIN, BRANCH) == []


def test_run_that_leaves_its_only_line_and_comes_back_is_on_it_in_two_pieces() -> None:
    aside = np.zeros(240)
    aside[80:140] = 15.0  # so little that staying on the line costs hardly more than leaving it
    pieces = placed(driven(aside), MAIN)
    assert [line for line, _, _ in pieces] == [0, 0]
    (_, begin, leaves), (_, returns, end) = pieces
    assert (begin, end) == (START_M, START_M + 239 * STEP_M)
    assert leaves == pytest.approx(START_M + 80 * STEP_M, abs=60)
    assert returns == pytest.approx(START_M + 140 * STEP_M, abs=60)


def test_a_run_that_is_never_near_two_lines_is_told_as_by_the_search() -> None:
    """Lines one after another, some too short to be worth a change, and a part without fixes."""
    told: list[int] = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        n, ends = int(rng.integers(5, 230)), np.cumsum([500, 60, rng.integers(80, 260), 60])
        edges = [(START_M, ends[0]), (ends[1], ends[2]), (ends[3], 3000.0)]
        lines = [make_line(np.array(e, float), np.zeros(2)) for e in edges]
        points = driven(noise(n, seed) * rng.choice([0.3, 1.0]))
        points.seen[rng.integers(n) : rng.integers(n)] = False
        chains = [c for _, c in _chains_of(approach(points, lines))]
        chains.sort(key=lambda c: c.first)
        if not _is_steady(chains):
            continue
        found, expected = _steady(chains, n), _likeliest(chains, lines, 0, n)
        told += [len(chains) - len(found)]
        assert [p[0] for p in found] == [p[0] for p in expected]
        for one, two in zip(found, expected, strict=True):
            np.testing.assert_array_equal(one[1], two[1])
            np.testing.assert_array_equal(one[2], two[2])
    assert len(told) > 15
    assert sum(told) > 3


def test_runs_together_are_followed_as_each_alone() -> None:
    runs = [driven(on_branch(220) + noise(220, seed)) for seed in range(3)]
    runs.insert(1, driven(np.full(50, 400.0)))
    sizes = [len(r) for r in runs]
    owner = np.repeat(np.arange(4), sizes)
    names = ("d_m", "x_m", "y_m", "hx", "hy", "seen")
    every = Points(owner, *(np.concatenate([getattr(r, n) for r in runs]) for n in names))
    first, lines = np.cumsum([0, *sizes]), [MAIN, BRANCH]
    together = follow(approach(every, lines), lines, first)
    for k, run in enumerate(runs):
        (alone,) = follow(approach(run, lines), lines, np.array([0, len(run)]))
        assert len(alone) == len(together[k]) == (0 if k == 1 else 2)
        for one, two in zip(together[k], alone, strict=True):
            assert one[0] == two[0]
            np.testing.assert_array_equal(one[1] - first[k], two[1])
            np.testing.assert_array_equal(one[2], two[2])


def test_where_lines_lie_on_one_another_a_run_is_on_one_of_them() -> None:
    lines = [make_line(np.array(e), np.zeros(2)) for e in ((START_M, 600.0), (400.0, 3000.0))]
    points = driven(noise(200, 1) * 0.3)
    pieces = follow(approach(points, lines), lines, np.array([0, 200]))[0]
    assert [line for line, _, _ in pieces] == [0, 1]
    np.testing.assert_array_equal(np.concatenate([at for _, at, _ in pieces]), np.arange(200))
