"""Numbers in docs/fuel.md are those that the code gives."""

import re
from pathlib import Path

import pytest

from roadlog.closure.regression import planned_half_width_pct
from roadlog.fuel import ESTIMATORS
from roadlog.fuel.sight import table_lines

PAGE = (Path(__file__).parents[2] / "docs" / "fuel.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("tanks", [4, 8, 16])
def test_table_of_what_fills_can_do(tanks):
    row = re.search(rf"^\| {tanks} \|(.*)\|$", PAGE, re.MULTILINE)
    told = [float(x) for x in row[1].split("|")]
    ours = [
        planned_half_width_pct(tanks, 40, share, level)
        for share in (0.55, 0.75, 1.0)
        for level in (0.2, 0.5)
    ]
    assert told == pytest.approx(ours, rel=0.05)


@pytest.mark.parametrize("name", list(ESTIMATORS))
def test_table_of_estimators(name):
    row = re.search(rf"^\| `{name}` \|[^|]*\| (\S+) % \| (\S+) % \|$", PAGE, re.MULTILINE)
    estimate = ESTIMATORS[name]
    assert float(row[1]) == pytest.approx(estimate.expected_error_pct, abs=0.55)
    assert float(row[2]) == pytest.approx(estimate.unshared_error_pct, abs=0.06)


def test_table_of_what_the_figure_cannot_see():
    """The page shows the code's own table, line for line."""
    assert "\n".join(table_lines()) in PAGE
