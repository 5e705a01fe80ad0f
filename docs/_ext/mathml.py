"""Equations as MathML, which browsers show by themselves: no script, no picture, no network."""

from typing import Any

from docutils import nodes
from latex2mathml.converter import convert


def inline(writer: Any, node: nodes.math) -> None:
    """Write an equation inside a line."""
    writer.body.append(convert(node.astext()))
    raise nodes.SkipNode


def block(writer: Any, node: nodes.math_block) -> None:
    """Write an equation, or several a line each, on lines of their own."""
    writer.body.append(f'<div class="math">{convert(node.astext(), display="block")}</div>')
    raise nodes.SkipNode


def setup(app: Any) -> dict[str, bool]:
    """Register the renderer."""
    app.add_html_math_renderer("mathml", (inline, None), (block, None))
    return {"parallel_read_safe": True, "parallel_write_safe": True}
