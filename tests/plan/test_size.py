"""What a plan promises, held against simulated studies and against the engine's own rules."""

import math

import numpy as np
import pytest

from roadlog.effect.power import expected_half_width
from roadlog.errors import DesignError
from roadlog.plan.size import (
    ASSUMED_SCATTER,
    Layout,
    Scatter,
    cautious,
    layout_of,
    needed_units,
    size,
)
from roadlog.study import Claim, Plan

TWO_RUNS = Layout(runs_per_unit=2, passes_per_run=15, block_size=2)


def test_expected_half_width_is_the_mean_over_simulated_studies():
    """20,000 studies of six pairs: the mean half-width has a simulation error of 0.25 %."""
    from scipy.special import stdtrit

    rng = np.random.default_rng(4)
    d = rng.standard_normal((20_000, 6))
    half = stdtrit(5, 0.975) * d.std(axis=1, ddof=1) / np.sqrt(6)
    assert expected_half_width(1 / np.sqrt(6), 5) == pytest.approx(half.mean(), rel=0.01)


def test_promised_chance_is_kept_in_simulated_studies():
    """Eight days in pairs, no covariates between days: 40,000 studies, error 0.25 points."""
    from scipy.special import stdtrit

    scatter, claim = Scatter(0.015, 0.015, 0.06, "made up"), Claim(fuel_pct=4)
    planned = size(8, scatter, TWO_RUNS, claim)
    rng = np.random.default_rng(8)
    n = 40_000
    unit = scatter.unit_sd * rng.standard_normal((n, 8))
    run = scatter.run_sd * rng.standard_normal((n, 8, 2)).mean(axis=2)
    passes = scatter.pass_sd / np.sqrt(30) * rng.standard_normal((n, 8))
    y = unit + run + passes
    d = y[:, ::2] - y[:, 1::2]
    low = d.mean(axis=1) - stdtrit(3, 0.975) * d.std(axis=1, ddof=1) / 2
    refuted = (low > math.log1p(claim.fuel_use_change_pct / 100)).mean()
    assert planned.df == 3
    assert refuted == pytest.approx(planned.chance, abs=0.01)


def test_needed_units_are_the_first_that_reach_80_percent():
    for road, scatter in ASSUMED_SCATTER.items():
        n = needed_units(scatter, TWO_RUNS, Claim(fuel_pct=4))
        assert size(n, scatter, TWO_RUNS, Claim(fuel_pct=4)).chance >= 0.8, road
        assert size(n - 2, scatter, TWO_RUNS, Claim(fuel_pct=4)).chance < 0.8, road


def test_rougher_roads_need_more_days():
    needed = [needed_units(ASSUMED_SCATTER[r], TWO_RUNS, Claim(fuel_pct=3))
              for r in ("motorway", "mixed", "town")]  # fmt: skip
    assert needed == sorted(needed)
    assert needed[0] < needed[2]


def test_a_claim_that_no_test_can_settle_has_no_size():
    assert needed_units(ASSUMED_SCATTER["town"], TWO_RUNS, Claim(fuel_pct=0.2)) is None


def test_claims_of_the_same_fuel_need_the_same_days():
    by_mpg = needed_units(ASSUMED_SCATTER["mixed"], TWO_RUNS, Claim(economy_pct=100 * 3 / 97))
    assert by_mpg == needed_units(ASSUMED_SCATTER["mixed"], TWO_RUNS, Claim(fuel_pct=3))


def test_four_units_give_no_interval():
    with pytest.raises(DesignError, match="plan 6 units or more"):
        size(4, ASSUMED_SCATTER["mixed"], TWO_RUNS, None)


def test_washout_takes_distance_from_every_unit():
    layout = layout_of(Plan(runs_per_day=4, km_per_run=10), 15, 1.0)
    assert layout.runs_per_unit == pytest.approx(2.5)
    with pytest.raises(DesignError, match="days_per_unit = 2"):
        layout_of(Plan(runs_per_day=2, km_per_run=10), 15, 1.0)


def test_cautious_scatter_covers_the_true_one_4_times_out_of_5():
    """20,000 pilots of five days: their upper limit exceeds the truth in 80 % (error 0.3)."""
    rng = np.random.default_rng(2)
    factor = cautious(Scatter(1.0, 1.0, 1.0, "pilot", df=4)).unit_sd
    sd = rng.standard_normal((20_000, 5)).std(axis=1, ddof=1)
    assert (sd * factor > 1).mean() == pytest.approx(0.8, abs=0.01)
    assert cautious(ASSUMED_SCATTER["mixed"]) is None


@pytest.mark.parametrize("days", [12, 20])
def test_the_plans_degrees_of_freedom_are_those_of_the_analysis(days, tmp_path):
    from roadlog.analysis import analyse
    from roadlog.demo import make_study
    from roadlog.runs import study_sources
    from roadlog.study import load_study

    folder = tmp_path / "demo"
    make_study(folder, days=days, positions=False)
    study = load_study(folder)
    done = analyse(study, study_sources(folder, study))
    planned = size(days, ASSUMED_SCATTER["mixed"], TWO_RUNS, study.claim)
    assert done.effect.primary.df == planned.df
