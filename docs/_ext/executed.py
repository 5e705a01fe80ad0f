"""Directives whose output is made at build time, so that no page can show a stale number.

`run` executes shell commands and shows what they print; `picture` shows a plot of a report that a
command wrote; `made` offers files that commands wrote. All commands of a build share one scratch
folder, which starts with a copy of `sample_logs`. A command that ends otherwise than it should is
an error of the build.
"""

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any, ClassVar

from docutils import nodes
from docutils.parsers.rst import directives
from sphinx.util.docutils import SphinxDirective

SAMPLE = Path(__file__).parents[2] / "sample_logs"


class Run(SphinxDirective):
    """Commands, one a line; `exit` is the code with which each has to end."""

    has_content = True
    option_spec: ClassVar[dict[str, Any]] = {"exit": directives.nonnegative_int}

    def run(self) -> list[nodes.Node]:
        """Execute the commands and show each with what it printed."""
        self.env.executed.add(self.env.docname)
        path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
        shown: list[nodes.Node] = []
        for command in self.content:
            done = subprocess.run(
                command, shell=True, cwd=self.env.scratch, env={**os.environ, "PATH": path},
                stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False,
            )  # fmt: skip
            if done.returncode != self.options.get("exit", 0):
                raise self.error(f"'{command}' ended with {done.returncode}: {done.stderr}")
            for text, kind in ((command, "command"), (done.stdout + done.stderr, "output")):
                if text.strip():
                    block = nodes.literal_block(text.rstrip(), text.rstrip(), classes=[kind])
                    block["language"] = "none"
                    shown.append(block)
        return shown


class Picture(SphinxDirective):
    """A plot of a report: the file, then the words with which the plot's description begins."""

    required_arguments = 1
    final_argument_whitespace = True
    has_content = True

    def run(self) -> list[nodes.Node]:
        """Take the plot out of the page that a command has written."""
        file, words = self.arguments[0].split(maxsplit=1)
        page = (self.env.scratch / file).read_text(encoding="utf-8")
        plots = re.findall(r'<svg class="plot".*?</svg>', page, re.S)
        found = [p for p in plots if f'aria-label="{words}' in p]
        if not found:
            raise self.error(f"no plot of {file} is described as '{words}'")
        caption = nodes.caption("", "", *self.parse_inline(" ".join(self.content))[0])
        drawn = nodes.raw("", found[0], format="html")
        return [nodes.figure("", drawn, caption, classes=["plot"])]


class Made(SphinxDirective):
    """Files that commands wrote, a line each: path, colon, what it is."""

    has_content = True

    def run(self) -> list[nodes.Node]:
        """Copy each file into the site and list it."""
        listed = nodes.bullet_list()
        for line in self.content:
            file, words = line.split(": ", 1)
            target = Path(self.env.app.outdir) / "made" / file
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(self.env.scratch / file, target)
            to = nodes.reference("", file, refuri=f"made/{file}", internal=True)
            listed += nodes.list_item("", nodes.paragraph("", "", to, nodes.Text(f": {words}")))
        return [listed]


def begin(app: Any) -> None:
    """Make the scratch folder."""
    app.env.scratch = Path(tempfile.mkdtemp(prefix="roadlog-docs-"))
    shutil.copytree(SAMPLE, app.env.scratch / "sample_logs")
    if not hasattr(app.env, "executed"):
        app.env.executed = set()


def again(app: Any, env: Any, *_: Any) -> list[str]:
    """Pages with commands are made anew in every build: the package may have changed."""
    return sorted(env.executed & env.found_docs)


def end(app: Any, _: Any) -> None:
    """Remove the scratch folder."""
    shutil.rmtree(app.env.scratch)


def setup(app: Any) -> dict[str, bool]:
    """Register the directives."""
    app.add_directive("run", Run)
    app.add_directive("picture", Picture)
    app.add_directive("made", Made)
    app.connect("builder-inited", begin)
    app.connect("env-get-outdated", again)
    app.connect("build-finished", end)
    return {"parallel_read_safe": False, "parallel_write_safe": True}
