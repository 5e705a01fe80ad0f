"""The schedules that chance could have drawn, counted; what they say: test_unit_randomisation."""

import numpy as np
import pytest

from roadlog.stats.randomise import assignments


def test_twelve_days_in_pairs_have_64_schedules() -> None:
    drawn = assignments([0, 1] * 6, [f"b{i // 2}" for i in range(12)], np.random.default_rng(0))
    assert (drawn.total, drawn.exact, len(drawn.arms)) == (64, True, 64)
    assert len(np.unique(drawn.arms, axis=0)) == 64
    assert (drawn.arms[0] == [0, 1] * 6).all()
    assert (drawn.arms.reshape(64, 6, 2).sum(axis=2) == 1).all()


@pytest.mark.parametrize(
    ("arms", "blocks", "total"),
    [
        ([0, 0, 0, 1, 1, 1], None, 20),
        ([0, 1, 0, 1, 1, 0, 0], None, 35),
        ([0, 0, 1, 1, 0, 1, 1, 0], list("aaaabbbb"), 36),
        ([0, 1, 0, 1, 1], list("aabbc"), 4),
        ([0, 1, 1], list("aab"), 2),
    ],
)
def test_schedules_keep_each_blocks_number_of_fitted_days(
    arms: list[int], blocks: list[str] | None, total: int
) -> None:
    drawn = assignments(arms, blocks, np.random.default_rng(0))
    assert drawn.total == total == len(np.unique(drawn.arms, axis=0))


def test_many_schedules_are_drawn_within_blocks() -> None:
    arms = np.tile([0, 1], 10)
    drawn = assignments(arms, [f"b{i // 4}" for i in range(20)], np.random.default_rng(0),
                        exact_limit=100, draws=3000)  # fmt: skip
    assert (drawn.total, drawn.exact, len(drawn.arms)) == (6**5, False, 3001)
    assert (drawn.arms.reshape(3001, 5, 4).sum(axis=2) == 2).all()
    assert drawn.arms[1:].mean(axis=0) == pytest.approx(0.5, abs=0.05)
