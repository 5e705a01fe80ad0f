"""One Chromium for all tests of pages: Debian's own, or none and the tests are skipped.

A test asks for `screen` and opens files; the pages that roadlog writes come from `written`.
"""

import datetime as dt
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from roadlog.demo import make_study
from tests.browser.app import App, Window
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


@pytest.fixture
def opened(browser: Any) -> Iterator[Callable[..., Window]]:
    """Folder and options -> `roadlog open` on it, with a window that was let in."""
    running: list[tuple[App, Any]] = []

    def open_(home: Path, *options: str, **look: Any) -> Window:
        app = App(home, *options)
        context = browser.new_context(locale="en-GB", **look)
        running.append((app, context))
        window = Window(context, app)
        window.page.goto(app.address)
        return window

    yield open_
    for app, context in running:
        context.close()
        app.end()


@pytest.fixture(scope="session")
def eight_days(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A synthetic study of eight days in the past, with a drive a day."""
    today = dt.date.today()
    folder = tmp_path_factory.mktemp("eight") / "study"
    monday = today - dt.timedelta(days=today.weekday() + 14)
    make_study(folder, days=8, runs_per_day=1, start_date=monday)
    return folder
