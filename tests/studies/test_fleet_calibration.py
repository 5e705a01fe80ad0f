"""The fleet's calibration study runs, and counts what it says."""

import pytest

from tests.studies.fleet_calibration import CASES, CLAIMS, asked, cells_of


@pytest.mark.parametrize("design", ["within", "vehicle", "rollout"])
def test_every_fleet_is_asked_for_its_interval_and_some_for_their_words(design: str) -> None:
    tally = asked(design, CASES[1], 6, 4, 1, seed=3)
    assert tally.studies + tally.none == 4
    assert tally.worded == 1
    assert sum(tally.words.values()) == len(CLAIMS)
    assert 0 <= tally.effect <= tally.studies
    assert len(cells_of(tally)) == 6
