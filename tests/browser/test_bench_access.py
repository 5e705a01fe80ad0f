"""Every page of the bench in every state, for those who see little, hear it, or use no pointer.

The states come from files as the bench's own processes leave them, so that none has to be waited
for.
"""

import json
import os
import re
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from roadlog.analysis.result import Analysed
from roadlog.bench import looking
from roadlog.bench.inbox import Inbox
from roadlog.report import write_results
from roadlog.study.lock import hold
from tests.browser.app import App, Window
from tests.browser.screen import OF_COLOUR, OF_WIDTH, WIDTHS

pytestmark = pytest.mark.skipif(os.name != "posix", reason="holds a process's lock")
CANARY = "<img src=x onerror=window.xss=1>"
SEALED = f'randomised = true\nsealed = "{"a" * 64}"'
UNNAMED = re.compile(
    r"^\s*- (textbox|button|combobox|link|checkbox|radio|img|region|navigation|iframe)"
    r"( \[[^\]]*\])*(:.*)?$", re.M,
)  # fmt: skip
PAGES = {
    "home": "/", "new": "/new", "overview": "/study/collar", "plan": "/study/fresh/plan",
    "plan drawn": "/study/collar/plan", "today": "/study/collar/today",
    "a day's notes": "/study/collar/today?date={day}", "record": "/study/collar/record",
    "logs empty": "/study/fresh/logs", "logs waiting": "/study/waits/logs",
    "logs looked at": "/study/seen/logs",
    "a column": "/study/seen/logs/one?name=a.csv&column=altitude#say",
    "check": "/study/collar/check", "checked": "/study/seen/check",
    "result": "/study/collar/result",
    "result sealed": "/study/sealed/result", "trials": "/study/collar/trials",
    "publish": "/study/collar/publish", "phone": "/phone", "nothing here": "/nowhere",
    "no study": "/study/none", "at work": "/jobs/zz-works", "work ended": "/jobs/aa-ended",
}  # fmt: skip


def a_job(home: Path, name: str, task: str, study: str, *events: dict[str, Any]) -> Path:
    """A piece of work as its process leaves it."""
    folder = home / ".roadlog" / "jobs" / name
    folder.mkdir(parents=True)
    told = {"task": task, "given": {"study": str(home / study)}, "started": time.time()}
    (folder / "task.json").write_text(json.dumps(told))
    (folder / "events.jsonl").write_text("".join(json.dumps(e) + "\n" for e in events))
    return folder


def _canaries(study: Path) -> None:
    """A script in every name and note that a page may show."""
    toml = (study / "study.toml").read_text()
    toml = re.sub(r'^name = "', f'name = "{CANARY} ', toml, flags=re.M)
    (study / "study.toml").write_text(re.sub(r'collar (in|out)"', rf'{CANARY} \1"', toml))
    notes = study / "notes.csv"
    if notes.is_file():
        heads, *rows = notes.read_text().splitlines()
        text = "\n".join([f"{heads},remarks", *(f"{r},{CANARY}" for r in rows)])
        notes.write_text(text + "\n")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory, eight_days: Path, analysed: Analysed) -> Path:
    """Studies in every state."""
    home = tmp_path_factory.mktemp("access") / "home"
    empty = shutil.ignore_patterns("*.csv")
    for name in ("collar", "sealed", "fresh", "waits", "seen"):
        shutil.copytree(eight_days, home / name, ignore=empty if name != "collar" else None)
        _canaries(home / name)
    write_results(analysed, home / "collar" / "results")
    toml = (home / "sealed" / "study.toml").read_text().replace("randomised = true", SEALED)
    (home / "sealed" / "study.toml").write_text(re.sub(r'arm = "\w+", ', "", toml))
    fresh = (home / "fresh" / "study.toml").read_text()
    (home / "fresh" / "study.toml").write_text(fresh[: fresh.index("[schedule]")])
    log = min((eight_days / "logs").iterdir()).read_text()
    for name in ("waits", "seen"):
        strange = log.replace("altitude [m]", "altitude").replace("engine speed", CANARY)
        for file, text in (("a.csv", strange), (f"b {CANARY}.csv", "no log\n")):
            arriving = Inbox(home / name).begin(file, None)
            arriving.write(text.encode())
            arriving.keep()
    seen = looking.look(study=str(home / "seen"), tell=lambda *_, **__: None)
    a_job(home, "look1", "look", "seen", {"kind": "end", "code": 0, "text": "", "result": seen})
    row = {"file": "logs/a.csv", "begun": "2026-03-02 07:10", "minutes": 18.0, "km": 14.2}
    rows = [{**row, "arm": "fitted", "usable": u, "verdict": v} for u, v in
            ((True, "can be used"), (False, "no fuel flow: name the column"))]  # fmt: skip
    found = {"rows": rows, "shut": False, "warnings": ["a clock that jumps"]}
    a_job(home, "check1", "check", "seen", {"kind": "end", "code": 0, "text": "x", "result": found})
    a_job(home, "aa-ended", "analyze", "none", {"kind": "end", "code": 2, "text": "It is wrong."})
    a_job(home, "zz-works", "analyze", "none", {"kind": "progress", "done": 3, "of": 9})
    return home


@pytest.fixture(scope="module")
def tab(browser: Any, home: Path) -> Iterator[Window]:
    """A tab of the app over them; one piece of work lives as long as the tests."""
    works = home / ".roadlog" / "jobs" / "zz-works" / "alive"
    handle = hold(works)
    app = App(home)
    context = browser.new_context(locale="en-GB")
    window = Window(context, app)
    window.page.goto(app.address)
    window.go("/study/collar")
    window.page.get_by_role("term").first.wait_for()
    yield window
    context.close()
    app.end()
    os.close(handle)


def shown(tab: Window, name: str) -> None:
    day = min((tab.app.home / "collar" / "logs").iterdir()).name.split("_")[1]
    tab.look(1280)
    tab.page.emulate_media(forced_colors="none")
    tab.said.clear()
    tab.go(PAGES[name].format(day=day))
    tab.page.evaluate("document.querySelectorAll('iframe').forEach(f => f.remove())")


def sideways(tab: Window) -> list[str]:
    found = []
    for width, size in ((360, "100%"), (2560, "100%"), (1280, "200%")):
        tab.look(width)
        tab.page.evaluate("s => { document.documentElement.style.fontSize = s }", size)
        if beyond := tab.sideways_px():
            found.append(f"{width} px, text {size}: the page scrolls {beyond} px to the side")
    tab.page.evaluate("document.documentElement.style.fontSize = ''")
    return found


@pytest.mark.parametrize("name", PAGES)
def test_nothing_grave_every_control_has_a_name_and_nothing_scrolls_sideways(
    name: str, tab: Window
) -> None:
    shown(tab, name)
    found = [
        f"without a name: {m.group()}"
        for m in UNNAMED.finditer(tab.page.locator("body").aria_snapshot())
    ]
    for width, dark, rules in ((390, False, ()), (1280, True, OF_COLOUR)):
        tab.look(width, dark=dark)
        found += [f"{width}, dark {dark}: {fault}" for fault in tab.faults(rules)]
    found += sideways(tab)
    found += ["a script of the study ran"] * tab.page.evaluate("'xss' in window")
    found += [s for s in tab.said if "status of 4" not in s]
    assert not found, "\n".join(found)


@pytest.mark.slow
@pytest.mark.parametrize("name", PAGES)
def test_every_rule_at_every_width_in_light_and_dark(name: str, tab: Window) -> None:
    shown(tab, name)
    for width in WIDTHS:
        for dark in (False, True):
            tab.look(width, dark=dark)
            assert tab.faults() == [], (width, dark)
            assert tab.faults(OF_WIDTH) == []


def test_forced_colours_keep_focus_states_and_the_curve(tab: Window) -> None:
    shown(tab, "plan")
    tab.page.emulate_media(forced_colors="active")
    stroke = """s => { const e = getComputedStyle(document.querySelector(s));
      return [e.stroke, getComputedStyle(document.body).backgroundColor]; }"""
    for part in (".curve polyline", ".curve .mine", ".curve .enough", ".curve .hair"):
        line, paper = tab.page.evaluate(stroke, part)
        assert line not in (paper, "none"), part
    tab.page.locator("#f-days").focus()
    outline = "getComputedStyle(document.activeElement).outlineStyle"
    assert tab.page.evaluate(outline) == "solid"
    tab.page.keyboard.press("Tab")
    assert tab.page.evaluate(outline) == "solid"
    now = tab.page.locator(".steps a[aria-current]")
    assert now.evaluate("e => getComputedStyle(e).borderBottomColor") != paper
    tab.page.emulate_media(forced_colors="none")


@pytest.mark.parametrize("name", ["new", "plan", "a day's notes", "logs looked at", "publish"])
def test_the_keyboard_reaches_every_control_in_order_and_leaves_none(
    name: str, tab: Window
) -> None:
    shown(tab, name)
    tab.page.evaluate("document.querySelectorAll('a, button, input, select, textarea, summary')"
                      ".forEach((e, i) => e.dataset.at = i)")  # fmt: skip
    seen, ringed = list[int](), set[int]()
    for _ in range(160):
        tab.page.keyboard.press("Tab")
        at, outline, wide = tab.page.evaluate(
            """() => { const e = document.activeElement, s = getComputedStyle(e);
              return [e.dataset.at ?? null, s.outlineStyle, e.getBoundingClientRect().width]; }"""
        )
        if at is None and tab.page.evaluate("document.activeElement === document.body"):
            break
        if at is not None:
            seen.append(int(at))
            if outline == "solid" and wide:  # of a date's parts one is enough
                ringed.add(int(at))
    visible = """() => [...document.querySelectorAll('[data-at]')].filter(e =>
      e.checkVisibility() && e.type !== 'hidden' && e.tabIndex >= 0 &&
      !(e.type === 'radio' && !e.checked)).map(e => Number(e.dataset.at))"""
    assert set(tab.page.evaluate(visible)) <= set(seen)
    assert ringed == set(seen)
    order = list(dict.fromkeys(seen))
    assert order == sorted(order)


def test_the_skip_link_is_first_and_leads_past_the_steps(tab: Window) -> None:
    shown(tab, "plan")
    tab.page.keyboard.press("Tab")
    assert tab.page.evaluate("document.activeElement.className") == "skip"
    tab.page.keyboard.press("Enter")
    tab.page.keyboard.press("Tab")
    assert tab.page.evaluate("document.activeElement.closest('main') !== null")


def test_progress_is_told_politely_and_only_its_steps(tab: Window, home: Path) -> None:
    """Each change of text in a live region is spoken: numbers would drown the rest."""
    shown(tab, "at work")
    tab.page.evaluate(
        """() => { window.spoken = []; const place = document.querySelector('[aria-live]');
          new MutationObserver(all => all.forEach(m => spoken.push(place.innerText)))
            .observe(place, {childList: true, characterData: true, subtree: true}); }"""
    )
    with (home / ".roadlog" / "jobs" / "zz-works" / "events.jsonl").open("a") as file:
        file.write('{"kind": "step", "name": "reading the logs"}\n')
        for done in range(30):
            file.write(f'{{"kind": "progress", "done": {done}, "of": 30}}\n')
    tab.until("document.querySelector('progress').value === 29")
    assert len(tab.page.evaluate("spoken")) == 1
    assert tab.page.locator("[aria-live]").get_attribute("aria-live") == "polite"
