"""An app over a folder of studies, and a browser without a screen that was let in."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from roadlog.bench.answers import ANSWERS
from roadlog.bench.app import make_app
from roadlog.bench.door import Door, host_names
from roadlog.bench.quick import Quick
from roadlog.demo import make_study

HOST = "http://127.0.0.1:8640"


@pytest.fixture(scope="session")
def small_study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench") / "collar"
    make_study(folder, days=8)
    return folder


@pytest.fixture
def door(tmp_path: Path) -> Door:
    (tmp_path / ".roadlog").mkdir()
    return Door(tmp_path / ".roadlog" / "browsers.json", host_names(8640))


@pytest.fixture
def stranger(tmp_path: Path, door: Door) -> Iterator[TestClient]:
    """A browser that has no cookie yet; the bench's folder is `tmp_path`."""
    with TestClient(make_app(tmp_path, door), base_url=HOST, follow_redirects=False) as client:
        yield client


@pytest.fixture
def browser(stranger: TestClient, door: Door) -> TestClient:
    """A browser that was let in and sends what browsers send."""
    assert stranger.get(f"/enter?key={door.key}").status_code == 303
    stranger.headers["origin"] = HOST
    stranger.follow_redirects = True
    return stranger


@pytest.fixture
def asked_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Questions answered in this process, through JSON as in the warm one, for quick tests."""

    async def ask(self: Quick, name: str, **given: Any) -> Any:
        plain = json.loads(json.dumps(given))
        return json.loads(json.dumps(ANSWERS[name](**plain), allow_nan=False, default=str))

    monkeypatch.setattr(Quick, "ask", ask)
