"""Docstrings of this project are plain text: a star, a bar or an underscore stands for itself."""

import re
from typing import Any

_QUOTED = re.compile(r"(``.*?``|`[^`]*`)", re.S)
_SPECIAL = re.compile(r"([*|\\]|(?<=\w)_(?!\w))")


def escape(app: Any, what: str, name: str, thing: Any, options: Any, lines: list[str]) -> None:
    """Escape what reStructuredText would read as markup, outside quotes and examples."""
    text = "\n".join(lines)
    parts = _QUOTED.split(text)
    parts[::2] = [_SPECIAL.sub(r"\\\1", p) for p in parts[::2]]
    lines[:] = "".join(parts).split("\n")


def setup(app: Any) -> dict[str, bool]:
    """Run before napoleon, which makes markup of its own."""
    app.connect("autodoc-process-docstring", escape, priority=400)
    return {"parallel_read_safe": True, "parallel_write_safe": True}
