"""Pooled studies against metafor, printed results and closed forms.

Sources: metafor 3.8-1 on R 4.2.2 (tests/reference/r/pool.R, results in pool.json; the data sets are
metadat's). Viechtbauer (2010), Journal of Statistical Software 36(3), prints the BCG results (from
memory). The worked numbers of Hartung and Knapp (2001), Sidik and Jonkman (2002) and IntHout et al.
(2014) weren't at hand: their formula is checked in closed form instead.
"""

import json
import shutil
import subprocess
from typing import Any

import numpy as np
import pytest
from scipy import stats

from roadlog.stats.meta_analysis import (
    Mean,
    apart_by,
    chance_so_far_off,
    generalised_q,
    heterogeneity,
    moderated,
    paule_mandel,
    pool,
    reml,
    slant,
    why_no_slant,
)
from tests.reference.r_tables import FOLDER

STORED: dict[str, Any] = json.loads((FOLDER / "pool.json").read_text())
SETS = [name for name in STORED if name != "made_with"]
KNOWN = np.inf


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    if shutil.which("Rscript") is None:
        pytest.skip("Rscript is not installed")
    folder = tmp_path_factory.mktemp("pool")
    made = subprocess.run(
        ["Rscript", str(FOLDER / "pool.R"), str(folder)], capture_output=True, check=False
    )
    if made.returncode != 0:
        pytest.skip("R lacks metafor or jsonlite")
    found: dict[str, Any] = json.loads((folder / "pool.json").read_text())
    return found


def assert_equals_metafor(expected: dict[str, Any]) -> None:
    y, v = np.array(expected["y"]), np.array(expected["v"])
    se, df = np.sqrt(v), np.full(len(y), KNOWN)
    theirs = expected["paule_mandel"]
    spread = heterogeneity(y, v)
    tau2 = pytest.approx(theirs["tau2"], rel=1e-9, abs=1e-12)
    assert spread.tau2 == tau2
    assert spread.reml == pytest.approx(expected["reml"]["tau2"], rel=1e-7, abs=1e-12)
    assert spread.q == pytest.approx(theirs["q"], rel=1e-12)
    assert spread.p == pytest.approx(theirs["q_p"], rel=1e-8)
    assert spread.low == pytest.approx(theirs["tau2_low"], rel=1e-8, abs=1e-12)
    assert spread.high == pytest.approx(theirs["tau2_high"], rel=1e-8, abs=1e-12)
    assert 100 * spread.i2 == pytest.approx(theirs["i2"], rel=1e-9, abs=1e-9)
    whole = pool(y, se, df)
    found = whole.mean
    assert found.mean == pytest.approx(theirs["mu"], rel=1e-10)
    np.testing.assert_allclose(found.weights, theirs["weights"], rtol=1e-8)
    if found.wider == "spread":
        assert found.se == pytest.approx(theirs["se"], rel=1e-9)
    assert_as_wide(found, theirs, "")
    if len(y) > 2:
        assert [m.mean for m in whole.without] == pytest.approx(theirs["left_mu"], rel=1e-8)
        assert [m.tau2 for m in whole.without] == pytest.approx(
            theirs["left_tau2"], rel=1e-8, abs=1e-12
        )
        for i, left in enumerate(whole.without):
            ends = {n: v[i] for n, v in theirs.items() if n.startswith("left_")}
            assert_as_wide(left, ends, "left_")
        slope = slant(y, se)
        assert (slope.t, slope.slope, slope.p) == pytest.approx(
            [expected["slant"][n] for n in ("t", "slope", "p")], rel=1e-8
        )
    if len(y) > 3 and min(theirs["left_tau2"]) > 0:
        off = chance_so_far_off(y, v, df, whole.without)
        wanted = 2 * len(y) * stats.t.sf(np.abs(theirs["studentised"]), len(y) - 2)
        np.testing.assert_allclose(off, np.minimum(wanted, 1), rtol=1e-7)


def assert_as_wide(found: Mean, theirs: dict[str, Any], of: str) -> None:
    """Hartung and Knapp's interval, or the one by the estimates' own errors if that is wider."""
    wider = abs(theirs[f"{of}plain_low"] - found.mean) > abs(theirs[f"{of}low"] - found.mean)
    kind = f"{of}plain_" if wider else of
    ends = (theirs[f"{kind}low"], theirs[f"{kind}high"])
    assert (found.low, found.high) == pytest.approx(ends, abs=1e-8 * (ends[1] - ends[0]))
    assert found.wider == ("errors" if wider else "spread")


@pytest.mark.parametrize("name", SETS)
def test_as_metafor_has_it(name: str) -> None:
    assert_equals_metafor(STORED[name])


@pytest.mark.slow
def test_the_stored_results_are_metafors(live: dict[str, Any]) -> None:
    assert live.keys() == STORED.keys()
    for name in SETS:
        assert_equals_metafor(live[name])


@pytest.mark.parametrize("name", SETS)
def test_the_prediction_is_metafors_but_for_its_degrees_of_freedom(name: str) -> None:
    """Higgins, Thompson and Spiegelhalter (2009) take k - 2, metafor with test="knha" k - 1. Where
    tau² is 0 metafor's is no wider than its interval of the mean, which may be the narrower."""
    theirs = STORED[name]["paule_mandel"]
    k = len(STORED[name]["y"])
    found = pool(np.array(STORED[name]["y"]), np.sqrt(STORED[name]["v"]), np.full(k, KNOWN))
    if k == 2:
        assert found.ahead_plain is None
        return
    half = (theirs["ahead_high"] - theirs["ahead_low"]) / 2
    wanted = half * stats.t.ppf(0.975, k - 2) / stats.t.ppf(0.975, k - 1)
    assert found.ahead_plain is not None
    assert found.ahead is not None
    reach = (found.ahead_plain[1] - found.ahead_plain[0]) / 2
    if found.mean.wider == "errors":
        assert theirs["tau2"] == 0
        assert reach > wanted
    else:
        assert reach == pytest.approx(wanted, rel=1e-9)
    assert found.ahead[0] < found.mean.low
    assert found.ahead[1] > found.mean.high


def test_the_sets_hold_every_kind() -> None:
    """Two and three studies, tau² at 0 and beyond, each kind of interval, a clear slant."""
    k = {len(STORED[n]["y"]) for n in SETS}
    at_zero = {STORED[n]["paule_mandel"]["tau2"] == 0 for n in SETS if len(STORED[n]["y"]) < 4}
    assert {2, 3, 4} <= k
    assert at_zero == {True, False}
    assert STORED["magnesium"]["slant"]["p"] < 0.05
    assert STORED["lidocaine"]["paule_mandel"]["tau2_high"] > 0
    assert STORED["blockers"]["paule_mandel"]["tau2_high"] == 0


def test_two_pools_lie_apart_as_two_samples_by_welch() -> None:
    """Of equally exact studies with next to no errors a pool is a sample's mean: scipy's Welch."""
    a, b = np.array([0.3, 1.9, -2.2, 0.7, 4.0]), np.array([9.0, 5.5, 6.1])
    one, other = (pool(y, np.full(len(y), 1e-6), np.full(len(y), KNOWN)).mean for y in (a, b))
    by, half = apart_by(one, other)
    theirs = stats.ttest_ind(a, b, equal_var=False).confidence_interval()
    assert (by - half, by + half) == pytest.approx((theirs.low, theirs.high), rel=1e-6)


def test_the_next_may_be_unlike_though_these_seem_alike() -> None:
    """With tau² estimated as 0 the plain prediction is no wider than the mean's own interval but
    for its degrees of freedom; what the Q-profile allows is more."""
    y = np.array([0.5, -1.0, 1.5, 0.0, -0.5, 1.0])
    found = pool(y, np.ones(6), np.full(6, KNOWN))
    assert found.mean.tau2 == 0
    assert found.ahead is not None
    assert found.ahead_plain is not None
    assert found.ahead[1] > found.ahead_plain[1]


def test_where_tau_is_well_known_both_predictions_agree() -> None:
    rng = np.random.default_rng(8)
    y = 3 * rng.standard_normal(400)
    found = pool(y, np.full(400, 0.1), np.full(400, KNOWN))
    assert found.ahead == pytest.approx(found.ahead_plain, rel=0.02)


def test_bcg_vaccine_as_printed() -> None:
    """Viechtbauer (2010), section 3: tau² 0.3132, Q 152.2330, mean -0.7145 (from memory)."""
    y, v = np.array(STORED["bcg"]["y"]), np.array(STORED["bcg"]["v"])
    tau2 = reml(y, v)
    assert round(tau2, 4) == 0.3132
    assert round(generalised_q(y, v, 0.0), 4) == 152.2330
    w = 1 / (v + tau2)
    assert round(float(w @ y / w.sum()), 4) == -0.7145


def test_two_alike_studies_in_closed_form() -> None:
    """Hartung and Knapp's variance of two equally exact studies is their difference's quarter
    square, and Student's quantile at one degree of freedom is tan(0.475 π)."""
    found = pool(np.array([0.0, 4.0]), np.ones(2), np.full(2, KNOWN))
    assert found.heterogeneity.tau2 == pytest.approx(7.0)  # 4²/2 - 1
    half = found.mean.high - found.mean.mean
    assert half == pytest.approx(np.tan(0.475 * np.pi) * 4 / 2)
    assert found.ahead is None


def test_two_studies_that_happen_to_agree_are_no_more_exact_than_their_errors() -> None:
    found = pool(np.array([1.0, 1.0]), np.ones(2), np.full(2, KNOWN)).mean
    assert found.wider == "errors"
    assert found.high - found.mean == pytest.approx(1.959964 / np.sqrt(2), rel=1e-6)


def test_few_degrees_of_freedom_make_the_errors_wider() -> None:
    y, se = np.array([1.0, 1.1, 0.9]), np.ones(3)
    wide, narrow = (pool(y, se, np.full(3, d)).mean for d in (4.0, 400.0))
    assert wide.high - wide.low > narrow.high - narrow.low


def test_the_q_profile_of_two_studies_in_closed_form() -> None:
    """Q(tau²) = d² / (v1 + v2 + 2 tau²), so that each end is a quotient."""
    from scipy.stats import chi2

    found = heterogeneity(np.array([0.0, 9.0]), np.array([1.0, 3.0]))
    low, high = ((81 / chi2.ppf(p, 1) - 4) / 2 for p in (0.975, 0.025))
    assert (found.low, found.high) == pytest.approx((low, high))


def test_the_paule_mandel_of_alike_errors_is_the_variance_beyond_them() -> None:
    y = np.array([0.3, 1.9, -2.2, 0.7, 4.0])
    assert paule_mandel(y, np.full(5, 0.4)) == pytest.approx(np.var(y, ddof=1) - 0.4)
    assert reml(y, np.full(5, 0.4)) == pytest.approx(np.var(y, ddof=1) - 0.4)


def test_a_lucky_standard_error_is_pulled_back_a_known_one_is_not() -> None:
    v = moderated(np.array([0.3, 1.0, 1.0, 1.0]), np.array([3.0, 3.0, 3.0, KNOWN]))
    assert v[0] > 4 * 0.3**2
    assert v[3] == 1.0


def test_one_very_inexact_study_doesnt_widen_the_others() -> None:
    """By the plain mean of variances it made the range of five good ones 15 times as wide."""
    y, se, df = np.array([0.0, 0.01, -0.01, 0.005, 0.0]), np.full(5, 0.01), np.full(5, 8.0)
    alone = pool(y, se, df).mean
    beside = pool(np.append(y, 0.3), np.append(se, 0.5), np.append(df, 8.0)).mean
    assert beside.high - beside.low < 1.7 * (alone.high - alone.low)
    assert beside.weights[-1] < 0.001


def test_many_alike_standard_errors_stay_what_they_are() -> None:
    """The digamma function frees their logs of bias: the typical one is their true one."""
    rng = np.random.default_rng(5)
    se = np.sqrt(rng.chisquare(5, 4000) / 5)
    assert moderated(se, np.full(4000, 5.0)).mean() == pytest.approx(1, abs=0.03)


def test_a_giant_study_doesnt_weigh_all_where_studies_differ() -> None:
    y = np.array([0.0, 5.0, -4.0, 3.0])
    found = pool(y, np.array([0.01, 1.0, 1.0, 1.0]), np.full(4, 1000.0)).mean
    assert found.weights[0] < 0.5
    assert found.low < -1


def test_the_slant_is_asked_only_where_it_can_be_told() -> None:
    assert "at least 10" in why_no_slant(np.linspace(1, 3, 9))
    assert "equally exact" in why_no_slant(np.linspace(1, 1.2, 12))
    assert why_no_slant(np.linspace(1, 3, 12)) == ""


def test_small_studies_that_tell_larger_effects_are_seen() -> None:
    rng = np.random.default_rng(3)
    se = np.linspace(0.5, 4, 20)
    y = -1.5 * se + 0.3 * se * rng.standard_normal(20)
    assert slant(y, se).p < 1e-6


@pytest.mark.parametrize(
    ("y", "se", "df"),
    [([1.0], [1.0], [5.0]), ([1, np.nan], [1, 1], [5, 5]), ([1, 2], [0, 1], [5, 5]),
     ([1, 2], [1, 1], [0, 5]), ([1, 2], [1, 1, 1], [5, 5, 5])],
)  # fmt: skip
def test_what_cant_be_pooled_is_refused(y: Any, se: Any, df: Any) -> None:
    with pytest.raises(ValueError, match=r"studies|number"):
        pool(np.array(y), np.array(se), np.array(df))
