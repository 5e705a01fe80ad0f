"""The report's plots: frames of a finished analysis in, SVG elements out.

Interval plot, switch-unit means, leave-one-out, and residuals three ways. Baseline is a filled
circle, fitted an open diamond, whatever their colours.
"""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from roadlog.analysis.result import Analysed
from roadlog.quantities.arms import ARMS
from roadlog.report.colours import ARM_COLOURS, CLAIM, HAIR, INK, QUIET
from roadlog.report.svg import figure
from roadlog.report.text import typeset
from roadlog.stats.interval import Interval, NamedInterval
from roadlog.wording.numbers import bounds, ends_of, number, signed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MARKERS = {"baseline": "o", "fitted": "D"}
MANY_POINTS = 3000
_ROW_IN = 0.36
_BEHIND_TEXT = {"facecolor": "#ffffff", "edgecolor": "none", "pad": 0.8}


def forest_rows(analysed: Analysed) -> list[NamedInterval]:
    """Rows of the interval plot, the primary first and the plain comparison last."""
    effect = analysed.effect
    rows = list(effect.forest)
    roles = {r.role for r in rows}
    if "primary" not in roles:
        rows.append(NamedInterval("Equal-driving effect", effect.primary, "primary"))
    if "total" not in roles:
        rows.append(NamedInterval("Total effect", effect.total, "total"))
    if "unadjusted" not in roles:
        rows.append(NamedInterval("Plain comparison of arms", effect.unadjusted, "unadjusted"))
    chance = effect.randomisation
    told = any("randomis" in r.name.lower() for r in rows)
    if chance is not None and not told:
        interval = Interval(effect.total.estimate, chance.low, chance.high)
        if ends_of(interval) is not None:
            rows.append(NamedInterval("Randomisation interval", interval, "crosscheck"))
    order = ("primary", "mixed", "total", "crosscheck", "sensitivity", "unadjusted")
    return sorted(rows, key=lambda r: order.index(r.role))


def forest(analysed: Analysed) -> Markup:
    """Every estimate with its interval, the claim and zero as lines."""
    rows = [r for r in forest_rows(analysed) if math.isfinite(r.interval.estimate)]
    claim = analysed.study.claim
    claimed = None if claim is None else claim.fuel_use_change_pct
    lines = [f"{r.name}: {signed(r.interval.estimate)} %, {bounds(r.interval)}" for r in rows]
    if claimed is not None:
        lines.append(f"The claim: {signed(claimed)} %")
    span = _forest_span(rows, claimed)

    def draw(axes: "Axes") -> None:
        axes.set_position((0.03, 0.5 / height, 0.94, 1 - 0.75 / height))
        axes.axvline(0, color=INK, linewidth=0.8)
        if claimed is not None:
            axes.axvline(claimed, color=CLAIM, linewidth=1.3, linestyle=(0, (5, 2)))
            near_left = claimed - span[0] < 0.12 * (span[1] - span[0])
            axes.annotate(
                typeset(f"claim {signed(claimed)} %"), (claimed, -0.75), color=CLAIM, va="bottom",
                ha="left" if near_left else "center", fontweight="bold", annotation_clip=False,
            )  # fmt: skip
        for i, row in enumerate(rows):
            _forest_row(axes, row, i, span)
        axes.set_ylim(len(rows) - 0.35, -0.7)
        axes.set_xlim(*span)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.xaxis.set_major_formatter(lambda v, _: typeset(signed(v, 0 if v == int(v) else 1)))
        axes.set_xlabel("less fuel  ·  change of fuel use, %  ·  more fuel")

    height = _ROW_IN * len(rows) + 0.85
    return figure("forest", typeset("Interval plot. " + "; ".join(lines) + "."), height, draw)


def _forest_span(rows: Sequence[NamedInterval], claimed: float | None) -> tuple[float, float]:
    """Ends of the axis: all of the main rows, others only half as far again."""
    main = [r.interval for r in rows if r.role in ("primary", "total")]
    ends = [v for i in main for v in (i.estimate, *(ends_of(i) or ()))]
    reach = max([abs(v) for v in ends] + [abs(claimed or 0), 1.0])
    every = [v for r in rows for v in (r.interval.estimate, *(ends_of(r.interval) or ()))]
    points = [0.0, *every, *([] if claimed is None else [claimed])]
    low, high = max(min(points), -1.5 * reach), min(max(points), 1.5 * reach)
    margin = 0.09 * (high - low or 1)
    return low - margin, high + margin


def _forest_row(axes: "Axes", row: NamedInterval, i: int, span: tuple[float, float]) -> None:
    interval, main = row.interval, row.role == "primary"
    colour = INK if row.role in ("primary", "total") else QUIET
    weight = "bold" if main else "normal"
    y = i + 0.28
    name = row.name[:1].upper() + row.name[1:]
    axes.text(
        0.0, i - 0.08, _shortened(name, 42), transform=axes.get_yaxis_transform(), va="center",
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


def _shortened(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def unit_means(analysed: Analysed) -> Markup:
    """Adjusted fuel use of every switch unit in order of time."""
    means = _in_time(analysed.effect.unit_means)
    arms = {arm: means[means["arm"] == arm] for arm in ARMS}

    def draw(axes: "Axes") -> None:
        axes.axhline(0, color=HAIR, linewidth=0.8)
        for arm, part in arms.items():
            _points(axes, part.index.to_numpy(), part["adjusted_pct"], arm, size=30)
            if len(part):
                axes.axhline(
                    float(part["adjusted_pct"].mean()), color=ARM_COLOURS[arm], linewidth=1,
                    linestyle="-" if arm == "baseline" else (0, (5, 3)),
                )  # fmt: skip
        _label_units(axes, means["switch_unit"])
        axes.set_ylabel("adjusted fuel use, % of the mean")
        _percent(axes)

    averages = "; ".join(
        f"{arm} mean {signed(float(part['adjusted_pct'].mean()))} %" for arm, part in arms.items()
    )
    words = f"Adjusted fuel use of {len(means)} switch units in order of time. {averages}."
    return figure("units", typeset(words), 2.7, draw)


def leave_one_out(analysed: Analysed) -> Markup | None:
    """The effect again without each switch unit in turn; None if that wasn't done."""
    frame = analysed.effect.leave_one_out
    frame = frame[np.isfinite(frame["estimate"].astype(float))].reset_index(drop=True)
    if frame.empty:
        return None
    whole = analysed.effect.primary
    band = ends_of(whole)

    def draw(axes: "Axes") -> None:
        x = frame.index.to_numpy()
        axes.axhline(0, color=INK, linewidth=0.6)
        axes.axhline(whole.estimate, color=QUIET, linewidth=1, linestyle=(0, (4, 2)))
        if band is not None:
            axes.axhspan(*band, color=HAIR, alpha=0.45, linewidth=0)
        axes.vlines(x, frame["low"].astype(float), frame["high"].astype(float), color=QUIET,
                    linewidth=1.1)  # fmt: skip
        axes.plot(x, frame["estimate"], "o", color=INK, markersize=4)
        _label_units(axes, frame["switch_unit"])
        axes.set_ylabel("effect without that unit, %")
        _percent(axes)

    farthest = int((frame["estimate"] - whole.estimate).abs().to_numpy().argmax())
    words = (
        f"The effect without each switch unit in turn: {signed(float(frame['estimate'].min()))} to "
        f"{signed(float(frame['estimate'].max()))} %. The unit that moves it most is "
        f"{frame['switch_unit'].iloc[farthest]}."
    )
    return figure("without", typeset(words), 2.7, draw)


def residual_plots(analysed: Analysed) -> list[tuple[str, Markup]]:
    """Residuals by time, by segment and against the normal distribution, each with its caption."""
    frame = analysed.effect.residuals
    frame = frame[np.isfinite(frame["residual"].astype(float))]
    if len(frame) < 3:
        return []
    return [
        ("Residuals in order of time", _by_time(frame)),
        ("Residuals by segment", _by_segment(frame)),
        ("Residuals against a normal distribution", _quantiles(frame)),
    ]


def _by_time(frame: pd.DataFrame) -> Markup:
    frame = _in_time(frame)
    firsts = frame.drop_duplicates("switch_unit")

    def draw(axes: "Axes") -> None:
        _residual_points(axes, frame, frame.index.to_numpy(dtype=np.float64))
        _thin_ticks(axes, firsts.index.to_list(), firsts["switch_unit"].astype(str).to_list())

    return figure("residual-time", _spread("Residuals of every pass in order of time", frame), 2.5,
                  draw)  # fmt: skip


def _by_segment(frame: pd.DataFrame) -> Markup:
    codes, names = pd.factorize(frame["segment"], sort=True)
    # A fixed low-discrepancy shift instead of random jitter keeps the file reproducible.
    shift = (np.arange(len(frame)) * 0.618034 % 1 - 0.5) * 0.6

    def draw(axes: "Axes") -> None:
        _residual_points(axes, frame, codes + shift)
        _thin_ticks(axes, list(range(len(names))), [str(n) for n in names])

    return figure("residual-segment", _spread("Residuals of every pass by segment", frame), 2.5,
                  draw)  # fmt: skip


def _quantiles(frame: pd.DataFrame) -> Markup:
    from scipy.special import ndtri

    size = len(frame)
    measured = np.sort(100 * frame["residual"].to_numpy(dtype=np.float64))
    # Plotting positions (i - 3/8)/(n + 1/4): Blom (1958), Statistical estimates and transformed
    # beta-variables.
    normal = ndtri((np.arange(1, size + 1) - 0.375) / (size + 0.25))

    def draw(axes: "Axes") -> None:
        spread, middle = float(measured.std()), float(measured.mean())
        ends = np.array([normal[0], normal[-1]])
        axes.plot(ends, middle + spread * ends, color=QUIET, linewidth=1)
        axes.plot(normal, measured, "o", color=INK, markersize=2, markeredgewidth=0,
                  rasterized=size > MANY_POINTS)  # fmt: skip
        axes.set_xlabel("standard normal quantile")
        axes.set_ylabel("residual, %")
        _percent(axes)
        axes.xaxis.set_major_formatter(lambda v, _: typeset(number(v, 0)))

    words = "Residuals against normal quantiles; on the line they would be normal"
    return figure("residual-normal", _spread(words, frame), 2.5, draw)


def _residual_points(axes: "Axes", frame: pd.DataFrame, x: np.ndarray[Any, Any]) -> None:
    axes.axhline(0, color=HAIR, linewidth=0.8)
    for arm in ARMS:
        of_arm = (frame["arm"] == arm).to_numpy()
        _points(axes, x[of_arm], 100 * frame["residual"][of_arm], arm, size=5)
    axes.set_ylabel("residual, %")
    _percent(axes)


def _points(axes: "Axes", x: Any, y: Any, arm: str, *, size: float) -> None:
    axes.scatter(
        x, y, s=size, marker=MARKERS[arm], linewidths=0.5 + size / 40, edgecolors=ARM_COLOURS[arm],
        facecolors=ARM_COLOURS[arm] if arm == "baseline" else "none",
        rasterized=len(x) > MANY_POINTS,
    )  # fmt: skip


def _spread(words: str, frame: pd.DataFrame) -> str:
    deviation = 100 * float(frame["residual"].std())
    return typeset(f"{words}: {len(frame)} passes, standard deviation {number(deviation)} %.")


def _in_time(frame: pd.DataFrame) -> pd.DataFrame:
    """Rows in order of start; rows without one keep their order."""
    return frame.sort_values("start", kind="stable", ignore_index=True)


def _label_units(axes: "Axes", units: pd.Series) -> None:
    names = units.astype(str).to_list()
    axes.set_xlim(-0.7, len(names) - 0.3)
    _thin_ticks(axes, list(range(len(names))), names)


def _thin_ticks(axes: "Axes", places: Sequence[float], names: Sequence[str]) -> None:
    """As many names under the axis as fit it; dates lose the year that they share."""
    dates = all(len(n) == 10 and n[4] == n[7] == "-" for n in names)
    shown = [n[5:] if dates and len({m[:4] for m in names}) == 1 else n for n in names]
    longest = max((len(n) for n in shown), default=1)
    fit = max(2, int(52 / (longest + 2)))
    step = max(1, math.ceil(len(shown) / fit))
    axes.set_xticks(list(places[::step]), [_shortened(n, 24) for n in shown[::step]])


def _percent(axes: "Axes") -> None:
    axes.yaxis.set_major_formatter(lambda v, _: typeset(signed(v, 0 if v == int(v) else 1)))
