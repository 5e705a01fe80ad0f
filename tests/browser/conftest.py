"""One Chromium for all tests of pages: Debian's own, or none and the tests are skipped.

A test asks for `screen` and opens files; the pages that roadlog writes come from `written`.
"""

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser.pages import PAGES, Sources
from tests.browser.screen import Screen
from tests.report.conftest import analysed, change, variants

__all__ = ["analysed", "change", "variants"]  # fixtures of the report's tests, here too

PROGRAMS = ("chromium", "chromium-browser")
SWITCHES = [
    "--no-sandbox",
    "--disable-gpu",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
]


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Chromium, started once a worker, without a network."""
    playwright = pytest.importorskip("playwright.sync_api")
    program = next(filter(None, map(shutil.which, PROGRAMS)), None)
    if program is None:
        pytest.skip("no Chromium on this machine: apt-get install chromium")
    with playwright.sync_playwright() as started:
        running = started.chromium.launch(executable_path=program, args=SWITCHES)
        yield running
        running.close()


@pytest.fixture
def screen(browser: Any) -> Iterator[Screen]:
    """A page to open files in; it is closed after the test."""
    context = browser.new_context(offline=True, reduced_motion="no-preference")
    yield Screen(context.new_page())
    context.close()


@pytest.fixture(scope="session")
def sources(request: pytest.FixtureRequest) -> Sources:
    """What pages are made of: an invented analysis and, when a page asks, the demo study."""
    return Sources(
        analysed=request.getfixturevalue("analysed"),
        study=lambda: request.getfixturevalue("demo_study"),
    )


@pytest.fixture(scope="session")
def written(sources: Sources, tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """Name of a page in `PAGES` -> its file, written once."""
    folder = tmp_path_factory.mktemp("pages")

    def write(name: str) -> Path:
        path = folder / f"{name}.html"
        if not path.exists():
            path.write_text(PAGES[name](sources), encoding="utf-8")
        return path

    return write
