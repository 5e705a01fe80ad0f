"""What a test sees of a page in a browser: how wide and tall it is, what axe-core finds, its PDF.

axe-core comes out of the wheel `axe-playwright-python`; nothing here asks a network.
"""

import time
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

WIDTHS = (390, 768, 1280)
HEIGHT = 844
WAIT_S = 60.0  # machines that run tests are busy: playwright's own 30 s are too few
GRAVE = ("serious", "critical")
# What axe-core calls moderate, and no page may lack: headings in order, landmarks, names.
STRUCTURE = (
    "heading-order", "page-has-heading-one", "landmark-one-main", "html-has-lang", "link-name",
    "region", "bypass", "landmark-unique",
)  # fmt: skip
# Which rules can find something else when only the colours or the width change.
OF_COLOUR = ("color-contrast", "link-in-text-block")
OF_WIDTH = ("scrollable-region-focusable", "target-size")


@cache
def axe_core() -> str:
    """The script of axe-core."""
    return (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")


class Screen:
    """One open page. `page` is playwright's own, for what isn't here."""

    def __init__(self, page: Any) -> None:
        self.page = page
        page.set_default_timeout(WAIT_S * 1000)
        self.asked: list[str] = []
        self.said: list[str] = []
        page.on("request", self._asks)
        page.on("pageerror", lambda e: self.said.append(str(e)))
        page.on("console", lambda m: self.said.append(m.text) if m.type == "error" else None)

    def _asks(self, request: Any) -> None:
        if not request.url.startswith(("file:", "data:", "blob:", "about:")):
            self.asked.append(request.url)

    def open(self, path: Path) -> None:
        """Open a file. What it asks of a network fails and stands in `asked`; errors in `said`."""
        self.page.goto(path.as_uri())

    def look(self, width: int = 1280, *, dark: bool = False, height: int = HEIGHT) -> None:
        """Set the window's width [px] and the reader's wish for light or dark."""
        self.page.set_viewport_size({"width": width, "height": height})
        self.page.emulate_media(media="screen", color_scheme="dark" if dark else "light")

    def until(self, script: str, most_s: float = WAIT_S) -> None:
        """Wait until a script is true; playwright's own way is what the pages forbid (eval)."""
        end = time.monotonic() + most_s
        while not self.page.evaluate(script):
            assert time.monotonic() < end, f"not within {most_s} s: {script}"
            self.page.wait_for_timeout(30)

    def sideways_px(self) -> int:
        """How far the page as a whole can be scrolled to the side [px]."""
        script = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        return int(self.page.evaluate(script))

    def top_of(self, selector: str) -> float:
        """Height of the page above the first element that fits [px]."""
        script = "s => document.querySelector(s).getBoundingClientRect().top + scrollY"
        return float(self.page.evaluate(script, selector))

    def faults(self, rules: Sequence[str] = ()) -> list[str]:
        """What axe-core finds that is grave or of `STRUCTURE`, by all rules or those named."""
        if not self.page.evaluate("typeof axe === 'object'"):
            self.page.evaluate(axe_core())
        only = {"runOnly": {"type": "rule", "values": list(rules)}} if rules else {}
        found = self.page.evaluate(
            "o => axe.run(document, o).then(r => r.violations)",
            {"resultTypes": ["violations"], **only},
        )
        return [
            f"{v['id']} ({v['impact']}): {len(v['nodes'])} times, first {v['nodes'][0]['html']}"
            for v in found
            if v["impact"] in GRAVE or v["id"] in STRUCTURE
        ]

    def pdf(self) -> bytes:
        """The page as printed on A4."""
        return bytes(self.page.pdf(prefer_css_page_size=True, print_background=False))
