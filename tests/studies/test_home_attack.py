"""A few studies of the attack on published homes; the whole of it stands in docs/privacy.md."""

import numpy as np

from tests.studies.home_attack import ATTACKS, SHAPES, mean_start, published, reach


def test_the_mean_of_twelve_starts_is_never_within_300_m_of_home() -> None:
    for i, shape in enumerate(SHAPES.values()):
        rng = np.random.default_rng([7, i])
        runs = published(shape(rng), rng)
        assert np.hypot(*mean_start(runs)[0.0]) > 300


def test_no_attack_finds_most_homes_at_the_end_of_four_roads() -> None:
    found = {r.attack: r for r in reach("four country roads", 4, 5)}
    assert set(found) == set(ATTACKS)
    assert found["mean of the starts"].hits == 0
    assert found["crossing of the roads"].hits <= 0.5
    assert found["circle through the cuts"].median_m > 300
