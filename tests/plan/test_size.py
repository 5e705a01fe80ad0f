"""What days can show in percent, and what loose protocol costs."""

import pytest

from roadlog.errors import DesignError
from roadlog.plan.promise import order_of_schedule, typical_order
from roadlog.plan.size import (
    UnitPlan,
    assumed_scatter,
    losses,
    refutable_curve,
    size,
    unit_plan,
)
from roadlog.study.car import Claim
from roadlog.study.settings import Plan

TWO_RUNS = UnitPlan(runs_per_unit=2, block_size=4)
MIXED = assumed_scatter("mixed", 2)


def test_half_of_the_simulated_studies_are_narrower_than_promised():
    """12 days: t at 8 degrees of freedom times the median of the estimated error."""
    from scipy.special import chdtri, stdtrit

    s = size(typical_order(12, 4), MIXED, TWO_RUNS, None)
    median = (chdtri(8, 0.5) / 8) ** 0.5 * MIXED.unit_sd / 3**0.5
    assert s.df == 8
    assert s.half_width_pct == pytest.approx(100 * stdtrit(8, 0.975) * median, rel=0.03)
    assert s.chances == ()
    assert s.settles is None


def test_chances_are_of_nothing_half_the_claim_the_claim_and_twice():
    s = size(typical_order(12, 4), MIXED, TWO_RUNS, Claim(fuel_pct=6))
    assert [c.true_pct for c in s.chances] == [0, -3, -6, -12]
    for c in s.chances:
        assert c.refuted + c.supported + c.undecided == pytest.approx(1)
    assert s.settles == s.chances[0].refuted > 0.9
    assert s.chances[2].undecided > 0.9


def test_a_claim_of_most_fuel_has_no_twice():
    s = size(typical_order(12, 4), MIXED, TWO_RUNS, Claim(fuel_pct=60))
    assert len(s.chances) == 3


def test_smallest_claims_shrink_with_days_and_grow_with_the_road():
    smooth, rough = (refutable_curve(assumed_scatter(r, 2), TWO_RUNS) for r in ("motorway", "town"))
    assert list(smooth) == list(range(6, 31, 2))
    assert all(rough[n] < smooth[n] < 0 for n in smooth)


def test_claims_of_the_same_fuel_need_the_same_days():
    by_mpg, by_fuel = (size(typical_order(12, 4), MIXED, TWO_RUNS, c).needed
                       for c in (Claim(economy_pct=100 * 3 / 97), Claim(fuel_pct=3)))  # fmt: skip
    assert by_mpg == by_fuel


def test_loose_air_conditioning_costs_more_days_than_anything_else():
    found = losses(MIXED, TWO_RUNS, Claim(fuel_pct=6))
    needed = [k.needed for k in found]
    assert "unnoted" in found[0].words
    assert needed == sorted(needed, reverse=True)
    assert needed[0] >= 3 * size(typical_order(12, 4), MIXED, TWO_RUNS, Claim(fuel_pct=6)).needed


def test_what_a_pilot_already_scatters_costs_nothing_more():
    from dataclasses import replace

    wild = replace(MIXED, unit_sd=0.05)
    words = " ".join(k.words for k in losses(wild, TWO_RUNS, Claim(fuel_pct=12)))
    assert "positions" not in words
    assert "one direction" not in words


def test_washout_takes_distance_from_every_unit():
    layout = unit_plan(Plan(runs_per_day=4, km_per_run=10), 15)
    assert layout.runs_per_unit == pytest.approx(2.5)
    with pytest.raises(DesignError, match="days_per_unit = 2"):
        unit_plan(Plan(runs_per_day=2, km_per_run=10), 15)


def test_the_plans_degrees_of_freedom_are_those_of_the_analysis(study_without_positions):
    from roadlog.analysis.analyse import analyse
    from roadlog.runs.table import study_sources
    from roadlog.study.folder import load_study

    study = load_study(study_without_positions)
    done = analyse(study, study_sources(study_without_positions, study))
    planned = size(order_of_schedule(study.schedule), MIXED, TWO_RUNS, study.claim)
    assert done.effect.primary.df == planned.df
    assert done.effect.randomisation.assignments == 6**3
