"""Whole analyses against the plan's promise: what is read off a record."""

import math

import numpy as np
import pytest

from tests.studies.promise_whole import refuted, scatter_of

ROW = {
    "estimate": 0.0, "low": -2.0, "high": 2.0, "total": 0.0, "margin_pct": 0.5,
    "randomisation_low": -2.2,
}  # fmt: skip


def test_margin_and_orders_have_to_clear_the_claim():
    assert refuted([ROW], -3.0) == (1, 1)
    assert refuted([ROW], -2.6) == (0, 1)  # the orders' own interval reaches beyond
    assert refuted([ROW], -2.4) == (0, 0)


def test_scatter_is_what_the_widths_and_totals_came_from():
    rng = np.random.default_rng(1)
    length = math.sqrt(4 / 12)
    half = 2.306 * 0.02 * length  # t of 8 degrees of freedom
    driving = 0.03 * length * rng.standard_normal(4000)
    rows = [
        {
            **ROW, "low": 100 * math.expm1(-half), "high": 100 * math.expm1(half),
            "total": 100 * math.expm1(d), "margin_pct": 25 * abs(d) + 0.04,
        }
        for d in driving
    ]  # fmt: skip
    found = scatter_of(rows, 12)
    assert found.unit_sd == pytest.approx(0.02, rel=1e-3)
    assert found.driving_sd == pytest.approx(0.03, rel=0.05)
    assert found.air_sd_k == pytest.approx(math.sqrt(math.pi / 2) / length, rel=1e-6)
