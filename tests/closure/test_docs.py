"""Numbers in docs/fuel.md are those that the code gives."""

import re
from pathlib import Path

import numpy as np
import pytest

from roadlog.closure.regression import fit_arms, ratio_interval, tank_covariance
from roadlog.fuel import ESTIMATORS
from roadlog.fuel.sight import FIGURES, PLACES, SIGHT, sight_word

PAGE = (Path(__file__).parents[2] / "docs" / "fuel.md").read_text(encoding="utf-8")


def planned_half_width_pct(
    tanks: int, litres: float, larger_share: float, fill_sd_l: float, pump_pct: float = 0.5
) -> float:
    """Half the 95 % interval of a plan of tanks that scatter as stated, the arms leading in turn.

    `larger_share` is the leading arm's share of a tank; the pump may be off by `pump_pct`, even.
    """
    lead = np.where(np.arange(tanks) % 2 == 0, larger_share, 1 - larger_share)
    by_arm = litres * np.column_stack([lead, 1 - lead])
    measured = np.full(tanks, litres)
    pump = np.full(tanks, pump_pct / 100 / np.sqrt(3))
    follows = np.ones(tanks - 1, bool)
    fit = fit_arms(measured, by_arm, tank_covariance(measured, follows, fill_sd_l, pump))
    change = ratio_interval(fit, "")
    return (change.high - change.low) / 2


@pytest.mark.parametrize("tanks", [4, 8, 16])
def test_table_of_what_fills_can_do(tanks):
    row = re.search(rf"^\| {tanks} \|(.*)\|$", PAGE, re.MULTILINE)
    told = [float(x) for x in row[1].split("|")]
    ours = [
        planned_half_width_pct(tanks, 40.0, share, level)
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
    lines = [
        "| acts on | " + " | ".join(f"`{f}`" for f in FIGURES) + " |",
        "|---" * (len(FIGURES) + 1) + "|",
    ]
    for place in PLACES:
        name = "nothing declared" if place is None else f"`{place}`"
        words = [sight_word(SIGHT[place, f]) for f in FIGURES]
        lines.append(f"| {name} | " + " | ".join(words) + " |")
    assert "\n".join(lines) in PAGE
