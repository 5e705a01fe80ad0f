"""The plots: rows in their order, descriptions with the numbers, quick enough to wait for."""

import time
from dataclasses import replace

import numpy as np
import pandas as pd

from roadlog.analysis.result import Analysed
from roadlog.report import figures
from roadlog.stats.interval import Interval
from roadlog.wording.forest import span_of
from tests.report.conftest import Change


def test_primary_stands_first_and_the_plain_comparison_last(analysed: Analysed) -> None:
    roles = [r.role for r in analysed.effect.rows()]
    assert roles[0] == "primary"
    assert roles[1] == "total"
    assert roles[-1] == "unadjusted"
    assert "Randomisation interval" in [r.name for r in analysed.effect.rows()]


def test_an_empty_forest_still_shows_the_three_main_estimates(
    variants: dict[str, Analysed],
) -> None:
    roles = [r.role for r in variants["before/after"].effect.rows()]
    assert roles == ["primary", "total", "unadjusted"]


def test_forest_names_claim_and_says_where_there_is_no_interval(
    variants: dict[str, Analysed],
) -> None:
    assert "claim −10.7" in str(figures.forest(variants["whole"]))
    assert "claim" not in str(figures.forest(variants["no claim"]))
    assert "no interval" in str(figures.forest(variants["before/after"]))


def test_one_wild_row_does_not_squeeze_the_others(analysed: Analysed, change: Change) -> None:
    wild = replace(analysed.effect.forest[2], interval=Interval(40.0, -900.0, 980.0))
    rows = (*analysed.effect.forest[:2], wild)
    low, high = span_of(rows, -10.7)
    assert -50 < low < -10.7
    assert high < 50
    assert "−900.0 to +980.0" in str(figures.forest(change(effect_forest=rows)))


def test_residuals_that_are_missing_are_left_out(analysed: Analysed, change: Change) -> None:
    residuals = analysed.effect.residuals.copy()
    residuals.loc[:9, "residual"] = np.nan
    plots = figures.residual_plots(change(effect_residuals=residuals))
    assert len(plots) == 3
    assert f"{len(residuals) - 10} passes" in str(plots[0][1])
    assert figures.residual_plots(change(effect_residuals=residuals.iloc[:11])) == []


def test_many_passes_become_a_picture_inside_the_plot(analysed: Analysed, change: Change) -> None:
    many = pd.concat([analysed.effect.residuals] * 12, ignore_index=True)
    plot = str(figures.residual_plots(change(effect_residuals=many))[0][1])
    assert "data:image/png;base64," in plot
    assert len(plot) < 400_000


def test_all_plots_together_take_little_more_than_a_second(analysed: Analysed) -> None:
    figures.forest(analysed)
    start = time.process_time()
    figures.forest(analysed)
    figures.unit_means(analysed)
    figures.leave_one_out(analysed)
    figures.residual_plots(analysed)
    assert time.process_time() - start < 1.2
