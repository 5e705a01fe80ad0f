"""Intervals in a row, alike in reports and notebooks: named intervals in, a plot or a table out."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from roadlog.stats.interval import NamedInterval
from roadlog.wording.colours import CLAIM, INK, QUIET
from roadlog.wording.numbers import ends_of, signed
from roadlog.wording.screen import typeset
from roadlog.wording.shown import Said

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CHANGE = "less fuel  ·  change of fuel use, %  ·  more fuel"
_ROW_IN = 0.36
_BEHIND_TEXT = {"facecolor": "#ffffff", "edgecolor": "none", "pad": 0.8}


def height_in(rows: int) -> float:
    """Height of a drawing of so many rows [inch]."""
    return _ROW_IN * rows + 0.85


def said_rows(title: str, rows: Sequence[NamedInterval], below: Sequence[str] = ()) -> Said:
    """The rows as a small table of percent, with a title and lines below it."""
    cells = []
    for row in rows:
        ends = ends_of(row.interval)
        said = ("none", "") if ends is None else (signed(ends[0]), signed(ends[1]))
        cells.append((row.name, signed(row.interval.estimate), *said))
    return Said(title, cells, ("", "estimate", "95 % from", "to"), below)


def plot_rows(
    rows: Sequence[NamedInterval],
    claimed: float | None,
    axes: "Axes | None" = None,
    quantity: str = CHANGE,
) -> "Axes":
    """Draw the rows that have an estimate into `axes`, or into a new figure of pyplot."""
    import matplotlib.pyplot as plt  # takes half a second

    rows = [r for r in rows if math.isfinite(r.interval.estimate)]
    with plt.rc_context({"font.size": 8.0, "text.parse_math": False}):
        if axes is None:
            size = (5.5, height_in(len(rows)))
            axes = plt.figure(figsize=size, layout="constrained").add_subplot()
        draw_rows(axes, rows, claimed, quantity)
    return axes


def draw_rows(
    axes: "Axes",
    rows: Sequence[NamedInterval],
    claimed: float | None,
    quantity: str = CHANGE,
) -> None:
    """Every estimate with its interval, the claim and zero as lines."""
    span = span_of(rows, claimed)
    axes.axvline(0, color=INK, linewidth=0.8)
    if claimed is not None:
        axes.axvline(claimed, color=CLAIM, linewidth=1.3, linestyle=(0, (5, 2)))
        near_left = claimed - span[0] < 0.12 * (span[1] - span[0])
        axes.annotate(
            typeset(f"claim {signed(claimed)} %"), (claimed, -0.75), color=CLAIM, va="bottom",
            ha="left" if near_left else "center", fontweight="bold", annotation_clip=False,
        )  # fmt: skip
    for i, row in enumerate(rows):
        _row(axes, row, i, span)
    axes.set_ylim(len(rows) - 0.35, -0.7)
    axes.set_xlim(*span)
    axes.set_yticks([])
    axes.spines[["left", "top", "right"]].set_visible(False)
    axes.xaxis.set_major_formatter(lambda v, _: typeset(signed(v, 0 if v == int(v) else 1)))
    axes.set_xlabel(quantity)


def span_of(rows: Sequence[NamedInterval], claimed: float | None) -> tuple[float, float]:
    """Ends of the axis: all of the main rows, others only half as far again."""
    main = [r.interval for r in rows if r.role in ("primary", "total")]
    ends = [v for i in main for v in (i.estimate, *(ends_of(i) or ()))]
    reach = max([abs(v) for v in ends] + [abs(claimed or 0), 1.0])
    every = [v for r in rows for v in (r.interval.estimate, *(ends_of(r.interval) or ()))]
    points = [0.0, *every, *([] if claimed is None else [claimed])]
    low, high = max(min(points), -1.5 * reach), min(max(points), 1.5 * reach)
    margin = 0.09 * (high - low or 1)
    return low - margin, high + margin


def _row(axes: "Axes", row: NamedInterval, i: int, span: tuple[float, float]) -> None:
    interval, main = row.interval, row.role == "primary"
    colour = INK if row.role in ("primary", "total") else QUIET
    weight = "bold" if main else "normal"
    y = i + 0.28
    name = row.name[:1].upper() + row.name[1:]
    axes.text(
        0.0, i - 0.08, shortened(name, 42), transform=axes.get_yaxis_transform(), va="center",
        fontweight=weight, color=colour, bbox=_BEHIND_TEXT,
    )  # fmt: skip
    ends = ends_of(interval)
    if ends is not None:
        low, high = max(ends[0], span[0]), min(ends[1], span[1])
        axes.plot([low, high], [y, y], color=colour, linewidth=3.0 if main else 1.5,
                  solid_capstyle="butt")  # fmt: skip
        value = f"{signed(ends[0])} to {signed(ends[1])}"
        for end, inside, marker in ((ends[0], low, "<"), (ends[1], high, ">")):
            if end != inside:
                axes.plot([inside], [y], marker, color=colour, markersize=5)
    else:
        value = "no interval"
    at = min(max(interval.estimate, span[0]), span[1])
    axes.plot([at], [y], "s" if main else "o", color=colour, markersize=6 if main else 4)
    axes.text(
        1.0, i - 0.08, typeset(f"{signed(interval.estimate)} ({value})"), va="center", ha="right",
        transform=axes.get_yaxis_transform(), fontweight=weight, color=colour,
        bbox=_BEHIND_TEXT,
    )  # fmt: skip


def shortened(text: str, most: int) -> str:
    """The text, cut at `most` characters."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"
