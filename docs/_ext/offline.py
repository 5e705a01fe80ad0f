"""A page of the site that would ask the network is an error of the build.

Links that a reader may follow are allowed; what a browser fetches by itself isn't.
"""

import re
from pathlib import Path
from typing import Any

from sphinx.errors import ExtensionError

_FETCHES = re.compile(
    r"""(?:\ssrc|<link[^>]*\shref|\ssrcset|@import|url\()[\s="'(]*(?:https?:)?//[^"'\s)>]+""", re.I
)


def check(app: Any, failed: Exception | None) -> None:
    """Look through every page, style sheet and script of the finished site."""
    if failed is not None:
        return
    for file in sorted(Path(app.outdir).rglob("*")):
        if file.suffix in {".html", ".css", ".js", ".svg"}:
            text = file.read_text(encoding="utf-8")
            if found := _FETCHES.search(text):
                raise ExtensionError(f"{file} asks the network: {found[0]}")


def setup(app: Any) -> dict[str, bool]:
    """Check when the build is done."""
    app.connect("build-finished", check)
    return {"parallel_read_safe": True, "parallel_write_safe": True}
