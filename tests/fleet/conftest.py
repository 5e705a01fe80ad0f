"""Fleets that the tests share: made once a session."""

from collections.abc import Callable
from pathlib import Path

import pytest

from roadlog.fleet.pipeline import Tables
from tests.fleet.of_logs import tables_of, write_fleet


@pytest.fixture(scope="session")
def small_fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three cars, eight days; only read."""
    return write_fleet(tmp_path_factory.mktemp("fleet") / "three")


@pytest.fixture
def fleet_maker(tmp_path: Path) -> Callable[..., Path]:
    """A fleet of one's own, to spoil."""
    return lambda **how: write_fleet(tmp_path / "own", **how)


@pytest.fixture(scope="session")
def made(small_fleet: Path, tmp_path_factory: pytest.TempPathFactory) -> Tables:
    """The tables of the small fleet, made one task after the other; only read."""
    return tables_of(small_fleet, tmp_path_factory.mktemp("made"))
