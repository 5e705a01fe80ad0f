"""From an empty folder to a published one in the browser alone: no file is edited by hand."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from roadlog.cli import main
from tests.browser.app import Window

CANARY = "<img src=x onerror=window.xss=1>"


@pytest.fixture
def dropped(eight_days: Path, tmp_path: Path) -> list[Path]:
    """The synthetic logs as a logger leaves them, with a heading that has lost its unit."""
    folder = tmp_path / "stick"
    folder.mkdir()
    for log in sorted((eight_days / "logs").iterdir()):
        text = log.read_text().replace("intake air temperature [degC]", "intake air temperature", 1)
        (folder / log.name.replace("synthetic_", "")).write_text(text)
    return sorted(folder.iterdir())


def test_from_an_empty_folder_to_a_published_one(
    opened: Callable[..., Window], dropped: list[Path], tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    home = tmp_path / "bench"
    w = opened(home)
    page = w.page
    page.get_by_role("link", name="Start a new study").click()
    for label, answer in (
        ("What is this study called?", f"Collar {CANARY}"),
        ("What is the device called?", "intake collar"),
        ("Claimed gain", "12"),
    ):
        page.get_by_label(label).first.fill(answer)
    w.press("Make the study")
    page.screenshot(path="/tmp/browser/plan.png", full_page=True)
    print(page.url, page.inner_text("main")[:3000])
