"""What the cards show inside their frame: the result, the route, the days, the whole claim.

Each function takes facts and draws them into a box of a sheet; none states an estimate as a fact.
"""

import math
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from roadlog.publish.cards.sheet import (
    LEAST_TEXT_PX,
    LINE,
    Box,
    Sheet,
    clipped,
    fitted_size,
    text_width,
    wrapped,
)
from roadlog.quantities.arms import ARMS
from roadlog.report.claim_table import Part
from roadlog.road.network import Network
from roadlog.wording.answer import Answer
from roadlog.wording.numbers import signed
from roadlog.wording.screen import typeset
from roadlog.wording.units import amount, symbol

MARKERS = {"baseline": "o", "fitted": "D"}
_ROUND = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0)


def draw_result(sheet: Sheet, box: Box, answer: Answer) -> None:
    """The range as a bar beside 'no change' and the claim; below it, where there is room, in words.

    A range on which no conclusion may rest is an outline.
    """
    if sheet.height > sheet.width:
        box = _sentences(sheet, box, answer.sentences)
    if answer.range_pct is None:
        if sheet.height <= sheet.width:
            _said(sheet, box, answer.sentences[0])
        return
    low, high = answer.range_pct
    claimed, look = answer.claim_pct, sheet.theme
    at = _scale(box, [0.0, low, high, *([] if claimed is None else [claimed])])
    size = min(64.0, max(LEAST_TEXT_PX, box.height / 11))
    thick = min(110.0, max(40.0, 0.13 * box.height))
    axis, top = box.bottom + 2.2 * size, box.top - 2.4 * size
    middle = axis + 1.9 * size + 0.5 * (top - axis - 1.9 * size)
    sheet.line([box.left, box.right], [axis, axis], look.hair, 4)
    sheet.line([at(0), at(0)], [axis - 14, top], look.ink, 5)
    sheet.line([at(low), at(high)], [middle, middle], look.bar, thick)
    if answer.outcome == "no answer" or (claimed is None and answer.shows is None):
        inner = [at(low) + 6, at(high) - 6]
        if inner[1] > inner[0]:
            sheet.line(inner, [middle, middle], look.paper, thick - 12)
    labels = [("no change", at(0), look.ink)]
    if claimed is not None:
        sheet.line([at(claimed)] * 2, [axis - 14, top], look.claim, 7, "--")
        labels.append((typeset(f"claimed {signed(claimed)} %"), at(claimed), look.claim))
    _labels(sheet, box, labels, top, size)
    said = typeset(f"{signed(low)} to {signed(high)} %")
    half = text_width(said, 1.15 * size, "bold") / 2
    centre = min(max(at((low + high) / 2), box.left + half), box.right - half)
    sheet.text(centre, middle - thick / 2 - 1.25 * size, said, 1.15 * size, colour=look.bar,
               weight="bold", ha="center", backed=True)  # fmt: skip
    sheet.text(box.left, box.bottom + 0.9 * size, "◀ less fuel", size, colour=look.quiet)
    sheet.text(box.right, box.bottom + 0.9 * size, "more fuel ▶", size, colour=look.quiet,
               ha="right")  # fmt: skip


def _scale(box: Box, marks: Sequence[float]) -> Callable[[float], float]:
    """From percent to the sheet, with room beyond the outermost marks."""
    low, high = min(marks), max(marks)
    pad = 0.16 * (high - low or 1.0)
    return lambda v: box.left + (v - low + pad) / (high - low + 2 * pad) * box.width


def _sentences(sheet: Sheet, box: Box, sentences: Sequence[str]) -> Box:
    """Write the answer's sentences at the bottom of a tall card; the box that is left above."""
    for size in (60.0, 54.0, 48.0, LEAST_TEXT_PX):
        lines = [wrapped(typeset(s), box.width, size) for s in sentences]
        high = sum(len(mine) * LINE * size + 0.5 * size for mine in lines)
        if high <= 0.58 * box.height:
            break
    while high > 0.75 * box.height and len(lines) > 1:
        high -= len(lines[-1]) * LINE * size + 0.5 * size
        lines.pop()
    y = box.bottom + high
    for mine in lines:
        for line in mine:
            y -= LINE * size
            sheet.text(box.left, y + 0.2 * size, line, size)
        y -= 0.5 * size
    return Box(box.left, box.bottom + high + 40, box.right, box.top)


def _labels(
    sheet: Sheet, box: Box, labels: Sequence[tuple[str, float, str]], y: float, size: float
) -> None:
    """Names over the lines, the second a line higher where it would touch the first."""
    taken: list[tuple[float, float]] = []
    for words, x, colour in labels:
        half = text_width(words, size, "bold") / 2
        x = min(max(x, box.left + half), box.right - half)
        touches = any(x - half < b + 20 and x + half > a - 20 for a, b in taken)
        taken.append((x - half, x + half))
        height = y + 0.35 * size + (LINE * size if touches else 0)
        sheet.text(x, height, words, size, colour=colour, weight="bold", ha="center")


def draw_days(sheet: Sheet, box: Box, means: pd.DataFrame, labels: dict[str, str]) -> None:
    """Fuel use of every switch unit in order of time, the driving held equal where it is.

    Parameters
    ----------
    means : DataFrame
        `EffectResult.unit_means`: arm, switch_unit, start, adjusted_pct.
    labels : arm -> what the study calls it
    """
    means = means.sort_values("start", kind="stable", ignore_index=True)
    values = means["adjusted_pct"].to_numpy(dtype=np.float64)
    reach = max(1.0, float(np.nanmax(np.abs(values)))) * 1.25
    step = next((s for s in (0.5, 1, 2, 5, 10, 20, 50, 100) if reach / s <= 2.6), reach / 2)
    reach = max(reach, 2 * step)
    size = LEAST_TEXT_PX
    top = _key(sheet, box, labels)
    left = box.left + text_width(typeset(signed(-reach, 0)) + " %", size) + 24
    bottom = box.bottom + 1.9 * size
    inner = Box(left, bottom, box.right, top - 10)

    def height(value: float) -> float:
        return inner.bottom + (value + reach) / (2 * reach) * inner.height

    for k in range(-2, 3):
        y = height(k * step)
        sheet.line([inner.left, inner.right], [y, y], sheet.theme.hair, 5 if k == 0 else 2)
        sheet.text(inner.left - 20, y, typeset(f"{signed(k * step, 0 if step >= 1 else 1)} %"),
                   size, colour=sheet.theme.quiet, ha="right", va="center")  # fmt: skip
    n = len(means)
    mark = min(40.0, max(18.0, 0.7 * inner.width / max(n, 1)))
    for i, (arm, value) in enumerate(zip(means["arm"], values, strict=True)):
        if math.isfinite(value):
            x = inner.left + (i + 0.5) / n * inner.width
            sheet.marker(x, height(value), MARKERS[arm], mark, sheet.theme.arms[arm],
                         filled=arm == "baseline")  # fmt: skip
    names = means["switch_unit"].astype(str).tolist()
    room = 0.48 * inner.width
    sheet.text(inner.left, box.bottom + 0.4 * size, clipped(names[0], room, size), size,
               colour=sheet.theme.quiet)  # fmt: skip
    sheet.text(inner.right, box.bottom + 0.4 * size, clipped(names[-1], room, size), size,
               colour=sheet.theme.quiet, ha="right")  # fmt: skip


def _key(sheet: Sheet, box: Box, labels: dict[str, str]) -> float:
    """Which mark is which arm; the height under it."""
    size, x, y = LEAST_TEXT_PX, box.left, box.top - LEAST_TEXT_PX
    room = box.width / 2 - 110
    for arm in ARMS:
        words = clipped(labels[arm], room, size)
        sheet.marker(x + 22, y + 0.36 * size, MARKERS[arm], 34, sheet.theme.arms[arm],
                     filled=arm == "baseline")  # fmt: skip
        sheet.text(x + 62, y, words, size)
        x += 62 + text_width(words, size) + 60
    return y - 0.9 * size


def draw_map(sheet: Sheet, box: Box, network: Network, passes: dict[str, int]) -> None:
    """The shared road, the wider the more often it was driven, with a scale bar.

    Colours of single stretches are left to the map page, where their bounds stand beside them.

    Parameters
    ----------
    passes : segment -> how often it was driven and used
    """
    drawn = [s for s in network.segments if len(s.x_m) > 1]
    across = np.concatenate([s.x_m for s in drawn])
    up = np.concatenate([s.y_m for s in drawn])
    turned = (np.ptp(across) > np.ptp(up)) != (box.width > box.height)
    lines = [(-s.y_m, s.x_m) if turned else (s.x_m, s.y_m) for s in drawn]
    if turned:
        across, up = -up, across
    low_x, high_x, low_y, high_y = across.min(), across.max(), up.min(), up.max()
    size = LEAST_TEXT_PX
    inner = Box(box.left + 30, box.bottom + 2.2 * size, box.right - 30, box.top - 20)
    scale = min(
        inner.width / max(high_x - low_x, 1.0), inner.height / max(high_y - low_y, 1.0)
    )  # px a metre
    shift_x = inner.left + (inner.width - scale * (high_x - low_x)) / 2
    shift_y = inner.bottom + (inner.height - scale * (high_y - low_y)) / 2
    most = max([passes.get(s.id, 0) for s in drawn] + [1])
    for s, (east, north) in zip(drawn, lines, strict=True):
        x = (shift_x + scale * (east - low_x)).tolist()
        y = (shift_y + scale * (north - low_y)).tolist()
        often = passes.get(s.id, 0) / most
        sheet.line(x, y, sheet.theme.bar if often else sheet.theme.hair, 6 + 14 * often,
                   cap="round")  # fmt: skip
    unit_m = 1000 / amount(1.0, "km")
    bar = max((k for k in _ROUND if unit_m * k * scale <= 0.4 * inner.width), default=_ROUND[0])
    y = box.bottom + 0.55 * size
    length = unit_m * bar * scale
    sheet.line([box.left, box.left + length], [y, y], sheet.theme.ink, 6)
    for x in (box.left, box.left + length):
        sheet.line([x, x], [y - 14, y + 14], sheet.theme.ink, 6)
    sheet.text(box.left + length + 24, y, f"{bar:g} {symbol('km')}", size, va="center")
    above = "east is up" if turned else "north is up"
    sheet.text(box.right, y, above, size, colour=sheet.theme.quiet, ha="right", va="center")


def draw_claim(sheet: Sheet, box: Box, parts: Sequence[Part]) -> None:
    """Every part of the claim with what was found; under it what was claimed, if there is room."""
    told = [
        "; ".join(x for x in (p.claimed and f"claimed: {p.claimed}", p.interval) if x)
        for p in parts
    ]
    for size, most in (
        *((s, 6) for s in (72.0, 64.0, 56.0, 50.0, LEAST_TEXT_PX)),
        (LEAST_TEXT_PX, 0),
    ):
        below = [wrapped(typeset(x), box.width, size)[:most] for x in told]
        whole = all(len(wrapped(typeset(x), box.width, size)) <= most for x in told)
        if whole and sum((1.9 + LINE * len(lines)) * size for lines in below) <= box.height:
            break
    row = min(1.9, box.height / (size * len(parts))) if not any(below) else 1.9
    y = box.top
    for part, lines in zip(parts, below, strict=True):
        base = y - 0.6 * row * size
        word = part.finding or "no finding"
        taken = text_width(word, size, "bold") + 40
        colour = sheet.theme.claim if word == "refuted" else sheet.theme.ink
        sheet.text(box.right, base, word, size, colour=colour, weight="bold", ha="right")
        sheet.text(box.left, base, clipped(part.name, box.width - taken, size), size)
        for line in lines:
            base -= LINE * size
            sheet.text(box.left, base, line, size, colour=sheet.theme.quiet)
        y = base - 0.4 * row * size
        sheet.line([box.left, box.right], [y, y], sheet.theme.hair, 2)


def _said(sheet: Sheet, box: Box, words: str) -> None:
    lines, size = fitted_size(words, box.width, (72.0, 60.0, 50.0, LEAST_TEXT_PX), 5, "normal")
    y = box.bottom + box.height / 2 + len(lines) * size * LINE / 2 - size
    for line in wrapped(words, box.width, size):
        sheet.text(box.left, y, line, size, colour=sheet.theme.quiet)
        y -= size * LINE
