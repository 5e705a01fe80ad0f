"""From an empty folder to a published one in the browser alone: no file is edited by hand.

The canary stands in every name and note that a page shows: as a script it would set `window.xss`.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from roadlog.cli import main
from tests.browser.app import Window

CANARY = "<img src=x onerror=window.xss=1>"


@pytest.fixture
def stick(eight_days: Path, tmp_path: Path) -> list[Path]:
    """The synthetic logs as a logger leaves them, with a heading that has lost its unit."""
    folder = tmp_path / "stick"
    folder.mkdir()
    for log in sorted((eight_days / "logs").iterdir()):
        text = log.read_text().replace("ambient air temperature [degC]", "ambient temp", 1)
        (folder / log.name.replace("synthetic_", "")).write_text(text)
    return sorted(folder.iterdir())


def new_study(w: Window) -> None:
    w.page.get_by_role("link", name="Start a new study").click()
    for label, answer in (
        ("What is the study called?", f"Collar {CANARY}"),
        ("What is the add-on called?", f"collar {CANARY}"),
        ("Claimed gain in distance", "12"),
        ("Engine displacement", "1.8"),
        ("Mass of the car", "1310"),
    ):
        w.page.get_by_label(label).fill(answer)
    w.page.get_by_label("Where does it act?").select_option("intake")
    w.press("Make the study")


def drawn(w: Window, first_day: str) -> None:
    for label, answer in (("How many driving days", "8"), ("How many drives a day", "1")):
        w.page.get_by_label(label).fill(answer)
    w.page.get_by_label("First day").fill(first_day)
    w.page.get_by_text("8 driving days from").wait_for()  # said while the answers change
    w.press("Draw the schedule and register")
    w.page.get_by_text("The schedule is drawn").first.wait_for()


def noted(w: Window, day: str) -> None:
    w.step("Today")
    w.page.get_by_label("Date", exact=True).fill(day)
    w.page.get_by_label("Cold tyre pressure").fill("250")
    w.page.get_by_label("Remarks").fill(CANARY)
    w.press("Write the notes")
    w.page.get_by_text("Written.").wait_for()


def logs_taken(w: Window, files: list[Path]) -> None:
    w.step("Logs")
    w.drop(*files)
    w.page.get_by_role("button", name="Take 8 files in").wait_for()
    w.press("°C")
    w.settled()
    w.press("Take 8 files in")
    w.settled()
    w.page.get_by_text("8 of 8 taken in").first.wait_for()


def worked(w: Window, step: str, button: str, said: str) -> None:
    w.step(step)
    w.press(button)
    w.settled()
    w.page.get_by_text(said).first.wait_for()


def to_the_result(w: Window, stick: list[Path]) -> None:
    new_study(w)
    drawn(w, stick[0].name[:10])
    noted(w, stick[0].name[:10])
    logs_taken(w, stick)
    worked(w, "Result", "Analyse", "What to know of these data")
    w.page.locator("#answer").wait_for()


def clean(w: Window) -> None:
    """The canary is shown, and as text alone."""
    for step in ("Overview", "Plan", "Today", "Record", "Logs", "Check", "Trials", "Publish"):
        w.step(step)
        assert "&lt;img src=x" in w.page.content(), step
        assert not w.page.evaluate("'xss' in window"), step
    assert w.said == []


def test_from_an_empty_folder_to_a_result(
    opened: Callable[..., Window], stick: list[Path], tmp_path: Path
) -> None:
    w = opened(tmp_path / "bench")
    to_the_result(w, stick)
    clean(w)


@pytest.mark.slow
def test_from_an_empty_folder_to_a_published_one(
    opened: Callable[..., Window], stick: list[Path], tmp_path: Path
) -> None:
    w = opened(tmp_path / "bench")
    to_the_result(w, stick)
    worked(w, "Check", "Check the logs", "8 of 8 runs can be used")
    worked(w, "Publish", "Make the folder", "Text to paste")
    clean(w)
    (study,) = (p.parent for p in (tmp_path / "bench").glob("*/study.toml"))
    for name in ("results/report.html", "results/check.html", "published/index.html"):
        w.go(f"/study/{study.name}/file/{name}")
        assert not w.page.evaluate("'xss' in window"), name
    assert main(["recheck", str(study / "published" / "archive.zip")]) == 0
