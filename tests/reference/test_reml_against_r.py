"""The bounded REML fit against lme4, lmerTest and pbkrtest, against published output, and against
statsmodels.

Sources: lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2 on R 4.2.2 (tests/reference/r, with the
script); the pages that published.json names; statsmodels' MixedLM. The four tables that come with
lme4 aren't kept here, so their checks (sleepstudy among them) run only where Rscript and lme4 can
write them.
"""

import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from roadlog.stats.bounded.df import kenward_roger, satterthwaite
from roadlog.stats.bounded.model import MixedFit, fit_mixed
from roadlog.stats.bounded.reml import factor
from tests.reference.r_tables import FITS, FOLDER, OF_LME4, OWN, PUBLISHED, design, read


@pytest.fixture(scope="session")
def lme4_tables(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The tables of the R package lme4, written by R itself."""
    if shutil.which("Rscript") is None:
        pytest.skip("Rscript is not installed")
    folder = tmp_path_factory.mktemp("lme4")
    made = subprocess.run(
        ["Rscript", str(FOLDER / "fit.R"), str(folder), "--tables-of-lme4"],
        capture_output=True,
        check=False,
    )
    if made.returncode != 0:
        pytest.skip("R lacks lme4, nlme or jsonlite")
    return folder


def conditional_means(fit: MixedFit) -> dict[str, Any]:
    """Conditional means of the random intercepts by level code (R's `ranef`)."""
    a, gamma = fit.cross_products, fit.theta**2
    at = factor(a, gamma)
    q, p, beta = a.q_rest, a.p, fit.beta - a.centre
    rest = np.linalg.solve(at.chol[:q, :q].T, at.chol[-1, :q] - at.chol[q : q + p, :q].T @ beta)
    rest = at.scale[:q] * rest
    left = a.a_r1[-1] - a.a_r1[q : q + p].T @ beta - a.a_r1[:q].T @ rest
    parts = np.split(rest, np.cumsum(a.levels[1:])[:-1]) if q else []
    return dict(zip(a.groups, [gamma[0] * left * at.k, *parts], strict=True))


def assert_equals_r(name: str, table: pd.DataFrame) -> MixedFit:
    expected = FITS[name]
    arguments = design(name, table)
    fit = fit_mixed(**arguments)
    assert fit.reml == pytest.approx(expected["reml"], rel=1e-10)
    for i, term in enumerate(fit.names):
        scale = max(abs(expected["fixed"][term]), expected["se"][term])
        assert abs(fit.beta[i] - expected["fixed"][term]) < 1e-7 * scale
        assert fit.se[i] == pytest.approx(expected["se"][term], rel=1e-7)
    np.testing.assert_allclose(fit.vcov, expected["vcov"], rtol=1e-6, atol=1e-8 * fit.vcov.max())
    residual = expected["variance"]["Residual"]
    assert fit.sigma**2 == pytest.approx(residual, rel=1e-7)
    own = conditional_means(fit)
    for group, variance in zip(fit.groups, fit.variances, strict=True):
        assert variance == pytest.approx(expected["variance"][group], rel=1e-6, abs=1e-7 * residual)
        labels = np.unique(arguments["factors"][group])
        blups = np.array([expected["blup"][group][label] for label in labels])
        np.testing.assert_allclose(own[group], blups, atol=1e-8 * max(1, fit.sigma))
    if not expected["is_singular"]:
        theirs = expected["satterthwaite"]
        assert satterthwaite(fit, expected["coefficient"]).df == pytest.approx(
            theirs["df"], rel=1e-5
        )
    if "kenward_roger" in expected:
        ours, theirs = kenward_roger(fit, expected["coefficient"]), expected["kenward_roger"]
        assert ours.df == pytest.approx(theirs["df"], rel=1e-5)
        assert ours.se == pytest.approx(theirs["se"], rel=1e-6)
    return fit


@pytest.mark.parametrize("name", OWN)
def test_fit_equals_lme4_and_its_degrees_of_freedom(name: str) -> None:
    assert_equals_r(name, read(name))


@pytest.mark.parametrize("name", ["singular", "balanced_negative", "one_level_negative"])
def test_day_component_that_wants_to_be_negative_ends_at_zero(name: str) -> None:
    fit = fit_mixed(**design(name, read(name)))
    assert fit.boundary == ("unit",)
    assert fit.variances[fit.groups.index("unit")] == 0
    assert not conditional_means(fit)["unit"].any()
    assert fit.reml == pytest.approx(FITS[name]["reml"], rel=1e-12)


@pytest.mark.parametrize("name", [n for n in OWN if "nlme" in FITS[n]])
def test_fit_equals_nlme(name: str) -> None:
    """nlme 3.1-162, another engine than lme4's; it stops at a looser tolerance."""
    fit = fit_mixed(**design(name, read(name)))
    estimate, se = fit.coefficient("arm")
    assert fit.reml == pytest.approx(FITS[name]["nlme"]["reml"], rel=1e-7)
    assert abs(estimate - FITS[name]["nlme"]["estimate"]) < 1e-4 * se
    assert se == pytest.approx(FITS[name]["nlme"]["se"], rel=1e-4)


@pytest.mark.parametrize("name", OF_LME4)
def test_tables_of_lme4(name: str, lme4_tables: Path) -> None:
    assert_equals_r(name, read(name, lme4_tables))


def test_sleepstudy_as_published(lme4_tables: Path) -> None:
    """Output printed in the Get Started article of the R package multilevelmod (published.json)."""
    printed = PUBLISHED["sleepstudy_intercept"]
    fit = fit_mixed(**design("sleepstudy", read("sleepstudy", lme4_tables)))
    assert fit.reml == pytest.approx(printed["reml"], abs=6e-4)
    assert fit.sigma == pytest.approx(printed["sd"]["Residual"], abs=6e-6)
    assert fit.variances[0] ** 0.5 == pytest.approx(printed["sd"]["Subject"], abs=6e-6)
    assert fit.coefficient("Days")[0] == pytest.approx(printed["fixed"]["Days"], abs=6e-3)


def test_penicillin_as_published(lme4_tables: Path) -> None:
    """Output printed by J. M. Rosenberg, Comparing crossed effects models (published.json)."""
    printed = PUBLISHED["penicillin"]
    fit = fit_mixed(**design("penicillin", read("penicillin", lme4_tables)))
    assert fit.reml == pytest.approx(printed["reml"], abs=6e-5)
    for group, variance in zip(fit.groups, fit.variances, strict=True):
        assert variance**0.5 == pytest.approx(printed["sd"][group], abs=6e-5)


def test_dyestuff_as_in_the_tests_of_another_engine(lme4_tables: Path) -> None:
    """MixedModels.jl, test/pls.jl (published.json gives the commit)."""
    printed = PUBLISHED["dyestuff"]
    fit = fit_mixed(**design("dyestuff", read("dyestuff", lme4_tables)))
    assert fit.reml == pytest.approx(printed["reml"], abs=1e-4)
    assert fit.beta[0] == pytest.approx(printed["fixed"]["(Intercept)"])
    assert fit.vcov[0, 0] == pytest.approx(printed["vcov"]["(Intercept)"], rel=1e-3)


@pytest.mark.filterwarnings("ignore:Retrying MixedLM", "ignore:Maximum Likelihood optimization")
@pytest.mark.parametrize("name", ["balanced_units_only", "balanced", "unbalanced", "crossed"])
def test_fit_equals_statsmodels(name: str) -> None:
    """statsmodels' MixedLM (crossed factors as variance components of one group); it converges to
    a gradient, so variances are held to 1 %, effect and error to 0.1 %.
    """
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    a: dict[str, Any] = design(name, read(name))
    fit = fit_mixed(**a)
    n = len(a["y"])
    matrices, labels = [], []
    for group, levels in a["factors"].items():
        names, codes = np.unique(levels, return_inverse=True)
        matrices.append([np.eye(len(names))[codes]])
        labels.append(group)
    components = VCSpec(
        labels,
        [
            [[f"{g}{i}" for i in range(m[0].shape[1])]]
            for g, m in zip(labels, matrices, strict=True)
        ],
        matrices,
    )
    theirs = MixedLM(
        a["y"] * 100, a["x"], groups=np.zeros(n), exog_re=None, exog_vc=components
    ).fit(reml=True, method=["bfgs", "nm"], maxiter=2000)
    i = a["names"].index("arm")
    assert fit.beta[i] * 100 == pytest.approx(theirs.fe_params[i], rel=1e-3)
    assert fit.se[i] * 100 == pytest.approx(theirs.bse_fe[i], rel=1e-3)
    ours = dict(zip(fit.groups, fit.variances, strict=True))
    for group, variance in zip(labels, theirs.vcomp, strict=True):
        assert ours[group] * 1e4 == pytest.approx(variance, rel=1e-2)
