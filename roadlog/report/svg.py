"""matplotlib figures as SVG to stand inside a page: a drawing function in, markup out.

Text stays text (the page's own font), colours of the page, no identifiers that could clash with
another figure's, and always a description for those who can't see it.
"""

import io
import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from markupsafe import Markup, escape

from roadlog.wording.colours import ARM_COLOURS, CLAIM, HAIR, INK, QUIET

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_IN = 4.4
# Colours that follow the page's theme; where the drawing stands alone they are as drawn.
_FOLLOWING = {
    "#ffffff": "--card", INK: "--ink", QUIET: "--quiet", HAIR: "--hair", CLAIM: "--claim",
    ARM_COLOURS["baseline"]: "--baseline", ARM_COLOURS["fitted"]: "--fitted",
}  # fmt: skip
_FAMILY = re.compile(r"font-family: [^;\"]*;?")
_FONT = re.compile(r"font: ([^'\"]*?)'[^;\"]*")


def figure(name: str, description: str, height_in: float, draw: Callable[["Axes"], None]) -> Markup:
    """Draw one figure.

    Parameters
    ----------
    name : str
        Salts the identifiers, so it must be unique in the page.
    description : str
        What the figure shows, in a sentence or two.
    height_in : float [inch]
    draw : callable
        Draws into the axes it is given.

    Returns
    -------
    Markup
        An `<svg>` element.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    look: Any = {
        "svg.fonttype": "none",
        "svg.hashsalt": name,
        "font.family": "DejaVu Sans",
        "font.size": 8.0,
        "text.color": INK,
        "text.parse_math": False,
        "axes.edgecolor": HAIR,
        "axes.labelcolor": QUIET,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.facecolor": "none",
        "xtick.color": HAIR,
        "xtick.labelcolor": QUIET,
        "ytick.color": HAIR,
        "ytick.labelcolor": QUIET,
    }
    with mpl.rc_context(look):
        sheet = Figure(figsize=(WIDTH_IN, height_in), facecolor="none", dpi=144)
        axes = sheet.add_axes((0.14, 0.5 / height_in, 0.84, 1 - 0.62 / height_in))
        draw(axes)
        text = io.StringIO()
        canvas: Any = FigureCanvasSVG(sheet)
        canvas.print_svg(text, metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")))
    return _for_page(text.getvalue(), description)


def _for_page(svg: str, description: str) -> Markup:
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<style.*?</style>", "", svg, flags=re.S)
    svg = re.sub(r'<g id="[^"]*"', "<g", svg)
    svg = _FONT.sub(r"font: \1system-ui, sans-serif", svg)
    svg = _FAMILY.sub("font-family: system-ui, sans-serif;", svg)
    svg = re.sub(r"\s*\n\s*", " ", svg)
    for colour, name in _FOLLOWING.items():
        svg = re.sub(rf"(fill|stroke): {colour}\b", rf"\1: var({name}, {colour})", svg)
    box = re.search(r'viewBox="([^"]*)"', svg)
    assert box is not None
    head = (
        f'<svg class="plot" role="img" aria-label="{escape(description)}" '
        f'viewBox="{box.group(1)}" xmlns:xlink="http://www.w3.org/1999/xlink">'
    )
    return Markup(head + svg[svg.index(">") + 1 :])
