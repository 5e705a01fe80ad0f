"""Roll-outs and parallel arms: closed forms, time effects, orders of chance, and attacks."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from roadlog.errors import DesignError
from roadlog.fleet import FleetDesign, fit_fleet
from roadlog.fleet.rollout import make_cells
from roadlog.stats.rollout import impute, orders_of_starts, rollout_orders
from roadlog.study.car import Claim
from tests.fleet.made import parallel_fleet, rollout_fleet

ROLLOUT = FleetDesign("rollout")


def two_way(y: np.ndarray, start: np.ndarray) -> float:
    """The constant-effect regression on vehicles and weeks that roadlog doesn't use."""
    t = y.shape[1]
    d = (np.arange(t) >= start[:, None]).astype(float)
    sweep = lambda m: m - m.mean(0) - m.mean(1)[:, None] + m.mean()  # noqa: E731
    return float((sweep(d) * sweep(y)).sum() / (sweep(d) ** 2).sum())


def test_imputation_is_least_squares_on_the_untreated_cells() -> None:
    rng = np.random.default_rng(1)
    n, t = 7, 6
    start = np.array([1, 2, 3, 4, 5, 6, 2])
    y, size = rng.normal(size=(n, t)), rng.integers(0, 4, (n, t)).astype(float)
    size[:, 0] = 2.0
    rows = [(i, j) for i in range(n) for j in range(t) if j < start[i] and size[i, j] > 0]
    x = np.zeros((len(rows), n + t))
    for k, (i, j) in enumerate(rows):
        x[k, i] = x[k, n + j] = np.sqrt(size[i, j])
    target = [np.sqrt(size[i, j]) * y[i, j] for i, j in rows]
    beta = np.linalg.lstsq(x, np.array(target), rcond=None)[0]
    found = impute(y, size, start)
    assert found is not None
    for i in np.flatnonzero(found.share):
        cells = [j for j in range(start[i], t) if size[i, j] and any(r[1] == j for r in rows)]
        above = [y[i, j] - beta[i] - beta[n + j] for j in cells]
        assert found.own[i] == pytest.approx(np.average(above, weights=size[i, cells]))
    assert (found.weights * y).sum() == pytest.approx(found.estimate)


def test_an_effect_that_grows_turns_two_way_regression_round_but_not_this() -> None:
    weeks, n = 10, 9
    start = 1 + np.arange(n)
    since = np.arange(weeks) - start[:, None]
    y = np.where(since >= 0, -0.01 - 0.01 * since, 0.0)
    found = impute(y, np.ones((n, weeks)), start)
    assert found is not None
    judged = (np.arange(weeks) >= start[:, None]) & (np.arange(weeks) < start.max())
    own = [y[i, judged[i]].mean() for i in range(n) if judged[i].any()]
    assert np.allclose(found.own[found.share > 0], own)
    assert found.estimate < -0.02
    assert two_way(y, start) > found.estimate / 4  # a saving of 3.7 % reads as next to nothing


def test_week_effects_and_levels_of_any_size_leave_the_effect_alone() -> None:
    rng = np.random.default_rng(2)
    fleet = rollout_fleet(rng, 12, effect=-0.05, week_effects=0.0)
    shaken = [
        replace(
            v, figures=replace(v.known, value=v.known.value + i + 0.3 * np.sin(v.known.day // 7))
        )
        for i, v in enumerate(fleet)
    ]
    plain, moved = fit_fleet(fleet, ROLLOUT), fit_fleet(shaken, ROLLOUT)
    assert moved.effect.estimate == pytest.approx(plain.effect.estimate, abs=1e-9)
    assert moved.effect.low == pytest.approx(plain.effect.low, abs=1e-6)


def test_every_order_by_hand_is_the_orders_statistic() -> None:
    rng = np.random.default_rng(3)
    cells = make_cells(rollout_fleet(rng, 5, effect=0.02), ROLLOUT, lambda f: f.value)
    orders = rollout_orders(cells.value, cells.size, cells.start, None, rng)
    starts, total, exact = orders_of_starts(cells.start, None, rng)
    assert (total, exact, orders.orders) == (120, True, 120)
    for tau in (0.0, 0.03):
        y = cells.value - tau * (np.arange(cells.value.shape[1]) >= cells.start[:, None])
        by_hand = [impute(y, cells.size, s) for s in starts]
        t = np.array([f.estimate / f.error for f in by_hand])
        np.testing.assert_allclose(orders.statistic(tau), t, rtol=1e-6)
        assert orders.p_of(tau) == np.mean(np.abs(t) >= abs(t[0]) * (1 - 1e-9))
    low, high = orders.interval()
    assert orders.p_of(low) > 0.05 >= orders.p_of(low - 1e-3)
    assert orders.p_of(high) > 0.05 >= orders.p_of(high + 1e-3)


def test_strata_keep_their_own_starts() -> None:
    start = np.array([1, 2, 1, 3])
    rows, total, exact = orders_of_starts(start, ["a", "a", "b", "b"], np.random.default_rng(1))
    assert (total, exact, rows[0].tolist()) == (4, True, start.tolist())
    assert {tuple(sorted(r[:2])) for r in rows.tolist()} == {(1, 2)}


def test_a_rollout_says_what_the_claim_is_worth() -> None:
    fleet = rollout_fleet(np.random.default_rng(4), 20, effect=0.0, spread=0.01)
    found = fit_fleet(fleet, ROLLOUT, claim=Claim(fuel_pct=6))
    assert found.finding.word == "refuted"
    assert found.finding.claim_p is not None
    assert found.exposure["periods"].tolist()[0] == 0
    late = [w for w in found.warnings if "no vehicle was left without the add-on" in str(w.message)]
    assert late
    again = fit_fleet(fleet[::-1], ROLLOUT, claim=Claim(fuel_pct=6))
    assert again.to_json() == found.to_json()


def test_an_order_that_a_manager_chose_gives_no_firm_word() -> None:
    fleet = rollout_fleet(np.random.default_rng(4), 20, effect=0.0)
    found = fit_fleet(fleet, FleetDesign("rollout", randomised=False), claim=Claim(fuel_pct=6))
    assert found.finding.word == "undecided"
    assert found.randomisation is None


def test_all_fitted_in_one_week_is_no_rollout() -> None:
    fleet = rollout_fleet(np.random.default_rng(5), 6)
    same = [
        replace(v, figures=replace(v.known, arm=(v.known.day >= 21).astype(int))) for v in fleet
    ]
    with pytest.raises(DesignError, match="still without the add-on"):
        fit_fleet(same, ROLLOUT)


def test_a_sensor_bent_when_one_vehicle_was_fitted_makes_no_firm_word() -> None:
    fleet = rollout_fleet(np.random.default_rng(6), 12, effect=0.0)
    early = min(range(12), key=lambda i: int(fleet[i].known.arm.argmax()))
    f = fleet[early].known
    fleet[early] = replace(fleet[early], figures=replace(f, value=f.value - 0.5 * f.arm))
    found = fit_fleet(fleet, ROLLOUT, claim=Claim(fuel_pct=2))
    assert found.finding.word == "undecided"
    assert found.vehicles.loc[early, "outlying"]


def test_parallel_arms_of_equal_sizes_give_welchs_test() -> None:
    fleet, until = parallel_fleet(np.random.default_rng(7), 12, effect=-0.04, spread=0.02)
    change = np.array([f.value[10:].mean() - f.value[:10].mean() for f in (v.known for v in fleet)])
    arm = np.array([v.known.arm.max() for v in fleet])
    welch = stats.ttest_ind(change[arm == 1], change[arm == 0], equal_var=False)
    low, high = welch.confidence_interval(0.95)
    found = fit_fleet(fleet, FleetDesign("vehicle", baseline_until=until))
    assert found.effect.low == pytest.approx(100 * np.expm1(low), rel=1e-6)
    assert found.effect.high == pytest.approx(100 * np.expm1(high), rel=1e-6)
    assert found.randomisation.assignments == 924
    assert found.next_vehicle.low < found.effect.low


def test_parallel_arms_without_days_before_tell_no_spread() -> None:
    fleet, _ = parallel_fleet(np.random.default_rng(8), 12)
    after = [
        replace(
            v,
            units=v.units[10:],
            figures=replace(
                v.known, **{k: getattr(v.known, k)[10:] for k in v.known.__dataclass_fields__}
            ),
        )
        for v in fleet
    ]
    found = fit_fleet(after, FleetDesign("vehicle"), claim=Claim(fuel_pct=5))
    assert found.next_vehicle is None
    assert found.effect.high - found.effect.low > 50  # vehicles differ by tens of percent
    assert found.finding.word == "undecided"
    assert "can't be told" in found.finding.reasons[-1]


def test_two_vehicles_one_after_the_other_give_no_interval() -> None:
    found = fit_fleet(rollout_fleet(np.random.default_rng(9), 2), ROLLOUT, claim=Claim(fuel_pct=5))
    assert found.effect.low is None
    assert found.finding.word == "undecided"


def test_a_vehicle_whose_clock_is_years_off_costs_itself() -> None:
    fleet = rollout_fleet(np.random.default_rng(9), 6)
    rest = fit_fleet([*fleet[:2], *fleet[3:]], ROLLOUT)
    f = fleet[2].known
    fleet[2] = replace(fleet[2], figures=replace(f, day=f.day + 7_000))
    found = fit_fleet(fleet, ROLLOUT)
    assert found.left_out["vehicle"].tolist() == ["v00002"]
    assert "years from the others' (1989-" in found.left_out["why"].iloc[0]
    assert found.effect == rest.effect
    with pytest.raises(DesignError, match="spans more than 400 periods"):
        fit_fleet(fleet[1:3], ROLLOUT)


def test_a_rollout_of_many_leaves_each_vehicle_out_and_one_of_few_asks_the_orders() -> None:
    fleet = rollout_fleet(np.random.default_rng(10), 14, effect=-0.03, spread=0.02)
    cells = make_cells(fleet, ROLLOUT, lambda f: f.value)
    rest = []
    for i in range(14):
        keep = np.arange(14) != i
        without = impute(cells.value[keep], cells.size[keep], cells.start[keep])
        assert without is not None
        rest.append(without.estimate)
    half = stats.t.ppf(0.975, 12) * np.sqrt(13 * np.var(rest))
    found = fit_fleet(fleet, ROLLOUT)
    middle = np.log1p(found.effect.estimate / 100)
    assert found.effect.low == pytest.approx(100 * np.expm1(middle - half))
    assert found.randomisation.low != pytest.approx(found.effect.low, abs=1e-3)
    few = fit_fleet(rollout_fleet(np.random.default_rng(10), 7, spread=0.02), ROLLOUT)
    assert (few.effect.low, few.effect.high) == (few.randomisation.low, few.randomisation.high)


def test_a_vehicle_that_drove_when_no_other_did_costs_itself() -> None:
    """Weeks that no other vehicle shares tell nothing of it; a clock a year off makes such."""
    fleet = rollout_fleet(np.random.default_rng(9), 8, effect=-0.03)
    rest = fit_fleet(fleet[1:], ROLLOUT)
    f = fleet[0].known
    assert f.arm.any()
    fleet[0] = replace(fleet[0], figures=replace(f, day=f.day + 365))
    found = fit_fleet(fleet, ROLLOUT)
    assert found.effect.estimate == pytest.approx(rest.effect.estimate, abs=1e-9)
    own = found.vehicles.set_index("vehicle").loc["v00000"]
    assert (own["weight"], np.isnan(own["raw"])) == (0, True)
    apart = [replace(v, figures=replace(v.known, day=v.known.day + 365)) for v in fleet[4:]]
    both = fit_fleet([*fleet[1:4], *apart], ROLLOUT)
    assert abs(both.effect.estimate + 3) < 3
