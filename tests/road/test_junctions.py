"""Lines carried on to where they meet, from runs that part there."""

import numpy as np
import pytest

from roadlog.road.alignment import Points, make_line
from roadlog.road.junctions import joined_up
from roadlog.road.trace import STEP_M

FITTED = np.array([False, True] * 6)
TURN_OFF = [3, 2, 7, 8, 10, 11]  # three runs of each arm


def drives(length_m: float = 3000.0, begin_m: tuple[float, ...] = (0.0,) * 12) -> Points:
    """Twelve runs east; six leave at 1,000 m for a road that lies 30 m north from 1,080 m on."""
    rng = np.random.default_rng(5)
    parts = []
    for run in range(12):
        d = np.arange(begin_m[run], length_m, STEP_M)
        y = np.interp(d, [1000, 1080], [0, 30]) if run in TURN_OFF else np.zeros(len(d))
        heading = np.gradient(np.column_stack([d, y]), axis=0)
        heading /= np.hypot(*heading.T)[:, None]
        bias = rng.normal(0, 4, 2)
        error = rng.normal(0, 3, (len(d), 2)) + bias
        x = d + error[:, 0]
        parts.append(
            (np.full(len(d), run), d, x, y + error[:, 1], *heading.T, np.ones(len(d), bool))
        )
    return Points(*(np.concatenate(c) for c in zip(*parts, strict=True)))


def test_branch_found_late_is_drawn_back_to_the_fork() -> None:
    main = make_line(np.array([0.0, 2980.0]), np.zeros(2))
    late = make_line(np.array([1200.0, 2980.0]), np.array([33.0, 33.0]))
    straight, branch = joined_up(drives(), [main, late], FITTED, 2)
    assert branch.x_m[0] == pytest.approx(1000, abs=30)
    assert np.interp(branch.x_m[0], straight.x_m, straight.y_m) == pytest.approx(
        branch.y_m[0], abs=1
    )
    assert np.interp(1040, branch.x_m, branch.y_m) == pytest.approx(15, abs=4)


def test_lines_lose_the_mean_bias_of_the_few_runs_that_drew_them() -> None:
    main = make_line(np.array([0.0, 2980.0]), np.zeros(2))
    late = make_line(np.array([1200.0, 2980.0]), np.array([36.0, 36.0]))
    straight, branch = joined_up(drives(), [main, late], FITTED, 2)
    inner = branch.x_m > 1300
    between = branch.y_m[inner] - np.interp(branch.x_m[inner], straight.x_m, straight.y_m)
    assert np.abs(between - 30).mean() < 1.5


def test_line_goes_on_as_far_as_enough_runs_of_both_arms() -> None:
    begin = tuple(float(b) for b in (0, 0, 60, 60, 100, 100, 160, 160, 200, 200, 240, 240))
    short = make_line(np.array([500.0, 900.0]), np.zeros(2))
    (line,) = joined_up(drives(1000.0, begin), [short], FITTED, 3)
    # the third run of each arm begins at 100 m; all end at 980 m
    assert line.x_m[0] == pytest.approx(100, abs=20)
    assert line.x_m[-1] == pytest.approx(980, abs=20)
