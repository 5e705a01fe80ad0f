"""The bounded mixed model: faults named, invariances, and what it prints."""

from typing import Any

import numpy as np
import pytest

from roadlog.errors import FitError
from roadlog.stats.bounded.cross_products import aliased_columns, cross_products
from roadlog.stats.bounded.df import kenward_roger, satterthwaite
from roadlog.stats.bounded.model import MixedFit, fit_mixed
from roadlog.stats.bounded.reml import criterion, factor

NAMES = ["intercept", "arm", "demand"]


@pytest.fixture
def study() -> dict[str, Any]:
    rng = np.random.default_rng(4)
    run = np.repeat(np.arange(24), 8)
    day = run // 2
    x = np.column_stack([np.ones(192), day % 2, rng.normal(size=192)])
    y = (
        x @ [4.2, -0.03, 0.02]
        + rng.normal(0, 0.02, 12)[day]
        + rng.normal(0, 0.03, 24)[run]
        + rng.normal(0, 0.05, 192)
    )
    return {"y": y, "x": x, "names": NAMES, "factors": {"day": day, "run": run}}


def test_constant_covariate_is_named(study: dict[str, Any]) -> None:
    study["x"][:, 2] = 3.0
    with pytest.raises(FitError, match="'demand' is determined by the other columns"):
        fit_mixed(**study)


def test_second_of_two_aliased_columns_is_named(study: dict[str, Any]) -> None:
    study["x"] = np.column_stack([study["x"], 2 * study["x"][:, 1] - 1])
    with pytest.raises(FitError, match="'fitted twice' is determined"):
        fit_mixed(**study | {"names": [*NAMES, "fitted twice"]})


def test_pass_without_fuel_is_named_by_row(study: dict[str, Any]) -> None:
    study["y"][17] = np.nan
    with pytest.raises(FitError, match="row 17 has a missing response"):
        fit_mixed(**study)


def test_covariate_with_gaps_is_named(study: dict[str, Any]) -> None:
    study["x"][3, 2] = np.nan
    with pytest.raises(FitError, match="covariate 'demand' has missing values"):
        fit_mixed(**study)


def test_pass_without_a_day_is_named(study: dict[str, Any]) -> None:
    days = study["factors"]["day"].astype(float)
    days[5] = np.nan
    with pytest.raises(FitError, match="row 5 has no 'day'"):
        fit_mixed(**study | {"factors": {"day": days}})


def test_labels_must_match_the_rows(study: dict[str, Any]) -> None:
    with pytest.raises(FitError, match="'day' has 3 labels for 192 rows"):
        fit_mixed(**study | {"factors": {"day": [1, 2, 3]}})


def test_single_day_cannot_be_a_grouping_factor(study: dict[str, Any]) -> None:
    with pytest.raises(FitError, match="'day' has a single level"):
        fit_mixed(**study | {"factors": {"day": np.zeros(192)}})


def test_one_pass_a_level_cannot_be_told_from_noise(study: dict[str, Any]) -> None:
    with pytest.raises(FitError, match="'pass' has one row a level"):
        fit_mixed(**study | {"factors": {"pass": np.arange(192)}})


def test_model_without_groups_is_ordinary_regression(study: dict[str, Any]) -> None:
    with pytest.raises(FitError, match="use ordinary regression"):
        fit_mixed(**study | {"factors": {}})


def test_weight_of_zero_is_refused(study: dict[str, Any]) -> None:
    weights = np.ones(192)
    weights[9] = 0
    with pytest.raises(FitError, match="row 9 has weight 0"):
        fit_mixed(**study, weights=weights)


def test_more_fixed_effects_than_passes_are_refused(study: dict[str, Any]) -> None:
    few = {k: study[k][:4] for k in ("y", "x")}
    with pytest.raises(FitError, match="4 passes can't carry 3 fixed effects"):
        fit_mixed(**few, names=NAMES, factors={"day": [0, 0, 1, 1]})


def test_response_that_the_road_explains_exactly_is_refused(study: dict[str, Any]) -> None:
    with pytest.raises(FitError, match="explain the response exactly"):
        fit_mixed(**study | {"y": study["x"] @ [4.0, 0.1, 0.2]})


def test_response_that_runs_explain_exactly_is_refused(study: dict[str, Any]) -> None:
    by_run = np.random.default_rng(1).normal(size=24)[study["factors"]["run"]]
    with pytest.raises(FitError):
        fit_mixed(**study | {"y": study["x"] @ [4.0, 0.1, 0.2] + by_run})


def test_two_names_for_one_grouping_share_its_variance(study: dict[str, Any]) -> None:
    day = study["factors"]["day"]
    once = fit_mixed(**study | {"factors": {"day": day}})
    twice = fit_mixed(**study | {"factors": {"day": day, "date": day}})
    assert twice.reml == pytest.approx(once.reml, rel=1e-9)
    assert twice.variances.sum() == pytest.approx(once.variances[0], rel=1e-4)
    assert twice.coefficient("arm")[1] == pytest.approx(once.coefficient("arm")[1], rel=1e-5)
    with pytest.raises(FitError, match="can't be told apart"):
        kenward_roger(twice, "arm")


def same(a: MixedFit, b: MixedFit) -> None:
    np.testing.assert_allclose(a.beta, b.beta, rtol=1e-7)
    np.testing.assert_allclose(a.se, b.se, rtol=1e-7)
    assert a.reml == pytest.approx(b.reml, rel=1e-11)
    variances = [dict(zip(f.groups, f.variances, strict=True)) for f in (a, b)]
    for group, variance in variances[0].items():
        assert variances[1][group] == pytest.approx(variance, rel=1e-6)


def test_order_of_factors_and_rows_and_labels_change_nothing(study: dict[str, Any]) -> None:
    fit = fit_mixed(**study)
    same(fit, fit_mixed(**study | {"factors": dict(reversed(study["factors"].items()))}))
    shuffled = np.random.default_rng(0).permutation(192)
    names = np.random.default_rng(1).permutation(24)
    same(
        fit,
        fit_mixed(
            study["y"][shuffled],
            study["x"][shuffled],
            NAMES,
            {
                "day": [f"2026-03-{d + 1:02d}" for d in study["factors"]["day"][shuffled]],
                "run": names[study["factors"]["run"][shuffled]],
            },
        ),
    )


def test_doubled_weights_double_the_variance_at_weight_one(study: dict[str, Any]) -> None:
    fit = fit_mixed(**study)
    doubled = fit_mixed(**study, weights=np.full(192, 2.0))
    np.testing.assert_allclose(doubled.se, fit.se, rtol=1e-7)
    np.testing.assert_allclose(doubled.variances, fit.variances, rtol=1e-6)
    assert doubled.sigma**2 == pytest.approx(2 * fit.sigma**2, rel=1e-7)
    assert doubled.reml == pytest.approx(fit.reml, rel=1e-10)


def test_shift_of_the_response_moves_the_intercept_alone(study: dict[str, Any]) -> None:
    fit = fit_mixed(**study)
    moved = fit_mixed(**study | {"y": study["y"] + 1e4})
    np.testing.assert_allclose(moved.beta - fit.beta, [1e4, 0, 0], atol=1e-8)
    np.testing.assert_allclose(moved.se, fit.se, rtol=1e-6)


def test_no_point_nearby_has_a_lower_criterion(study: dict[str, Any]) -> None:
    fit = fit_mixed(**study)
    a = cross_products(**study)
    assert criterion(a, factor(a, fit.theta**2)) == pytest.approx(fit.reml, rel=1e-12)
    for move in (0.97, 1.03):
        for i in range(2):
            theta = fit.theta.copy()
            theta[i] *= move
            assert criterion(a, factor(a, theta**2)) > fit.reml


def test_balanced_days_leave_units_less_two_degrees_of_freedom(study: dict[str, Any]) -> None:
    fit = fit_mixed(study["y"], study["x"][:, :2], NAMES[:2], study["factors"])
    assert kenward_roger(fit, "arm").df == pytest.approx(10, rel=1e-6)
    assert satterthwaite(fit, "arm").df == pytest.approx(10, rel=1e-4)


def test_summary_names_components_and_effects(study: dict[str, Any]) -> None:
    text = str(fit_mixed(**study))
    for word in ("192 rows", "day", "run", "residual", "arm", "demand", "std. error"):
        assert word in text
    rng = np.random.default_rng(8)
    alike = fit_mixed(**study | {"y": rng.normal(size=192)})
    assert ("estimated as zero" in str(alike)) == bool(alike.boundary)


def test_aliased_columns_are_the_later_ones() -> None:
    x = np.array([[1, 0, 1, 0], [1, 1, 0, 0], [1, 0, 1, 0], [1, 1, 0, 1.0], [1, 0, 1, 3]])
    assert aliased_columns(x.T @ x) == [2]
