"""The trials' physics against constants, a textbook example, standards and library tests."""

from itertools import product

import numpy as np
import pandas as pd
import pytest

from roadlog.stats.compare import compare_arms, repeats_needed
from roadlog.trials.ceiling import (
    GAS_PER_WATER,
    hydrogen_lhv_mj_kg,
    hydrogen_mol_s,
    reversible_voltage,
    thermoneutral_voltage,
    volume_ml_min,
)
from roadlog.trials.course import ambient_factor
from roadlog.trials.inspection import agree, blind_test

ATM_KPA = 101.325


def test_gas_of_a_textbook_electrolysis():
    """1.26 A for 7.44 h through dilute sulfuric acid: 0.0874 mol or 1.96 L of O2, 0.175 mol of H2.

    Source: worked example 19.8 of a general-chemistry textbook (Burdge and Overby, Chemistry:
    Atoms First, from memory of the title), as holooly.com question 991932 gives it; 0 °C, 1 atm.
    """
    seconds = 7.44 * 3600
    hydrogen = hydrogen_mol_s(1.26) * seconds
    assert hydrogen == pytest.approx(0.175, abs=0.0005)
    assert hydrogen / 2 == pytest.approx(0.0874, abs=0.0001)
    oxygen_l = volume_ml_min(hydrogen / 2 / seconds, 0.0, ATM_KPA) / 1000 * seconds / 60
    assert oxygen_l == pytest.approx(1.96, abs=0.005)


def test_faraday_yield_from_the_defining_constants():
    """F = e N_A exactly (SI 2019: e = 1.602176634e-19 C, N_A = 6.02214076e23): 10.46 mL/min/A.

    Hydrogen and oxygen, dry, 0 °C and 1 atm, molar volume 22.413 969 54 L/mol (CODATA 2022).
    """
    faraday = 1.602176634e-19 * 6.02214076e23
    expected = 1.5 / (2 * faraday) * 22.41396954e3 * 60
    got = volume_ml_min(GAS_PER_WATER * hydrogen_mol_s(1.0), 0.0, ATM_KPA)
    assert got == pytest.approx(expected, rel=1e-7)
    assert got == pytest.approx(10.46, abs=0.01)


def test_hydrogen_heating_value_and_cell_voltages():
    """LHV 119.96 MJ/kg (NIST WebBook's formation enthalpy of water vapour, -241.826 kJ/mol, over
    2.016 g/mol); 1.481 V thermoneutral and 1.229 V reversible at 25 °C (electrochemistry texts;
    the values are from memory).
    """
    assert hydrogen_lhv_mj_kg() == pytest.approx(119.96, abs=0.02)
    assert thermoneutral_voltage() == pytest.approx(1.481, abs=0.001)
    assert reversible_voltage() == pytest.approx(1.229, abs=0.001)


def test_j1349_at_its_own_reference_and_by_hand():
    """SAE J1349 JUN90 as quoted: cf = 1.180 (990/p)·√((T + 273)/298) − 0.18, mbar and °C.

    The standard's reference is 990 mbar dry and 25 °C, where the factor is 1. 950 mbar and 35 °C by
    hand: 1.18 · 1.042105 · 1.016639 − 0.18 = 1.0701. The hand calculation is ours.
    """
    assert ambient_factor(25.0, 99.0) == pytest.approx(1.0, abs=1e-12)
    assert ambient_factor(35.0, 95.0) == pytest.approx(1.0701, abs=1e-4)


@pytest.mark.parametrize(
    ("temp_c", "dry_kpa"), [(15.0, 99.0), (35.0, 99.0), (25.0, 95.0), (20.0, 101.0)]
)
def test_j1349_and_iso_1585_agree_where_both_hold(temp_c, dry_kpa):
    """ISO 1585 spark ignition: α = (99/p)^1.2 (T/298)^0.6 (from memory), valid 0.93 to 1.07.

    Two standards for the same thing by two forms; within 1 % of each other over usual weather.
    """
    iso = (99.0 / dry_kpa) ** 1.2 * ((temp_c + 273) / 298) ** 0.6
    assert 0.93 < iso < 1.07
    assert ambient_factor(temp_c, dry_kpa) == pytest.approx(iso, abs=0.01)


def test_sign_test_by_counting_and_by_scipy():
    """8 of 10 one way: p = 2 (45 + 10 + 1)/1024 = 0.109375, by the binomial coefficients."""
    test = blind_test(np.array([1.0] * 8 + [-1.0] * 2))
    assert test.p_sign == pytest.approx(0.109375, abs=1e-12)
    assert blind_test(np.array([2.0, 0.0, 1.0, 3.0])).p_sign == pytest.approx(0.25)


def test_permutation_p_by_listing_every_flip():
    """All 2^n sign flips listed here, the share whose mean is at least as far from zero."""
    d = np.array([0.4, 1.2, -0.3, 0.9, 2.0, 0.1, -0.8])
    flips = np.array(list(product((-1, 1), repeat=len(d))))
    sums = np.abs(flips @ d)
    expected = np.mean(sums >= abs(d.sum()) - 1e-12)
    assert blind_test(d).p_permutation == pytest.approx(expected, abs=1e-12)


def test_permutation_test_of_ranks_is_scipys_exact_wilcoxon():
    """On signed ranks the sign-flip test is Wilcoxon's; `scipy.stats.wilcoxon(method='exact')`."""
    from scipy.stats import wilcoxon

    d = np.array([1.0, 2.0, -3.0, 4.0, 5.0, 6.0, -7.0, 8.0])
    assert blind_test(d).p_permutation == pytest.approx(wilcoxon(d, method="exact").pvalue)


def test_typical_value_interval_of_six_pairs_is_the_range_of_means():
    """Hartigan 1969: with n = 6 the 2.5 % ends of 63 subset means are the smallest and largest.

    The smallest subset mean is the smallest value, the largest the largest: 1 - 2/64 = 96.9 %.
    """
    d = np.array([0.2, 1.0, 1.5, 2.2, 3.0, 4.5])
    test = blind_test(d)
    assert (test.low, test.high) == (0.2, 4.5)


def test_fleiss_kappa_of_the_published_example():
    """Ten subjects, 14 raters, five categories: kappa 0.210 (table of the Fleiss 1971 method as
    shown in encyclopedias; from memory). Checked through the same library call that `agree` uses.
    """
    from statsmodels.stats.inter_rater import fleiss_kappa

    counts = np.array([
        [0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1],
        [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7],
    ])  # fmt: skip
    assert fleiss_kappa(counts) == pytest.approx(0.210, abs=0.0005)


def test_cohens_kappa_by_hand():
    """20 pairs, two scorers: observed agreement 0.7, expected 0.5, kappa 0.4.

    (20 and 15 of 50 in the usual example: a = 20, b = 5, c = 10, d = 15; kappa 0.4, from memory.)
    """
    first = [1.0] * 25 + [-1.0] * 25
    second = [1.0] * 20 + [-1.0] * 5 + [1.0] * 10 + [-1.0] * 15
    assert agree(pd.DataFrame({"a": first, "b": second})).kappa == pytest.approx(0.4)


def test_difference_within_pairs_is_the_paired_t_interval():
    """`scipy.stats.ttest_rel` on the same pairs."""
    from scipy.stats import ttest_rel

    rng = np.random.default_rng(2)
    base, fitted = rng.normal(5, 1, 7), rng.normal(5.4, 1, 7)
    units = pd.DataFrame(
        {
            "arm": ["baseline"] * 7 + ["fitted"] * 7,
            "block": [str(i) for i in range(7)] * 2,
            "y": np.concatenate([base, fitted]),
        }
    )
    ours = compare_arms(units)
    theirs = ttest_rel(fitted, base).confidence_interval(0.95)
    assert ours.df == 6
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high))


def test_difference_without_blocks_is_the_pooled_t_interval():
    """`scipy.stats.ttest_ind` with equal variances."""
    from scipy.stats import ttest_ind

    rng = np.random.default_rng(3)
    base, fitted = rng.normal(5, 1, 5), rng.normal(5.4, 1, 8)
    units = pd.DataFrame(
        {
            "arm": ["baseline"] * 5 + ["fitted"] * 8,
            "block": "",
            "y": np.concatenate([base, fitted]),
        }
    )
    ours = compare_arms(units)
    theirs = ttest_ind(fitted, base).confidence_interval(0.95)
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high))


def test_repeats_agree_with_published_sample_sizes():
    """Cohen 1988, table 2.4.1 (from memory): d = 0.8, 0.5 at 5 %, power 0.80 need 26 and 64."""
    assert repeats_needed(0.8, 1.0) == 26
    assert repeats_needed(0.5, 1.0) == 64
    assert repeats_needed(-0.5, 1.0) == 64


def test_mean_of_opposite_directions_cancels_a_grade_to_first_order():
    """Runs in opposite directions are averaged in SAE J1263 coastdown practice (from memory).

    A force ±δ on a mass speeds up one way what it slows the other: t± = t0 (1 ± ε + ε² …), so the
    mean is off by ε² only. Here 1 % of grade moves each way by over 0.3 s and the mean by 0.02 s.
    """
    from tests.trials.synthetic import POWER_KW, speed_trace, true_time

    level = true_time(*speed_trace(POWER_KW))
    up = true_time(*speed_trace(POWER_KW, grade=0.01))
    down = true_time(*speed_trace(POWER_KW, grade=-0.01))
    assert up - level > 0.25
    assert abs((up + down) / 2 - level) < 0.02


def test_runouts_at_unequal_loads_are_ordinary_least_squares_on_arm_and_log_load():
    """`statsmodels` OLS of log flow on arm and log load, trial by trial: same interval."""
    import statsmodels.api as sm

    from roadlog.trials.runout import compare_runouts
    from tests.trials.synthetic import runout_table

    rng = np.random.default_rng(11)
    arms = [str(a) for a in rng.permutation(["baseline", "fitted"] * 6)]
    table = runout_table(
        rng, arms=arms, fuels_g=[300.0] * 12, loads_w=rng.uniform(800, 1200, 12).tolist()
    )
    ours = compare_runouts(table, fixed_end_state=True, randomised=True).change
    fitted = (table["arm"] == "fitted").to_numpy(float)
    x = sm.add_constant(np.column_stack([fitted, np.log(table["load_w"])]))
    theirs = sm.OLS(np.log(table["fuel_g"] / table["time_s"]), x).fit().conf_int()
    assert (ours.low, ours.high) == pytest.approx(tuple(theirs.loc["x1"]), rel=1e-4)
