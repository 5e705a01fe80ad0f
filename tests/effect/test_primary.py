"""The primary interval: exact where theory is exact, its degrees of freedom, and its edges.

Outside check: scipy.stats.ttest_ind and ttest_rel on switch-unit means, which a balanced study's
interval must equal whatever its variance components.
"""

from collections.abc import Sequence

import numpy as np
import pytest
from scipy import stats

from roadlog.effect.primary import PrimaryFit, fit_primary, null_variances
from roadlog.effect.reduction import Reduced, containment_df, reduce_design
from roadlog.errors import FitError

SEGMENTS = 6


def rows(units: int, runs: int = 2) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Codes of unit, run and segment, balanced."""
    run = np.repeat(np.arange(units * runs), SEGMENTS)
    return run // runs, run, np.tile(np.arange(SEGMENTS), units * runs)


def response(
    rng: np.random.Generator, unit: np.ndarray, run: np.ndarray, sds: Sequence[float], batch: int
) -> np.ndarray:
    of_unit, of_run, of_pass = sds
    return (
        rng.normal(0, of_unit, (unit.max() + 1, batch))[unit]
        + rng.normal(0, of_run, (run.max() + 1, batch))[run]
        + rng.normal(0, of_pass, (len(run), batch))
    )


def bounds_of(fit: PrimaryFit) -> np.ndarray:
    return np.column_stack(fit.bounds())


@pytest.mark.parametrize("sds", [(0.03, 0.02, 0.05), (0, 0, 0.05), (0, 0.03, 0.05)])
@pytest.mark.parametrize("units", [4, 6, 12])
def test_balanced_study_is_the_t_test_of_day_means(units: int, sds: Sequence[float]) -> None:
    """scipy.stats.ttest_ind."""
    rng = np.random.default_rng(3)
    unit, run, segment = rows(units)
    arm = (np.arange(units) % 2)[unit]
    y = response(rng, unit, run, sds, 40)
    fit = fit_primary(reduce_design(np.eye(SEGMENTS)[segment], arm, unit, run), y)
    means = np.stack([y[unit == u].mean(axis=0) for u in range(units)])
    for b in range(40):
        test = stats.ttest_ind(means[1::2, b], means[::2, b])
        ci = test.confidence_interval(0.95)
        np.testing.assert_allclose(bounds_of(fit)[b], [ci.low, ci.high], rtol=1e-6, atol=1e-9)
    assert fit.df == units - 2
    assert fit.converged.all()


@pytest.mark.parametrize("sds", [(0.03, 0.02, 0.05), (0, 0.03, 0.05)])
def test_pairs_of_days_are_the_paired_t_test(sds: Sequence[float]) -> None:
    """scipy.stats.ttest_rel."""
    rng = np.random.default_rng(5)
    unit, run, segment = rows(10)
    first = rng.integers(0, 2, 5)
    of_unit = np.column_stack([first, 1 - first]).ravel()
    blocks = np.eye(5)[unit // 2]
    y = response(rng, unit, run, sds, 40) + rng.normal(0, 0.1, 5)[unit // 2][:, None]
    fixed = np.column_stack([np.eye(SEGMENTS)[segment], blocks])
    fit = fit_primary(reduce_design(fixed, of_unit[unit], unit, run), y)
    means = np.stack([y[unit == u].mean(axis=0) for u in range(10)])
    for b in range(40):
        test = stats.ttest_rel(means[of_unit == 1, b], means[of_unit == 0, b])
        ci = test.confidence_interval(0.95)
        np.testing.assert_allclose(bounds_of(fit)[b], [ci.low, ci.high], rtol=1e-6, atol=1e-9)
    assert fit.df == 4


def test_two_runs_a_day_switched_by_run_are_the_paired_t_test() -> None:
    """scipy.stats.ttest_rel: days are random here, and the pair is still the day."""
    rng = np.random.default_rng(6)
    day, run, segment = rows(6)
    arm = np.concatenate([rng.permutation([0, 1]) for _ in range(6)])
    y = response(rng, day, run, (0.03, 0.01, 0.04), 40)
    reduced = reduce_design(np.eye(SEGMENTS)[segment], arm[run], run, day)
    fit = fit_primary(reduced, y)
    means = np.stack([y[run == r].mean(axis=0) for r in range(12)])
    assert fit.df == 5
    assert fit.converged.all()
    for b in np.flatnonzero(fit.s[:, 1] > 0):
        test = stats.ttest_rel(means[arm == 1, b], means[arm == 0, b])
        ci = test.confidence_interval(0.95)
        np.testing.assert_allclose(bounds_of(fit)[b], [ci.low, ci.high], rtol=2e-2, atol=1e-4)


@pytest.fixture
def patchy() -> tuple[Reduced, np.ndarray]:
    """A ten-day study with a quarter of its passes missing, and 60 responses."""
    rng = np.random.default_rng(7)
    unit, run, segment = rows(10)
    kept = rng.random(len(run)) > 0.25
    y = response(rng, unit, run, (0.01, 0.01, 0.05), 60)[kept]
    arm = rng.permuted(np.arange(10) % 2)[unit]
    fixed = np.eye(SEGMENTS)[segment][kept]
    weights = rng.uniform(0.5, 2, kept.sum())
    return reduce_design(fixed, arm[kept], unit[kept], run[kept], weights), y


def test_batch_equals_one_by_one(patchy: tuple[Reduced, np.ndarray]) -> None:
    reduced, y = patchy
    batch = fit_primary(reduced, y)
    assert 0 < (batch.phi < 1).sum() < 60
    for b in range(60):
        single = fit_primary(reduced, y[:, b])
        for field in ("tau", "se", "phi", "criterion"):
            assert getattr(single, field)[0] == pytest.approx(
                getattr(batch, field)[b], rel=1e-6, abs=1e-9
            )


def test_scale_and_effect_carry_through(patchy: tuple[Reduced, np.ndarray]) -> None:
    reduced, y = patchy
    fit, scaled = fit_primary(reduced, y), fit_primary(reduced, 1e4 * y)
    np.testing.assert_allclose(scaled.tau, 1e4 * fit.tau, rtol=1e-6)
    np.testing.assert_allclose(scaled.se, 1e4 * fit.se, rtol=1e-6)
    np.testing.assert_allclose(scaled.phi, fit.phi, rtol=1e-6)


def test_width_is_continuous_where_the_day_component_reaches_zero() -> None:
    """Day means are drawn together until the component vanishes: no jump in the error."""
    rng = np.random.default_rng(9)
    unit, run, segment = rows(8)
    arm = (np.arange(8) % 2)[unit]
    y = response(rng, unit, run, (0.02, 0.01, 0.05), 1)[:, 0]
    means = np.array([y[unit == u].mean() for u in range(8)])
    centre = np.array([means[::2].mean(), means[1::2].mean()])[np.arange(8) % 2]
    shrink = np.linspace(1, 0.1, 400)
    family = y[:, None] - np.outer((means - centre)[unit], 1 - shrink)
    fit = fit_primary(reduce_design(np.eye(SEGMENTS)[segment], arm, unit, run), family)
    assert 10 < (fit.s[:, 2] == 0).sum() < 390
    np.testing.assert_allclose(fit.se, fit.se[0] * shrink, rtol=1e-6)


def test_days_that_agree_more_than_their_passes_allow_narrow_the_interval() -> None:
    rng = np.random.default_rng(10)
    unit, run, segment = rows(8)
    arm = (np.arange(8) % 2)[unit]
    reduced = reduce_design(np.eye(SEGMENTS)[segment], arm, unit, run)
    fit = fit_primary(reduced, response(rng, unit, run, (0, 0, 0.05), 400))
    below = fit.s[:, 2] == 0
    assert (fit.phi[below] <= 1 + 1e-9).all()
    assert (fit.phi[below] > 0).all()
    assert (fit.phi[~below] == 1).all()


@pytest.mark.parametrize(
    ("units", "block", "df"),
    [(4, None, 2), (12, None, 10), (12, 2, 5), (12, 4, 8), (13, None, 11)],
)
def test_degrees_of_freedom_are_days_less_arm_and_blocks(
    units: int, block: int | None, df: int
) -> None:
    unit, _, segment = rows(units)
    fixed = np.eye(SEGMENTS)[segment]
    if block:
        fixed = np.column_stack([fixed, np.eye(units // block)[unit // block]])
    assert containment_df(fixed, unit, unit % 2) == df


def test_day_whose_partner_was_lost_brings_no_degree_of_freedom() -> None:
    unit, _, segment = rows(9)
    fixed = np.column_stack([np.eye(SEGMENTS)[segment], np.eye(5)[unit // 2]])
    assert containment_df(fixed, unit, unit % 2) == 3


def test_days_cost_what_the_arm_leaves_between_them() -> None:
    run = np.repeat(np.arange(12), SEGMENTS)
    fixed = np.eye(SEGMENTS)[np.tile(np.arange(SEGMENTS), 12)]
    day = run // 2
    within = np.tile([0, 1, 1, 0], 3)[run]
    between = (day % 2).astype(int)
    assert containment_df(fixed, run, within, day) == 12 - 6 - 1
    assert containment_df(fixed, run, between, day) == 10
    mixed = np.array([0, 1, 1, 0, 0, 1, 1, 1, 0, 0, 1, 0])[run]
    assert 5 < containment_df(fixed, run, mixed, day) < 10


def test_no_bounds_under_two_degrees_of_freedom() -> None:
    rng = np.random.default_rng(1)
    unit, run, segment = rows(3)
    reduced = reduce_design(np.eye(SEGMENTS)[segment], unit % 2, unit, run)
    fit = fit_primary(reduced, response(rng, unit, run, (0.01, 0.01, 0.05), 1))
    assert fit.df == 1
    assert np.isnan(bounds_of(fit)).all()
    assert np.isfinite(fit.tau).all()


def test_arm_that_follows_the_block_is_refused_in_one_sentence() -> None:
    unit, run, segment = rows(6)
    arm = (unit >= 2).astype(float)
    blocks = np.eye(3)[unit // 2]
    with pytest.raises(FitError, match="the arm is determined by the other columns") as caught:
        reduce_design(np.column_stack([np.eye(SEGMENTS)[segment], blocks]), arm, unit, run)
    assert "\n" not in str(caught.value)


def test_too_few_passes_for_the_columns_are_refused() -> None:
    unit = np.array([0, 1, 2, 3])
    reduced = reduce_design(np.ones((4, 1)), unit % 2, unit, None)
    with pytest.raises(FitError, match="too few passes"):
        fit_primary(reduced, np.arange(4.0))


def test_passes_without_scatter_are_refused() -> None:
    unit, run, segment = rows(6)
    reduced = reduce_design(np.eye(SEGMENTS)[segment], unit % 2, unit, run)
    with pytest.raises(FitError, match="explain the passes exactly"):
        fit_primary(reduced, np.linspace(0, 1, 6)[unit])


def test_hardly_any_scatter_within_runs_leaves_the_day_means() -> None:
    """Pass scatter a ten-thousandth of the days': the interval is still that of the day means."""
    rng = np.random.default_rng(2)
    unit, run, segment = rows(6)
    y = response(rng, unit, run, (0.03, 0.01, 3e-6), 20)
    fit = fit_primary(reduce_design(np.eye(SEGMENTS)[segment], unit % 2, unit, run), y)
    assert fit.converged.all()
    means = np.stack([y[unit == u].mean(axis=0) for u in range(6)])
    test = stats.ttest_ind(means[1::2], means[::2])
    np.testing.assert_allclose(fit.tau / fit.se, test.statistic, rtol=1e-5)


def test_two_days_an_arm_and_one_spare_pass_still_converge() -> None:
    rng = np.random.default_rng(11)
    unit = np.array([0, 0, 1, 2, 3])
    fit = fit_primary(
        reduce_design(np.ones((5, 1)), unit % 2, unit, None), rng.normal(size=(5, 2000))
    )
    assert fit.converged.all()
    assert np.isfinite(fit.se).all()


def test_null_fit_ignores_the_arm(patchy: tuple[Reduced, np.ndarray]) -> None:
    reduced, y = patchy
    w, sse = reduced.project(y)
    s = null_variances(reduced, w[0], float(sse[0]))
    assert s.shape == (3,)
    assert s[0] > 0
    assert (s >= 0).all()


def test_run_switched_studies_cover_the_truth_in_95_of_100() -> None:
    """10 schedules x 500 studies each: 5,000 have a standard error of 0.3 %."""
    for runs, day_sd in ((2, 0.0), (2, 0.03), (4, 0.03)):
        rng = np.random.default_rng(12)
        inside = []
        for _ in range(10):
            day, run, segment = rows(6, runs)
            kept = rng.random(len(run)) > 0.15
            arm = np.concatenate([rng.permutation(np.arange(runs) % 2) for _ in range(6)])[run]
            y = response(rng, day, run, (day_sd, 0.01, 0.06), 500)[kept]
            fixed = np.eye(SEGMENTS)[segment][kept]
            low, high = fit_primary(
                reduce_design(fixed, arm[kept], run[kept], day[kept]), y
            ).bounds()
            inside.append(((low <= 0) & (high >= 0)).mean())
        assert 0.94 < np.mean(inside) < 0.965
