"""Two cars: the difference in differences, its interval by unit, and the test-to-control ratio."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from roadlog.effect.finding import decide
from roadlog.effect.layout import lay_out
from roadlog.effect.ratio_test import ratio_test
from roadlog.effect.two_cars import CarUnits, car_units, compare_periods, compare_switched
from roadlog.stats import periods
from roadlog.stats.periods import LEAST_OF_INDEPENDENT, _one_beyond_others, contrast_periods
from roadlog.study.car import Claim
from tests.effect.drives import PETROL, passes
from tests.studies.periods import drawn


def units(value: np.ndarray) -> CarUnits:
    """A car whose driving and air are the same on every day."""
    n = len(value)
    even = np.ones(n)
    return CarUnits(
        units=tuple(f"2026-03-{i + 1:02d}" for i in range(n)),
        value=value, total=value, physical=value, expected_ml=1000 * even,
        pass_variance=np.zeros(n), air_c=10 * even, fuel_ml=1000 * np.exp(value), km=20 * even,
        obstacles=(), notes=(),
    )  # fmt: skip


def shared(
    seed: int, n: int, effect: np.ndarray, common: float = 0.03
) -> tuple[CarUnits, CarUnits]:
    """Two cars that share weather of `common`, each with a scatter of its own."""
    rng = np.random.default_rng(seed)
    met = common * rng.standard_normal(n)
    own = 0.004 * rng.standard_normal((2, n))
    return units(met + own[0] + effect), units(met + own[1])


def test_switched_in_pairs_is_the_paired_t_test() -> None:
    """Against scipy: with blocks of two, the difference's interval is that of a paired t test."""
    table = passes(np.random.default_rng(2), days=12)
    layout = lay_out(table, randomised=True)
    arm = layout.unit_arm
    test, control = shared(3, 12, -0.05 * arm)
    names = {"units": layout.units}
    found = compare_switched(
        replace(test, **names), replace(control, **names), layout, seed=1, redraw=None
    )
    assert found is not None
    apart = test.value - control.value
    fitted = np.array(
        [apart[[2 * b, 2 * b + 1]][arm[[2 * b, 2 * b + 1]] == 1][0] for b in range(6)]
    )
    bare = np.array([apart[[2 * b, 2 * b + 1]][arm[[2 * b, 2 * b + 1]] == 0][0] for b in range(6)])
    known = stats.ttest_rel(fitted, bare).confidence_interval(0.95)
    assert np.log1p(np.array([found.primary.low, found.primary.high]) / 100) == pytest.approx(
        [known.low, known.high], abs=1e-9
    )


def test_what_both_cars_met_goes_out() -> None:
    arm = np.repeat([0, 1], 10)
    test, control = shared(4, 20, -0.06 * arm)
    found = compare_periods(test, control, arm)
    assert found.design == "one change"
    assert found.primary.low < 100 * np.expm1(-0.06) < found.primary.high
    assert found.primary.high - found.primary.low < 2.5
    assert found.correlation > 0.9
    assert found.gain < 0.5


def test_device_between_two_baselines_takes_a_line_of_drift_out() -> None:
    n, arm = 24, np.repeat([0, 1, 0], 8)
    test, control = shared(5, n, -0.04 * arm + 0.05 * np.arange(n) / n)
    found = compare_periods(test, control, arm)
    assert found.design == "baseline-device-baseline"
    assert found.primary.estimate == pytest.approx(100 * np.expm1(-0.04), abs=0.5)
    assert found.drift is not None
    assert found.drift.low is not None
    assert found.drift.low > 0
    assert found.held.one_car == pytest.approx(np.log1p(found.drift.estimate / 100) / 2)


def test_too_short_a_period_gives_no_interval() -> None:
    arm = np.array([0, 0, 0, 1, 1, 1])
    found = compare_periods(*shared(6, 6, -0.1 * arm), arm)
    assert found.primary.low is None
    assert decide(found.primary, Claim(fuel_pct=10), held=found.held).word == "undecided"


def test_one_change_never_supports_a_claim_however_clear() -> None:
    arm = np.repeat([0, 1], 10)
    found = compare_periods(*shared(7, 20, -0.15 * arm), arm)
    word = decide(found.primary, Claim(fuel_pct=5), held=found.held)
    assert word.word == "undecided"
    assert "came once, to one car" in " ".join(word.reasons)


def test_one_change_refutes_what_no_car_could_lose_unseen() -> None:
    arm = np.repeat([0, 1], 10)
    found = compare_periods(*shared(8, 20, 0.0 * arm), arm)
    assert decide(found.primary, Claim(fuel_pct=10), held=found.held).word == "refuted"
    assert decide(found.primary, Claim(fuel_pct=3), held=found.held).word == "undecided"


def test_control_car_that_got_the_add_on_too_refutes_nothing() -> None:
    """The difference of two cars with the same add-on is zero, whatever it does."""
    arm = np.repeat([0, 1, 0], 8)
    test, control = shared(9, 24, -0.08 * arm, common=0.005)
    both = compare_periods(test, units(control.value - 0.08 * arm), arm)
    assert abs(both.primary.estimate) < 1
    word = decide(both.primary, Claim(fuel_pct=8), held=both.held)
    assert word.word == "undecided"
    assert "by itself" in " ".join(word.reasons)


@pytest.mark.parametrize("drift", [0.03, -0.03])
def test_slow_movements_widen_the_interval(drift: float) -> None:
    rng = np.random.default_rng(10)
    steady = [0.005 * rng.standard_normal(10) for _ in range(2)]
    moving = [p + drift * np.linspace(0, 1, 10) for p in steady]
    assert contrast_periods(moving, (-1, 1)).half > 2 * contrast_periods(steady, (-1, 1)).half


def test_periods_of_independent_days_aren_t_much_narrower_than_welch() -> None:
    """Against scipy's Welch interval."""
    rng = np.random.default_rng(11)
    for _ in range(20):
        a, b = rng.standard_normal(9), rng.standard_normal(12)
        found = contrast_periods([a, b], (-1, 1))
        known = stats.ttest_ind(b, a, equal_var=False).confidence_interval(0.95)
        assert found.independent_half == pytest.approx((known.high - known.low) / 2)
        assert found.half >= LEAST_OF_INDEPENDENT * found.independent_half


@pytest.mark.parametrize("days", [1, 4, 9])
def test_the_exact_critical_value_is_t_for_independent_days(days: int) -> None:
    """Against scipy's t: one squared normal variable against the mean of others."""
    k = stats.t.ppf(0.975, days) ** 2
    assert _one_beyond_others(1.0, np.full(days, k / days)) == pytest.approx(0.05, abs=1e-10)


@pytest.mark.parametrize(("alike", "low", "high"), [(0.0, 0.955, 0.98), (0.5, 0.925, 0.955)])
def test_periods_of_days_alike_hold_the_truth(alike: float, low: float, high: float) -> None:
    """Expected 0.968 and 0.943, `python -m tests.studies.periods`."""
    x = drawn(np.random.default_rng(21), 2500, 20, alike)
    found = [contrast_periods([row[:10], row[10:]], (-1.0, 1.0)) for row in x]
    assert low < np.mean([abs(f.tau) <= f.half for f in found]) < high


@pytest.mark.parametrize(
    ("ar", "days", "least", "most"), [(0.0, 10, 1, 1.02), (0.8, 8, 1, 1.15), (0.8, 30, 1.15, 1.5)]
)
def test_long_periods_say_themselves_how_far_days_are_alike(
    ar: float, days: int, least: float, most: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Thirty days tell it and widen the interval; ten hardly do."""
    x = drawn(np.random.default_rng(23), 100, 2 * days, ar)

    def halves() -> float:
        cut = (np.split(row, [days]) for row in x)
        return float(np.mean([contrast_periods(c, (-1.0, 1.0)).half for c in cut]))

    told = halves()
    monkeypatch.setattr(periods, "alike", lambda _: periods.ALIKE)
    assert least <= told / halves() < most


def test_restricted_likelihood_of_days_alike_is_the_dense_one() -> None:
    """Against the formula written out with the whole matrix of correlations."""
    rng = np.random.default_rng(24)
    lengths = (5, 8, 4)
    y = rng.standard_normal(sum(lengths))
    squares, log = periods._restricted(y, lengths)
    means = np.repeat(np.eye(3), lengths, axis=0)
    for ar, s, g in list(zip(periods._GRID, squares, log, strict=True))[::6]:
        v = ar ** np.abs(np.subtract.outer(np.arange(len(y)), np.arange(len(y))))
        vi = np.linalg.inv(v)
        info = means.T @ vi @ means
        rest = y - means @ np.linalg.solve(info, means.T @ vi @ y)
        assert s == pytest.approx(rest @ vi @ rest, rel=1e-9)
        assert g == pytest.approx(-(np.linalg.slogdet(v)[1] + np.linalg.slogdet(info)[1]) / 2)


def test_days_without_any_scatter_are_taken_as_alike_as_ever() -> None:
    assert periods.alike([np.zeros(6), np.ones(6)]) == periods.ALIKE


def test_a_year_of_days_is_bounded_at_once() -> None:
    rng = np.random.default_rng(22)
    found = contrast_periods([rng.standard_normal(180) for _ in range(2)], (-1.0, 1.0))
    assert found.half == pytest.approx(found.independent_half, rel=0.6)
    assert found.df > 12


def test_each_car_s_expected_fuel_is_its_own() -> None:
    """A thirstier control car with its own coefficients changes nothing."""
    rng = np.random.default_rng(12)
    table = passes(rng, days=12, effect=-0.05)
    other = passes(np.random.default_rng(13), days=12, effect=0.0)
    layout = lay_out(table, randomised=True)
    test = car_units(table, PETROL).of(layout.units)
    plain = car_units(other, PETROL).of(layout.units)
    thirsty = other.assign(fuel_ml=2 * other["fuel_ml"], ml_per_km=2 * other["ml_per_km"])
    twice = car_units(thirsty, PETROL).of(layout.units)
    a = compare_switched(test, plain, layout, 1, None)
    b = compare_switched(test, twice, layout, 1, None)
    assert a is not None
    assert b is not None
    assert a.primary.estimate == pytest.approx(b.primary.estimate, abs=1e-6)


def test_ratio_test_worked_by_hand() -> None:
    """Baseline mean 1.00, test mean 0.95: 5 % saved; the gate is three within 2 %."""
    found = ratio_test([0.995, 1.0, 1.005], [0.945, 0.95, 0.955], "weighed")
    assert found is not None
    assert found.change_pct == pytest.approx(-5.0)
    assert found.repeats
    loose = ratio_test([0.95, 1.0, 1.05], [0.945, 0.95, 0.955], "weighed")
    assert loose is not None
    assert not loose.repeats
    assert loose.baseline.spread_pct == pytest.approx(100 * (1.05 / 0.95 - 1))


def test_three_alike_among_many_don_t_repeat() -> None:
    rng = np.random.default_rng(14)
    many = np.exp(0.05 * rng.standard_normal(30))
    found = ratio_test(many.tolist(), many.tolist(), "computed")
    assert found is not None
    assert found.baseline.in_band >= 3
    assert not found.repeats
    assert ratio_test([], [1.0], "computed") is None


def test_pairs_tell_the_plain_ratio() -> None:
    found = compare_periods(*shared(15, 12, np.zeros(12)), np.repeat([0, 1], 6))
    assert isinstance(found.pairs, pd.DataFrame)
    assert (found.pairs["ratio"] > 0).all()


@pytest.mark.filterwarnings("ignore:The MLE may be on the boundary")
def test_mixed_model_of_both_cars_gives_the_same_difference() -> None:
    """Against statsmodels' MixedLM: the arm's interaction with the car, day as random effect."""
    import statsmodels.formula.api as smf

    n = 16
    arm = np.tile([0, 1, 1, 0], n // 4)
    test, control = shared(16, n, -0.05 * arm, common=0.012)
    layout = replace(
        lay_out(passes(np.random.default_rng(1), days=n), randomised=True),
        units=test.units, unit_arm=arm, unit_fixed=np.ones((n, 1)),
    )  # fmt: skip
    ours = compare_switched(test, control, layout, -1, None)
    assert ours is not None
    both = pd.DataFrame(
        {
            "y": np.concatenate([control.value, test.value]),
            "car": np.repeat([0, 1], n),
            "arm": np.tile(arm, 2),
            "day": np.tile(np.arange(n), 2),
        }
    )
    fit = smf.mixedlm("y ~ arm * car", both, groups="day").fit(reml=True)
    assert np.log1p(ours.primary.estimate / 100) == pytest.approx(fit.params["arm:car"], abs=1e-6)
    assert ours.primary.se == pytest.approx(fit.bse["arm:car"], rel=1e-3)
