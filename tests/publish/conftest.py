"""One analysis that the tests of publishing share."""

from pathlib import Path

import pytest

from roadlog.analysis.analyse import analyse
from roadlog.analysis.result import Analysed
from roadlog.runs.table import open_study


@pytest.fixture(scope="session")
def analysed(demo_study: Path) -> Analysed:
    return analyse(*open_study(demo_study))
