"""The calibration's batch engine is the shipped one, response by response."""

import numpy as np
import pytest

from roadlog.effect.estimate import primary_stages
from tests.effect.drives import PETROL, passes
from tests.studies.calibration.cells import all_cells
from tests.studies.calibration.engine import stages_of
from tests.studies.calibration.study import run_cell


@pytest.mark.parametrize("options", [{}, {"paired": False}, {"switched_by_run": True}])
@pytest.mark.parametrize("randomised", [True, False])
def test_batch_equals_the_shipped_functions(options: dict, randomised: bool) -> None:
    table = passes(np.random.default_rng(1), days=10, **options)
    fuel = np.column_stack(
        [
            table["fuel_ml"],
            table["fuel_ml"] * np.random.default_rng(2).uniform(0.8, 1.2, len(table)),
        ]
    )
    stages = stages_of(table, randomised=randomised)
    fit = stages.fit(fuel[stages.layout.passes.index])
    for b in range(2):
        one = primary_stages(
            table.assign(fuel_ml=fuel[:, b]), randomised=randomised, physics=PETROL
        )
        assert fit.converged[b]
        assert fit.df == one.contrast.df
        assert fit.tau[b] == pytest.approx(one.contrast.tau, abs=1e-7)
        assert fit.se[b] == pytest.approx(one.contrast.se, rel=1e-5)
        assert fit.floor_se[b] == pytest.approx(one.contrast.floor_se, rel=1e-5)
        assert fit.half_width()[b] == pytest.approx(one.contrast.half_width(), rel=1e-5)


def test_a_plain_cell_covers() -> None:
    (cell,) = [c for c in all_cells() if c.name == "A/12-units/sd-1-1-6"]
    record = run_cell(cell, 2000)
    assert record["printed"] == 2000
    assert 0.935 < record["coverage"] < 0.975
    assert abs(record["bias_pct"]) < 5 * record["bias_se_pct"] + 0.01


def test_cells_have_names_of_their_own_and_known_groups() -> None:
    cells = all_cells()
    assert len(cells) > 700
    assert {c.group for c in cells} == set("ABCDEFGHIJKL")
