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
from roadlog.report.control import less_control, units_shown
from roadlog.report.svg import figure
from roadlog.stats.interval import NamedInterval
from roadlog.wording.colours import ARM_COLOURS, HAIR, INK, QUIET
from roadlog.wording.forest import draw_rows, height_in, shortened
from roadlog.wording.numbers import bounds, ends_of, number, signed
from roadlog.wording.screen import typeset

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MARKERS = {"baseline": "o", "fitted": "D"}
MANY_POINTS = 3000


def forest(analysed: Analysed) -> Markup:
    """Every estimate with its interval, the claim and zero as lines."""
    rows = [r for r in analysed.effect.rows() if math.isfinite(r.interval.estimate)]
    claim = analysed.study.claim
    claimed = None if claim is None else claim.fuel_use_change_pct
    lines = [f"{r.name}: {signed(r.interval.estimate)} %, {bounds(r.interval)}" for r in rows]
    if claimed is not None:
        lines.append(f"The claim: {signed(claimed)} %")
    return interval_rows("forest", rows, claimed, f"Interval plot. {'; '.join(lines)}.")


def interval_rows(
    name: str, rows: Sequence[NamedInterval], claimed: float | None, description: str
) -> Markup:
    """Intervals in a row over the whole width, with room for the claim's name above them."""
    height = height_in(len(rows))

    def draw(axes: "Axes") -> None:
        axes.set_position((0.03, 0.5 / height, 0.94, 1 - 0.75 / height))
        draw_rows(axes, rows, claimed)

    return figure(name, typeset(description), height, draw)


def unit_means(analysed: Analysed) -> Markup:
    """Adjusted fuel use of every switch unit in order of time, less the control car's."""
    means = _in_time(units_shown(analysed))
    beside = f", {less}" if (less := less_control(analysed)) else ""
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
        axes.set_ylabel(f"adjusted fuel use{beside}, % of the mean", wrap=True)
        _percent(axes)

    averages = "; ".join(
        f"{arm} mean {signed(float(part['adjusted_pct'].mean()))} %" for arm, part in arms.items()
    )
    words = f"Adjusted fuel use{beside} of {len(means)} switch units in order of time. {averages}."
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
    axes.set_xticks(list(places[::step]), [shortened(n, 24) for n in shown[::step]])


def _percent(axes: "Axes") -> None:
    axes.yaxis.set_major_formatter(lambda v, _: typeset(signed(v, 0 if v == int(v) else 1)))
