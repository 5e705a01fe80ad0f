"""Files and folders dropped on the page of logs: named in one sentence each or summed up.

The drops are real ones (DevTools), but for names that no disk takes: those come by an event made in
the page.
"""

import os
import random
import re
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser.app import App, Window

pytestmark = pytest.mark.skipif(os.name != "posix", reason="reads a process's memory from /proc")
LEAST_LAG = """() => { window.lag = 0; let last = performance.now(); (function look() {
  const now = performance.now(); lag = Math.max(lag, now - last); last = now;
  setTimeout(look, 20); })(); }"""
SLOW_MS = 100
SOME_OF = re.compile(r"\b([5-9]|[1-9]\d) / \d")  # a busy machine doesn't see each number
HOSTILE = [
    "../../../etc/cron.csv", "a\0b.csv", "é" * 300 + ".csv", "\u202egnp.csv", "-rf.csv", "CON.csv",
    "<img src=x onerror=window.xss=1>.csv", "Twin.csv", "tWIN.csv", "...", "C:\\boot.csv", " .csv",
]  # fmt: skip


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[App]:
    """One app for all: what answers its pages takes seconds to start."""
    app = App(tmp_path_factory.mktemp("drop") / "home")
    yield app
    app.end()


@pytest.fixture(scope="module")
def inside(browser: Any, running: App) -> Iterator[Any]:
    """A browser that was let in."""
    context = browser.new_context()
    context.new_page().goto(running.address)
    yield context
    context.close()


@pytest.fixture
def w(running: App, inside: Any, eight_days: Path, request: pytest.FixtureRequest) -> Window:
    """The page of logs of a study of the test's own, without any."""
    name = request.node.name.split("[")[0][-30:]
    only = shutil.ignore_patterns("*.csv")
    shutil.copytree(eight_days, running.home / name, ignore=only)
    window = Window(inside, running)
    window.study = name
    window.go(f"/study/{name}/logs")
    window.page.locator("#send").wait_for()
    window.page.evaluate(LEAST_LAG)
    return window


def inbox(w: Window) -> dict[str, bytes]:
    place = w.app.home / w.study / ".roadlog" / "inbox"
    return {p.name: p.read_bytes() for p in place.iterdir()} if place.is_dir() else {}


def piled(folder: Path, names: list[str]) -> Path:
    """A folder of small files, each with its own content."""
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"time,speed\n{name}\n")
    return folder


def at_most_at_once(w: Window) -> list[int]:
    """How many files are on their way, told at each that begins."""
    going, told = set[Any](), list[int]()
    w.page.on(
        "request", lambda r: (going.add(r), told.append(len(going))) if r.method == "PUT" else 0
    )
    for end in ("requestfinished", "requestfailed"):
        w.page.on(end, lambda r: going.discard(r))
    return told


def slowly(w: Window) -> None:
    """Each request takes longer, so that there is a middle to act in."""
    w.wire = w.context.new_cdp_session(w.page)  # kept: it slows as long as it lives
    w.wire.send("Network.enable")
    w.wire.send(
        "Network.emulateNetworkConditions",
        {"offline": False, "latency": SLOW_MS, "downloadThroughput": -1, "uploadThroughput": -1},
    )


def test_ten_thousand_files_in_folders_leave_the_page_usable(w: Window, tmp_path: Path) -> None:
    kinds = ["jpg", "mp4", "PDF", "docx", "db"]
    others = [f"d{i % 40}/e{i % 7}/{i}.{kinds[i % 5]}" for i in range(9_960)]
    logs = [f"d{i % 3}/run{i % 15}.csv" for i in range(15)]
    hidden = [f"d{i}/.DS_Store" for i in range(25)]
    folder = piled(tmp_path / "card", others + logs + hidden)
    told = at_most_at_once(w)
    w.drop(folder)
    w.page.get_by_text("15 of 15 files are here.").wait_for()
    said = w.page.locator(".arrivals .problem").all_inner_texts()
    assert said[0].startswith("9985 files weren't sent")
    assert "1992 × .jpg" in said[0]
    assert len(said) == 1
    assert sorted(inbox(w)) == sorted({Path(p).name for p in logs})
    assert max(told) <= 2  # the next may be told before the end of the last
    assert len(told) == 15
    assert w.page.evaluate("lag") < 400
    assert w.app.peak_mb() < 300
    with w.page.expect_navigation():
        w.page.get_by_role("button", name="Look at them").first.click()
    w.settled()
    assert w.page.locator(".files > li").count() == 15
    assert w.said == []


@pytest.mark.slow
def test_ten_thousand_logs_are_too_many_and_none_is_sent(w: Window, tmp_path: Path) -> None:
    told = at_most_at_once(w)
    w.drop(piled(tmp_path / "card", [f"{i % 50}/{i}.csv" for i in range(10_000)]))
    w.page.get_by_text("Those are 10000 files, and at most 500 can wait").wait_for()
    assert told == []
    assert inbox(w) == {}
    assert w.page.evaluate("lag") < 400


def test_sending_can_be_stopped_and_what_is_here_is_whole(w: Window, tmp_path: Path) -> None:
    names = [f"{i:03d}.csv" for i in range(100)]
    folder = piled(tmp_path / "card", names)
    slowly(w)
    w.drop(folder)
    w.page.get_by_text(SOME_OF).first.wait_for()
    w.page.get_by_role("button", name="Stop sending").click()
    said = w.page.get_by_text("Stopped:")
    said.wait_for()
    here = inbox(w)
    assert said.inner_text().startswith(f"Stopped: {len(here)} of 100")
    assert 5 <= len(here) < 100
    assert all(here[n] == (folder / n).read_bytes() for n in here)
    w.drop(*(folder / n for n in names if n not in here))
    w.settled()
    w.page.get_by_text("100 files wait").wait_for()
    assert sorted(inbox(w)) == names


def test_a_reload_in_the_middle_is_asked_about_and_loses_nothing(w: Window, tmp_path: Path) -> None:
    folder = piled(tmp_path / "card", [f"{i:03d}.csv" for i in range(80)])
    asked = []
    w.page.on("dialog", lambda d: (asked.append(d.type), d.accept()))
    slowly(w)
    w.drop(folder)
    w.page.get_by_text(SOME_OF).first.wait_for()
    w.page.mouse.click(600, 20)  # a browser asks only where somebody has touched the page
    w.page.reload()
    assert asked == ["beforeunload"]
    w.page.wait_for_timeout(500)
    here = inbox(w)
    w.page.reload()
    w.page.get_by_text(f"{len(here)} files wait").wait_for()
    assert all(here[n] == (folder / n).read_bytes() for n in here)


def test_the_app_killed_in_the_middle_is_said_once(w: Window, tmp_path: Path) -> None:
    folder = piled(tmp_path / "card", [f"{i:03d}.csv" for i in range(90)])
    told = at_most_at_once(w)
    slowly(w)
    w.drop(folder)
    w.page.get_by_text(SOME_OF).first.wait_for()
    os.kill(w.app.process.pid, signal.SIGKILL)
    w.app.process.wait()
    w.page.get_by_text("roadlog doesn't answer").wait_for()
    here = {n: b for n, b in inbox(w).items() if not n.startswith(".")}
    assert len(told) - len(here) < 5
    assert all(here[n] == (folder / n).read_bytes() for n in here)
    w.app.start()
    w.go(f"/study/{w.study}/logs")
    w.page.get_by_text(f"{len(here)} files wait").wait_for()
    w.drop(*(folder / n for n in sorted(p.name for p in folder.iterdir()) if n not in here))
    w.page.get_by_text("90 files wait").wait_for()
    assert {n for n in inbox(w) if not n.startswith(".")} == {p.name for p in folder.iterdir()}


def test_names_that_no_disk_takes_are_made_safe(w: Window) -> None:
    w.page.evaluate(
        """names => { const data = new DataTransfer();
          names.forEach((n, i) => data.items.add(new File([`time,speed\\n${i}`], n)));
          document.querySelector('main').dispatchEvent(
            new DragEvent('drop', {dataTransfer: data, bubbles: true, cancelable: true})); }""",
        HOSTILE,
    )
    w.page.get_by_text("10 of 10 files are here.").wait_for()
    assert w.page.get_by_text("2 files weren't sent").is_visible()
    here = inbox(w)
    bodies = [f"time,speed\n{i}".encode() for i, n in enumerate(HOSTILE) if not n.startswith(".")]
    assert sorted(here.values()) == sorted(bodies)
    assert len({n.casefold() for n in here}) == len(here)
    assert all(len(n.encode()) < 200 and not n.startswith((".", "/")) for n in here)
    study = w.app.home / w.study
    outside = [p for p in study.rglob("*.csv") if p.parent.name != "inbox"]
    assert outside == []
    for name in here:
        w.go(f"/study/{w.study}/logs/one?name={name}")
    assert not w.page.evaluate("'xss' in window")
    assert [s for s in w.said if "status of 4" not in s] == []


@pytest.mark.slow
def test_two_hundred_megabytes_from_a_chooser(w: Window, tmp_path: Path) -> None:
    """Issue 14, section 5."""
    big = tmp_path / "big.csv"
    big.write_bytes(random.Random(1).randbytes(1 << 20) * 200)
    w.page.get_by_label("Log files").set_input_files(big)
    w.page.get_by_role("button", name="Send").click()
    w.page.get_by_text("1 file waits").wait_for()
    assert inbox(w)["big.csv"] == big.read_bytes()
    assert w.app.peak_mb() < 300
