"""A study drawn from the bank is the shipped analysis of the same passes."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.effect.estimate import primary_stages
from roadlog.effect.held_equal import hold_equal
from tests.effect.drives import passes
from tests.studies.drawn import PHYSICS, Kind, block_labels, draw_study, routes

DAYS = 12
STILL = Kind("still", run_sd=0.0)


@pytest.fixture
def table() -> pd.DataFrame:
    drawn = passes(np.random.default_rng(3), days=DAYS, effect=0.0)
    date = pd.factorize(drawn["day"])[0]
    way = drawn["run"] % 2
    own = drawn["segment"].astype(str) + np.where(way == 1, " back", " out")
    return drawn.assign(variant="usual", date=date, way=way, segment=own, used=True)


@pytest.fixture
def bank(table, tmp_path):
    table.to_parquet(tmp_path / "route-1.parquet")
    return routes(Path(tmp_path))


def as_shipped(table: pd.DataFrame, arm, log_scatter):
    """The pass table with these arms and scatter, through the analysis."""
    date = table["date"].to_numpy()
    return primary_stages(
        table.assign(
            arm=np.array(["baseline", "fitted"])[np.asarray(arm)[date]],
            block=np.array(block_labels(DAYS))[date],
            fuel_ml=table["fuel_ml"] * np.exp(log_scatter[date]),
        ),
        randomised=True,
        physics=PHYSICS,
    )


@pytest.mark.parametrize("effect", [0.0, -0.1])
def test_scatter_and_effect_put_in_after_stage_one_are_those_put_into_the_fuel(table, bank, effect):
    study = draw_study(STILL, DAYS, bank, np.random.default_rng(5))
    arm = study.orders.arms[0]
    scatter = 0.03 * np.random.default_rng(6).standard_normal(DAYS)
    drawn = study.finish(scatter + effect * arm)
    one = as_shipped(table, arm, scatter + effect * arm)
    assert drawn.contrast.tau == pytest.approx(one.contrast.tau, abs=1e-5)
    assert drawn.contrast.se == pytest.approx(one.contrast.se, rel=1e-3)
    assert drawn.contrast.floor_se == pytest.approx(one.contrast.floor_se, rel=1e-3)
    air = table.groupby("date")["ambient_c"].mean().to_numpy()
    held = hold_equal(one.fit, one.total, one.contrast, air, PHYSICS)
    assert drawn.held.driving == pytest.approx(held.driving, abs=1e-4)
    assert drawn.held.margin == pytest.approx(held.margin, abs=2e-4)


def test_word_with_an_effect_is_that_of_a_study_with_it(bank):
    study = draw_study(STILL, DAYS, bank, np.random.default_rng(5))
    arm, scatter = study.orders.arms[0], 0.02 * np.random.default_rng(7).standard_normal(DAYS)
    words = set()
    for effect in (0.0, -0.03, -0.06, -0.12):
        inside = study.finish(scatter + effect * arm)
        words.add(inside.word(-6.0))
        assert study.finish(scatter).word(-6.0, effect) == inside.word(-6.0)
    assert words == {"refuted", "undecided", "supported"}


@pytest.mark.parametrize(
    ("kind", "fitted"),
    [(Kind(passes=1), False), (Kind(passes=3), True), (Kind(whole_runs=True), False)],
)
def test_few_passes_and_whole_runs_are_expected_from_declared_data(bank, kind, fitted):
    study = draw_study(kind, DAYS, bank, np.random.default_rng(8))
    assert study.fit.fitted is fitted
    assert study.fit.terms.units == DAYS
    if kind.passes:
        assert len(study.fit.terms.fuel_ml) == kind.passes * DAYS
    else:
        assert len(study.fit.terms.fuel_ml) == 2 * DAYS
