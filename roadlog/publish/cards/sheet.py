"""The sheet that a card is drawn on: sizes, two themes, text that fits, and what every card says.

All lengths are pixels of the finished picture, with y upwards. No text is smaller than
`LEAST_TEXT_PX`: on a phone 65 mm wide, a card of 1080 pixels shows capital letters of 1.9 mm, which
is 11 minutes of arc at 60 cm, twice what an eye of normal acuity needs (5 minutes of arc a letter,
ISO 8596).
"""

import re
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal

from roadlog.wording.screen import FIXED_SPACE, one_line

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.font_manager import FontProperties

Weight = Literal["normal", "bold"]

DPI = 100.0
LEAST_TEXT_PX = 44.0
SIZES = {"wide": (1920, 1080), "square": (1080, 1080), "tall": (1080, 1920)}
LINE = 1.28  # from line to line, in heights of the text


@dataclass(frozen=True)
class Theme:
    """Colours of one theme."""

    paper: str
    ink: str
    quiet: str
    hair: str
    claim: str
    bar: str
    arms: dict[str, str]


THEMES = {
    "light": Theme(
        "#fbfaf7", "#1d2831", "#56616b", "#d0ccc2", "#8c2d5a", "#2b4c6f",
        {"baseline": "#2b4c6f", "fitted": "#a04a04"},
    ),
    "dark": Theme(
        "#14191e", "#f1efe9", "#a9b3bb", "#434c54", "#f08fbc", "#8fb8e8",
        {"baseline": "#8fb8e8", "fitted": "#f5a65b"},
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Frame:
    """What stands around every picture: where it comes from, its title, how much is behind it."""

    study: str
    synthetic: bool
    title: str
    below: tuple[str, ...]


@dataclass(frozen=True)
class Box:
    """A rectangle of the sheet [px]."""

    left: float
    bottom: float
    right: float
    top: float

    @property
    def width(self) -> float:
        """[px]."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """[px]."""
        return self.top - self.bottom


@dataclass(frozen=True)
class Sheet:
    """A figure with its size [px], its theme, and the texts that were written on it."""

    figure: "Figure"
    width: int
    height: int
    theme: Theme

    def text(
        self, x: float, y: float, words: str, size_px: float, *, colour: str | None = None,
        weight: Weight = "normal", ha: str = "left", va: str = "baseline", backed: bool = False,
    ) -> None:  # fmt: skip
        """Write one line at a place of the sheet; `backed` hides what is behind it."""
        behind = {"facecolor": self.theme.paper, "edgecolor": "none", "pad": points(0.1 * size_px)}
        self.figure.text(
            x / self.width, y / self.height, words, ha=ha, va=va, color=colour or self.theme.ink,
            fontproperties=_font(weight), fontsize=points(size_px), parse_math=False,
            bbox=behind if backed else None,
        )  # fmt: skip

    def line(
        self, x: list[float], y: list[float], colour: str, width: float,
        dash: Literal["-", "--"] = "-", cap: Literal["butt", "round"] = "butt",
    ) -> None:  # fmt: skip
        """Draw a line through places of the sheet; `width` in pixels."""
        from matplotlib.lines import Line2D

        self.figure.add_artist(
            Line2D(
                [v / self.width for v in x], [v / self.height for v in y], color=colour,
                linewidth=points(width), linestyle=dash, solid_capstyle=cap,
                solid_joinstyle="round",
            )
        )  # fmt: skip

    def marker(self, x: float, y: float, shape: str, size_px: float, colour: str, *,
               filled: bool) -> None:  # fmt: skip
        """Draw one mark."""
        from matplotlib.lines import Line2D

        self.figure.add_artist(
            Line2D(
                [x / self.width], [y / self.height], marker=shape, markersize=points(size_px),
                markeredgecolor=colour, markerfacecolor=colour if filled else "none",
                markeredgewidth=points(5.0), linestyle="none",
            )
        )  # fmt: skip


def points(px: float) -> float:
    """Pixels as points of 1/72 inch at the sheet's resolution."""
    return px * 72.0 / DPI


def draw_sheet(size: str, theme: str, frame: Frame, picture: Callable[[Sheet, Box], None]) -> Sheet:
    """One card: the frame, and inside it what `picture` draws into the box that is left.

    Parameters
    ----------
    size : {"wide", "square", "tall"}
    theme : {"light", "dark"}
    """
    from matplotlib.figure import Figure

    width, height = SIZES[size]
    look = THEMES[theme]
    figure = Figure(figsize=(width / DPI, height / DPI), dpi=DPI, facecolor=look.paper)
    sheet = Sheet(figure, width, height, look)
    margin = 56.0
    side = width - 2 * margin
    top = _head(sheet, frame, margin, side, tall=size == "tall")
    bottom = margin
    for line in reversed([x for b in frame.below for x in wrapped(b, side, LEAST_TEXT_PX)]):
        sheet.text(margin, bottom + 8, line, LEAST_TEXT_PX, colour=look.quiet)
        bottom += LEAST_TEXT_PX * LINE
    sheet.line([margin, width - margin], [bottom + 14] * 2, look.hair, 3)
    picture(sheet, Box(margin, bottom + 44, width - margin, top - 30))
    return sheet


def _head(sheet: Sheet, frame: Frame, margin: float, side: float, *, tall: bool) -> float:
    """Draw study and title; the height at which they end."""
    y = sheet.height - margin - 0.8 * LEAST_TEXT_PX
    if frame.synthetic:
        sheet.text(margin, y, "SYNTHETIC DATA: nothing real was measured"
                   if side > 1200 else "SYNTHETIC DATA, not measured", LEAST_TEXT_PX,
                   colour=sheet.theme.claim, weight="bold")  # fmt: skip
        y -= LEAST_TEXT_PX * LINE
    name = clipped(frame.study, side, LEAST_TEXT_PX)
    sheet.text(margin, y, name, LEAST_TEXT_PX, colour=sheet.theme.quiet)
    title, size_px = fitted_size(
        frame.title, side, (84.0, 72.0, 64.0, 56.0, 52.0), 5 if tall else 2
    )
    if size_px < 56 and not tall:
        title, size_px = fitted_size(frame.title, side, (56.0, 50.0), 3)
    y -= 1.35 * size_px + 6
    for line in title:
        sheet.text(margin, y, line, size_px, weight="bold")
        y -= size_px * 1.16
    return y + 0.7 * size_px


def fitted_size(
    text: str, width: float, sizes: tuple[float, ...], most_lines: int, weight: Weight = "bold"
) -> tuple[list[str], float]:
    """The text in at most so many lines, as large as that allows; clipped if nothing does."""
    for size in sizes:
        lines = wrapped(text, width, size, weight)
        if len(lines) <= most_lines:
            return lines, size
    lines = wrapped(text, width, sizes[-1], weight)[:most_lines]
    lines[-1] = clipped(lines[-1] + " …", width, sizes[-1], weight)
    return lines, sizes[-1]


def wrapped(text: str, width: float, size_px: float, weight: Weight = "normal") -> list[str]:
    """Lines of at most `width` pixels; a word that is longer is broken where it must be."""
    lines = [""]
    for word in re.split(
        " +", "".join(c if c.isprintable() or c in FIXED_SPACE else " " for c in text).strip()
    ):
        tried = f"{lines[-1]} {word}".strip()
        if text_width(tried, size_px, weight) <= width:
            lines[-1] = tried
            continue
        if lines[-1]:
            lines.append("")
        while text_width(word, size_px, weight) > width and len(word) > 1:
            cut = next(
                n for n in range(len(word) - 1, 0, -1)
                if n == 1 or text_width(word[:n], size_px, weight) <= width
            )  # fmt: skip
            lines[-1], word = word[:cut], word[cut:]
            lines.append("")
        lines[-1] = word
    return [line for line in lines if line] or [""]


def clipped(text: str, width: float, size_px: float, weight: Weight = "normal") -> str:
    """One line of at most `width` pixels, ended by … if it was longer."""
    text = one_line(text)
    if text_width(text, size_px, weight) <= width:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if text_width(text[:middle].rstrip() + "…", size_px, weight) <= width:
            low = middle
        else:
            high = middle - 1
    return text[:low].rstrip() + "…"


def text_width(text: str, size_px: float, weight: Weight = "normal") -> float:
    """Width of a line of text [px]."""
    return _unit_width(text, weight) * size_px


@contextmanager
def signs_may_lack() -> Iterator[None]:
    """A sign that the font hasn't is drawn as a box, without a warning on the terminal."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing")
        yield


@cache
def _unit_width(text: str, weight: Weight) -> float:
    from matplotlib.textpath import text_to_path

    if not text:
        return 0.0
    font = _font(weight).copy()
    font.set_size(100)
    with signs_may_lack():
        width, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return float(width) / 100


@cache
def _font(weight: Weight) -> "FontProperties":
    from matplotlib.font_manager import FontProperties

    return FontProperties(family="DejaVu Sans", weight=weight)
