"""The arithmetic of closure and batches against statsmodels, and its constants against rules."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.optimize import brentq

from roadlog.closure.regression import fit_arms, ratio_interval, tank_covariance
from roadlog.quantities.fuels import FUELS
from roadlog.quantities.units import KM_PER_MILE, L_PER_US_GALLON
from roadlog.study.settings import LedgerRule

MIX = np.array([[20.0, 5.0], [6.0, 22.0], [14.0, 12.0], [25.0, 3.0], [4.0, 20.0], [12.0, 15.0]])


def noisy_tanks():
    rng = np.random.default_rng(3)
    measured = MIX @ np.array([1.01, 1.05]) + np.diff(1.5 * rng.standard_normal(len(MIX) + 1))
    covariance = tank_covariance(measured, np.ones(len(MIX) - 1, bool), 0.3, np.full(6, 0.003))
    return measured, covariance


def test_generalised_least_squares_as_statsmodels():
    """statsmodels GLS: coefficients, their covariance with the scale estimated from residuals."""
    measured, covariance = noisy_tanks()
    ours = fit_arms(measured, MIX, covariance)
    theirs = sm.GLS(measured, MIX, sigma=covariance).fit()
    assert ours.chi2_per_df > 1
    assert ours.coefficients == pytest.approx(theirs.params, rel=1e-10)
    assert ours.covariance == pytest.approx(theirs.cov_params(), rel=1e-8)


def test_ratio_bounds_are_where_statsmodels_t_test_turns():
    """Fieller's bounds invert the t test of fitted - ratio x baseline = 0 (statsmodels t_test)."""
    measured, covariance = noisy_tanks()
    ours = ratio_interval(fit_arms(measured, MIX, covariance), "")
    theirs = sm.GLS(measured, MIX, sigma=covariance).fit()

    def p(ratio):
        return float(theirs.t_test([[-ratio, 1.0]], use_t=True).pvalue) - 0.05

    centre = theirs.params[1] / theirs.params[0]
    assert ours.low == pytest.approx(100 * (brentq(p, 0.3, centre) - 1), abs=1e-6)
    assert ours.high == pytest.approx(100 * (brentq(p, centre, 3.0) - 1), abs=1e-6)


def test_pump_error_is_what_the_law_permits():
    """Directive 2014/32/EU, annex VII (MI-005), table 2: 0.5 % for measuring systems of class 0.5
    (fuel dispensers); NIST Handbook 44 as Texas states it for pumps in use: 6 in³ in 5 gal."""
    cubic_inches_per_gallon = 231
    in_use_pct = 100 * 6 / (5 * cubic_inches_per_gallon)
    assert LedgerRule().pump_pct == pytest.approx(0.5)
    assert in_use_pct == pytest.approx(LedgerRule().pump_pct, rel=0.05)


def test_carbon_balance_of_the_epa_example():
    """40 CFR 600 appendix II (a): HC 0.139, CO 1.59, CO2 317 g/mile give 27.7 mile/gal with the
    carbon balance of a gasoline of 86.6 % carbon and specific gravity 0.739 (2421 g C/gal); ours
    with 86.5 % carbon and 0.745 lies within 1 %."""
    fuel = FUELS["E0"]
    carbon_g_mile = 0.866 * 0.139 + 0.429 * 1.59 + 0.273 * 317
    litres_per_mile = carbon_g_mile / fuel.carbon_mass_fraction / fuel.density_kg_m3
    assert L_PER_US_GALLON / litres_per_mile == pytest.approx(27.7, rel=0.01)
    assert litres_per_mile / KM_PER_MILE * 100 == pytest.approx(8.5, abs=0.1)


def test_energy_of_e10_against_e0():
    """DOE AFDC fuel properties: a gallon of E10 holds 96.7 % of the energy of one gallon of
    gasoline (from memory)."""
    e0, e10 = FUELS["E0"], FUELS["E10"]
    ratio = e10.density_kg_m3 * e10.lhv_mj_kg / (e0.density_kg_m3 * e0.lhv_mj_kg)
    assert ratio == pytest.approx(0.967, abs=0.004)


def test_air_carries_the_same_energy_whatever_the_ethanol():
    """Heat per kilogram of stoichiometric air is nearly a constant of fuels: 2.97 MJ/kg petrol and
    2.99 ethanol from 43.4/14.6 and 26.9/9.0 (values of DOE AFDC), which is why fuel from air flow
    is nearly right in energy whatever blend is declared."""
    per_air = {n: FUELS[n].lhv_mj_kg / FUELS[n].stoich_afr for n in ("E0", "E10", "E85")}
    assert per_air["E10"] == pytest.approx(per_air["E0"], rel=0.002)
    assert per_air["E85"] == pytest.approx(per_air["E0"], rel=0.02)
