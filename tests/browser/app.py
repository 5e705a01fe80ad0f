"""`roadlog open` in a process of its own, and a window of a browser that notes what goes wrong.

What a page must never do stands in `Window.faults`: run a script of a study, break the content
security policy, throw an error.
"""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from tests.browser.screen import WAIT_S, Screen

ENV = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
NOTICE = """addEventListener('securitypolicyviolation',
  e => console.error('policy: ' + e.violatedDirective + ' ' + e.blockedURI))"""


class App:
    """The app over a folder; `address` lets one browser in."""

    def __init__(self, home: Path, *options: str) -> None:
        self.home, self.options = home, options
        self.start()

    def start(self) -> None:
        """Start it, or start it again, and wait until it answers."""
        said = self.home.with_name(f"{self.home.name}.txt")
        program = [sys.executable, "-P", "-m", "roadlog", "open", str(self.home), "--no-browser"]
        with said.open("w") as log:
            self.process = subprocess.Popen(
                [*program, *self.options], stdout=log, stderr=log, env=ENV
            )
        until = time.monotonic() + WAIT_S
        while "/enter?key=" not in (text := said.read_text()):
            assert time.monotonic() < until, text
            assert self.process.poll() is None, text
            time.sleep(0.02)
        self.address = next(w for w in text.split() if "/enter?key=" in w)
        self.origin = self.address.split("/enter")[0]

    def end(self) -> None:
        """End it as Ctrl-C does."""
        self.process.send_signal(signal.SIGINT)
        self.process.wait(WAIT_S)

    def peak_mb(self) -> float:
        """The most memory that the app's own process has had [MB]."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return next(int(x.split()[1]) for x in status.splitlines() if x.startswith("VmHWM")) / 1000


class Window(Screen):
    """A tab of the bench: its errors and breaches of policy stand in `said`."""

    def __init__(self, context: Any, app: App) -> None:
        super().__init__(context.new_page())
        self.context, self.app, self.study = context, app, "-"
        self.wire: Any = None
        self.page.add_init_script(NOTICE)

    def go(self, path: str) -> None:
        """Open a page of the app."""
        self.page.goto(self.app.origin + path)

    def press(self, name: str) -> None:
        """Press a button of a form by its name, and wait for the page after it."""
        with self.page.expect_navigation():
            self.page.get_by_role("button", name=name, exact=True).click()

    def settled(self, most_s: float = WAIT_S) -> None:
        """Wait until no work goes on on this page, whatever is loaded meanwhile."""
        going = self.page.locator("[data-job]:not([data-ended])")
        going.first.wait_for(state="detached", timeout=most_s * 1000)

    def step(self, name: str) -> None:
        """Go to one of the study's steps."""
        with self.page.expect_navigation():
            self.page.get_by_role("navigation").get_by_role("link", name=name, exact=True).click()

    def drop(self, *paths: Path) -> None:
        """Drop files and folders on the page as a hand does (DevTools: Input.dispatchDragEvent)."""
        wire = self.context.new_cdp_session(self.page)
        data = {"items": [], "files": [str(p) for p in paths], "dragOperationsMask": 1}
        for kind in ("dragEnter", "dragOver", "drop"):
            wire.send("Input.dispatchDragEvent", {"type": kind, "x": 150, "y": 300, "data": data})
        wire.detach()
