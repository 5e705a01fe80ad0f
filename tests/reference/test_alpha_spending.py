"""O'Brien-Fleming-type spending boundaries against published values.

Sources, all for the spending function of Lan K.K.G., DeMets D.L. (1983), Biometrika 70, 659-663:
- five equal looks, two-sided 5 %: the ldbounds vignette of CRAN ("An R Package for Group
  Sequential Boundaries Using Alpha Spending Functions"), also in Reboussin D.M. et al. (2000),
  Controlled Clinical Trials 21, 190-207;
- two equal looks, one-sided 2.5 % (the same boundary but for the opposite side): 2.9626, 1.9686;
- four equal looks, one-sided 5 %: README of PharmCat/SeqBounds.jl. One-sided at half the level is
  two-sided at the level, but for the chance of having crossed on the other side.
"""

import numpy as np
import pytest

from roadlog.plan.spending import alpha_spent, boundaries, nominal_levels


def test_five_looks_equal_the_published_boundaries():
    published = [4.8769, 3.3569, 2.6803, 2.2898, 2.0310]
    assert boundaries(np.arange(1, 6) / 5) == pytest.approx(published, abs=2e-4)


def test_two_looks_equal_the_published_boundaries():
    assert boundaries([0.5, 1.0]) == pytest.approx([2.9626, 1.9686], abs=1e-4)


def test_four_looks_at_ten_percent_equal_the_published_boundaries():
    published = [3.74955, 2.53993, 2.01604, 1.72014]
    assert boundaries(np.arange(1, 5) / 4, alpha=0.10) == pytest.approx(published, abs=1e-4)


def test_one_look_at_the_end_is_the_ordinary_test():
    assert boundaries([1.0])[0] == pytest.approx(1.959964, abs=1e-6)
    assert nominal_levels([1.0])[0] == pytest.approx(0.05, abs=1e-9)


def test_boundaries_by_scipys_multivariate_normal():
    """Three unequal looks: the crossing probabilities integrate to what may be spent."""
    from scipy.stats import multivariate_normal

    t = np.array([0.3, 0.55, 1.0])
    z = boundaries(t)
    cov = np.sqrt(np.minimum.outer(t, t) / np.maximum.outer(t, t))
    for k in range(1, 4):
        inside = multivariate_normal(np.zeros(k), cov[:k, :k], seed=1)
        stay = inside.cdf(z[:k], lower_limit=-z[:k])
        assert 1 - stay == pytest.approx(alpha_spent(t)[k - 1], abs=2e-5)
