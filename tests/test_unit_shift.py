"""Fuel in another unit in one arm: fuel for its air tells it from a saving."""

import numpy as np
import pandas as pd
import pytest

from roadlog.closure.unit_shift import unit_shift_blocking
from roadlog.quantities.units import L_PER_IMPERIAL_GALLON, L_PER_US_GALLON
from roadlog.stats.interval import Interval
from roadlog.study.settings import Study

UK_OVER_US = L_PER_IMPERIAL_GALLON / L_PER_US_GALLON
RUNS = pd.DataFrame(
    {
        "run": range(8),
        "switch_unit": [f"day {i}" for i in range(8)],
        "arm": ["baseline", "fitted"] * 4,
        "block": "",
        "used": True,
    }
)


def flows(rate_factor, air_factor, *, air="maf_g_s", noise=0.01):
    """Eight drives; the fitted arm's fuel and air multiplied."""
    rng = np.random.default_rng(7)
    found = []
    for arm in RUNS["arm"]:
        drawn = rng.uniform(3, 25, 600)
        f, a = (rate_factor, air_factor) if arm == "fitted" else (1.0, 1.0)
        spread = np.exp(noise * rng.standard_normal())
        found.append(
            pd.DataFrame(
                {
                    "dt_s": 1.0,
                    "rpm": 2000.0,
                    "fuel_rate_l_h": f * spread * drawn / 3,
                    air: a * drawn,
                }
            )
        )
    return found


def said(flows_, estimate, half=1.0, unit="gal/h", estimator="rate"):
    units = [{"fuel_rate_l_h": unit}] * 8
    primary = Interval(estimate, estimate - half, estimate + half)
    return unit_shift_blocking(Study(), estimator, flows_, RUNS, units, primary)


@pytest.mark.parametrize("air", ["maf_g_s", "absolute_load_pct", "map_kpa", "engine_load_pct"])
@pytest.mark.parametrize("factor", [UK_OVER_US, 1 / UK_OVER_US])
def test_a_gallon_of_the_other_kind_in_one_arm_is_seen_in_fuel_for_air(air, factor):
    (why,) = said(flows(factor, 1.0, air=air), 100 * (factor - 1))
    assert "in gal (imp)/h would make it" in why


def test_a_slip_that_hides_a_real_change_is_seen_too():
    """5 % saved and the wrong gallon: +14 %, which is no factor, and yet fuel for its air is."""
    assert said(flows(0.95 * UK_OVER_US, 0.95), 14.1)


@pytest.mark.parametrize("saved", [0.83, 0.833, 0.95, 1.2])
def test_a_real_change_moves_air_with_the_fuel_and_stays_firm(saved):
    assert said(flows(saved, saved), 100 * (saved - 1)) == ()


def test_without_any_air_a_change_near_the_factor_is_not_firm():
    bare = [f.drop(columns="maf_g_s") for f in flows(0.833, 1.0)]
    (why,) = said(bare, -16.5)
    assert "log engine speed with the air meter" in why
    assert said(bare, -8.0) == ()
    assert said(bare, -16.5, unit="l/h") == ()


def test_kilograms_in_one_arm_read_as_litres_are_seen():
    (why,) = said(flows(0.746, 1.0), -25.4, unit="l/h")
    assert "kg/h" in why


def test_air_that_tells_too_little_leaves_it_to_the_effect():
    loose = flows(1.0, 1.0, noise=0.25)
    assert said(loose, -16.5)
    assert said(loose, -2.0) == ()


def test_other_figures_have_no_unit_so_near():
    assert said(flows(0.833, 1.0), -16.7, estimator="maf") == ()
