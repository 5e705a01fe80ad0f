"""One analysis that the tests of publishing share."""

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from roadlog.analysis.analyse import analyse
from roadlog.analysis.result import Analysed
from roadlog.demo import make_study
from roadlog.publish.cards import draw
from roadlog.publish.write import Published, publish
from roadlog.runs.table import open_study


@contextmanager
def wide_pictures_only() -> Iterator[pytest.MonkeyPatch]:
    """Every subject in one size; `test_cards` has all sizes."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(draw, "SIZES", {"wide": draw.SIZES["wide"]})
        yield patch


@pytest.fixture(scope="session")
def published(tmp_path_factory: pytest.TempPathFactory) -> Published:
    study = tmp_path_factory.mktemp("published") / "study"
    make_study(study, days=8)
    with wide_pictures_only():
        return publish(study, study.parent / "out", today=dt.date(2026, 4, 1))


@pytest.fixture(scope="session")
def analysed(demo_study: Path) -> Analysed:
    return analyse(*open_study(demo_study))
