"""Studies that several test modules share: made once a session by the demo generator."""

import os
from pathlib import Path

import pytest

from roadlog.demo import make_study

# Each test computes what it tests; those of kept tables name a place of their own.
os.environ["ROADLOG_CACHE"] = ""


@pytest.fixture(scope="session")
def demo_study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "study"
    make_study(folder, days=12)
    return folder


@pytest.fixture(scope="session")
def saving_study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("saving") / "study"
    make_study(folder, days=20, effect_pct=-12.0)
    return folder


@pytest.fixture(scope="session")
def study_without_positions(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plain") / "study"
    make_study(folder, days=12, positions=False)
    return folder
