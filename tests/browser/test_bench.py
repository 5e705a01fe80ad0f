"""The bench in a real browser: let in, analyse, reload, a killed worker, two tabs, a restart."""

import json
import os
import shutil
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser.app import App, Window
from tests.browser.screen import OF_COLOUR, OF_WIDTH, WAIT_S, Screen

pytestmark = pytest.mark.skipif(os.name != "posix", reason="kills a process by its number")


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory, eight_days: Path) -> Iterator[App]:
    home = tmp_path_factory.mktemp("bench") / "home"
    shutil.copytree(eight_days, home / "collar")
    (home / "back").mkdir()
    (home / "back" / "study.toml").write_text(THERE_AND_BACK)
    running = App(home)
    yield running
    running.end()


@pytest.fixture(scope="module")
def inside(browser: Any, app: App) -> Iterator[Any]:
    """A browser's window that was let in by the key."""
    context = browser.new_context()
    context.set_default_timeout(WAIT_S * 1000)
    page = context.new_page()
    page.goto(app.address)
    yield context
    context.close()


def worker(app: App) -> int:
    """The number of the process that works."""
    until = time.monotonic() + WAIT_S
    while True:
        for alive in sorted((app.home / ".roadlog" / "jobs").glob("*/alive"), reverse=True):
            events = alive.parent / "events.jsonl"
            told = events.read_text() if events.is_file() else ""
            if alive.read_text() and '"progress"' in told and '"end"' not in told:
                return int(alive.read_text())
        assert time.monotonic() < until
        time.sleep(0.02)


def test_the_whole_analysis_with_a_reload_a_kill_two_tabs_and_a_restart(
    app: App, inside: Any
) -> None:
    first, second = Screen(inside.new_page()), Screen(inside.new_page())
    first.page.goto(app.origin)
    first.page.get_by_role("link", name="collar").click()
    first.page.get_by_role("link", name="Result").click()
    logs = sorted((p.name, p.read_bytes()) for p in (app.home / "collar" / "logs").iterdir())

    first.page.get_by_role("button", name="Analyse").click()
    pid = worker(app)
    first.page.reload()
    assert first.page.locator("[data-job]").count() == 1
    os.kill(pid, signal.SIGKILL)
    first.page.get_by_text("ended without a word").wait_for()
    said = first.page.locator(".work .problem").inner_text()
    assert Path(said.split(" is in ")[1].rstrip(".")).is_file()
    assert logs == sorted(
        (p.name, p.read_bytes()) for p in (app.home / "collar" / "logs").iterdir()
    )

    first.page.get_by_role("button", name="Analyse").click()
    second.page.goto(first.page.url)
    jobs = {s.page.locator("[data-job]").get_attribute("data-job") for s in (first, second)}
    assert len(jobs) == 1, "a second tab follows the same work"
    app.end()
    app.start()
    for tab in (first, second):
        tab.page.get_by_text("ruled out").first.wait_for()
    assert json.loads((app.home / "collar" / "results" / "results.json").read_text())["answer"]
    assert "ruled out" in first.page.locator("#answer").inner_text()


AWAKE = "body:not(:has([data-wake]))"
PAGES = ("", "/new", "/study/collar", "/study/collar/result", "/study/collar/trials",
         "/study/collar/publish", "/nowhere",
         pytest.param("/study/back/plan", marks=pytest.mark.slow))  # fmt: skip
THERE_AND_BACK = """name = "there and back"
[device]
acts_on = "other"
carry_over = "washes out"
washout_km = 40
[claim]
fuel_pct = 5
[plan]
order = "there-and-back"
days = 20
[control]
name = "the other hatchback"
"""


@pytest.mark.parametrize("path", PAGES)
def test_nothing_grave_is_found_and_nothing_scrolls_sideways(
    path: str, app: App, inside: Any
) -> None:
    page = inside.new_page()
    screen = Screen(page)
    page.goto(app.origin + path)
    page.locator(AWAKE).wait_for()
    page.evaluate("document.querySelectorAll('iframe').forEach(f => f.remove())")
    found = []
    for width, dark, rules in (
        (390, False, ()), (390, True, OF_COLOUR), (1280, False, OF_WIDTH), (1280, True, OF_COLOUR),
        (360, False, ("target-size",)), (2560, False, ("target-size",)),
    ):  # fmt: skip
        screen.look(width, dark=dark)
        found += [f"{width} {dark}: {fault}" for fault in screen.faults(rules)]
        if beyond := screen.sideways_px():
            found.append(f"{width}: the page scrolls {beyond} px to the side")
        used = page.evaluate("document.querySelector('main').clientWidth")
        if used < min(width, 1440) / 2:
            found.append(f"{width}: all stands in {used} px")
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    if beyond := screen.sideways_px():
        found.append(f"200 %: the page scrolls {beyond} px to the side")
    page.close()
    assert not found, "\n".join(found)


def test_a_page_of_the_study_has_no_rights_of_the_bench(app: App, inside: Any) -> None:
    results = app.home / "collar" / "results"
    results.mkdir(exist_ok=True)
    kept = results / "report.html"
    before = kept.read_bytes() if kept.is_file() else None
    kept.write_text(
        "<body><script>try{document.body.title=parent.document.title}"
        "catch(e){document.body.title='shut'}"
        "fetch('/').then(()=>document.body.lang='out',()=>document.body.lang='held')</script>"
    )
    page = inside.new_page()
    page.goto(f"{app.origin}/study/collar/file/results/report.html")
    body = page.locator("body[lang]")
    body.wait_for()
    assert body.get_attribute("lang") == "held"
    page.close()
    kept.unlink()
    if before is not None:
        kept.write_bytes(before)


def test_the_keyboard_alone_reaches_the_main_button(app: App, inside: Any) -> None:
    page = inside.new_page()
    page.goto(f"{app.origin}/study/collar/result")
    page.locator(AWAKE).wait_for()
    seen = []
    for _ in range(40):
        page.keyboard.press("Tab")
        seen.append(page.evaluate("document.activeElement.textContent.trim().slice(0, 40)"))
        if seen[-1].startswith("Analyse"):
            break
    assert seen[0] == "To the content"
    assert seen[-1].startswith("Analyse")
    page.close()


BATCH = '[name="n:fuel batch"]'


def test_two_tabs_that_write_the_same_day_lose_nothing(app: App, inside: Any) -> None:
    notes = app.home / "collar" / "notes.csv"
    day = notes.read_text().splitlines()[1].split(",")[0]
    tabs = [Window(inside, app) for _ in range(2)]
    for tab in tabs:
        tab.go(f"/study/collar/today?date={day}")
    for tab, typed in zip(tabs, ("first hand", "second hand"), strict=True):
        tab.page.locator(BATCH).fill(typed)
        tab.press("Write the notes")
    second = tabs[1].page
    assert "noted meanwhile as" in second.locator("body").inner_text()
    assert second.locator(BATCH).input_value() == "second hand"
    kept = notes.read_text()
    assert "first hand" in kept
    assert "second hand" not in kept
    tabs[1].press("Write the notes")
    assert "second hand" in notes.read_text()
    assert not [said for tab in tabs for said in tab.said if "policy" in said]
    for tab in tabs:
        tab.page.close()


def test_a_browser_that_was_closed_comes_back_without_the_key(
    app: App, inside: Any, browser: Any
) -> None:
    kept = inside.storage_state()
    (cookie,) = (c for c in kept["cookies"] if c["name"] == "roadlog_bench")
    assert cookie["expires"] > time.time() + 86_400, "a cookie of one sitting ends with it"
    opened_anew = browser.new_context(storage_state=kept)
    page = opened_anew.new_page()
    answer = page.goto(f"{app.origin}/study/collar")
    assert answer is not None
    assert answer.status == 200
    opened_anew.close()


@pytest.mark.parametrize(
    "path",
    [
        "/study/..%2f..%2fetc", "/study/%2e%2e/file/study.toml", "/static/..%2fdoor.py",
        "/study/collar/file/..%2f..%2f.roadlog%2fbrowsers.json", "/static/%2e%2e%2fdoor.py",
        "/study/collar/file/%2fetc%2fpasswd", "/study/collar/file/results/..%2fstudy.toml%00.html",
        "/study/collar/file/logs", "/.roadlog/browsers.json", "/study/co%00llar",
        "/study/" + "x" * 300, "/study/collar/file/results/" + "x" * 300, "/static/%00.css",
        "/study/collar/../../etc/passwd",
    ],
)  # fmt: skip
def test_no_address_leads_out_of_what_is_shown(path: str, app: App, inside: Any) -> None:
    told = inside.request.get(app.origin + path)
    assert told.status in (400, 403, 404, 405)
    text = told.text()
    assert "root:" not in text
    assert "import " not in text
    assert "name = " not in text
