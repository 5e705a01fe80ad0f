"""The effect without a unit, out of one decomposition, equals the fit of the other units' passes.

Outside check: `fit_expected_fuel` on the passes that are left, and scipy's QR without the rows.
"""

import numpy as np
import pytest
from scipy.linalg import qr, qr_delete

from roadlog.effect import left_out
from roadlog.effect.expected_fuel import Terms, fit_expected_fuel
from roadlog.effect.left_out import fitted_anew, without_each_unit


def drives(
    seed: int, units: int = 14, segments: int = 5, *, uneven: bool = False, noise: float = 0.04
) -> Terms:
    """Passes of days that drive most segments, with time, idling, work and some known fuel."""
    rng = np.random.default_rng(seed)
    rows = [
        (u, s)
        for u in range(units)
        for s in range(segments)
        for _ in range(rng.integers(0, 4) if uneven else 2)
    ]
    unit, segment = np.array(rows).T
    n = len(unit)
    km = np.eye(segments)[segment] * rng.uniform(0.7, 1.3, n)[:, None]
    driven = rng.uniform([60, 0, 300], [120, 40, 900], (n, 3))
    columns = np.column_stack([km, driven])
    taken = np.where(unit % 3 == 0, 0.05 * driven[:, 0], 0.0)
    fuel = columns @ np.concatenate([rng.uniform(20, 40, segments), [0.15, 0.2, 0.08]]) + taken
    fuel *= np.exp(rng.normal(0, 0.1, units))[unit] * np.exp(rng.normal(0, noise, n))
    names = (*(f"segment {s}" for s in range(segments)), "time", "idle time", "positive work")
    return Terms(columns, names, unit, fuel, np.exp(-0.0004 * unit), taken)


def with_columns(terms: Terms, columns: np.ndarray, names: tuple[str, ...]) -> Terms:
    return Terms(columns, names, terms.unit, terms.fuel_ml, terms.factor, terms.offset_ml)


def require_equal(terms: Terms) -> list[bool]:
    """Hold every unit to the plain refit; which of them were fitted anew."""
    fit = fit_expected_fuel(terms)
    found = list(without_each_unit(fit))
    assert len(found) == terms.units
    for unit, others in enumerate(found):
        plain = fitted_anew(fit, unit)
        assert others.converged == plain.converged
        assert np.expm1(others.ratio_log) == pytest.approx(np.expm1(plain.ratio_log), abs=1e-9)
        for name in ("unit_expected_ml", "pass_variance"):
            assert getattr(others, name) == pytest.approx(
                getattr(plain, name), rel=1e-9, nan_ok=True
            )
    return [o.anew for o in found]


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("uneven", [False, True])
def test_a_day_left_out_is_the_fit_of_the_other_days(seed: int, uneven: bool) -> None:
    assert not any(require_equal(drives(seed, uneven=uneven)))


def test_segment_of_one_day_alone_is_fitted_anew_without_that_day() -> None:
    terms = drives(5)
    alone = (terms.unit == 3) & (terms.columns[:, 0] > 0)
    lone = np.where(alone, terms.columns[:, 0], 0.0)
    columns = np.column_stack([lone, terms.columns])
    columns[alone, 1] = 0.0
    anew = require_equal(with_columns(terms, columns, ("segment lone", *terms.names)))
    assert anew[3]
    assert sum(anew) == 1


@pytest.mark.parametrize("apart", [1e-2, 1e-4, 1e-5, 1e-7])
def test_terms_that_one_day_alone_tells_apart_are_fitted_anew(apart: float) -> None:
    """Idling follows time but for day 2: without it the two can't both be fitted."""
    terms = drives(6)
    columns = terms.columns.copy()
    columns[:, -2] = columns[:, -3] * np.where(
        terms.unit == 2, 1 + apart * np.sin(np.arange(len(columns))), 1.0
    )
    assert require_equal(with_columns(terms, columns, terms.names))[2] or apart < 1e-4


@pytest.mark.parametrize("noise", [3e-3, 3e-4, 1e-4, 3e-5, 1e-5, 1e-6])
def test_terms_on_the_edge_of_being_left_out_equal_the_plain_fit(noise: float) -> None:
    """A pivot within ten times of the limit of `aliased_columns`, on either side of it."""
    terms = drives(7)
    rng = np.random.default_rng(8)
    near = terms.columns[:, -1] * (1 + noise * rng.normal(size=len(terms.unit)))
    columns = np.column_stack([terms.columns, near])
    require_equal(with_columns(terms, columns, (*terms.names, "cold start")))


def test_one_day_of_almost_all_passes_is_fitted_anew() -> None:
    few = drives(9, units=6)
    many = drives(10, units=1, segments=5)
    every = [few, *[many] * 40]
    unit = np.concatenate([few.unit, *[np.full(len(many.unit), 6)] * 40])
    scatter = np.exp(np.random.default_rng(1).normal(0, 0.05, len(unit)))
    terms = Terms(
        np.vstack([t.columns for t in every]) * scatter[:, None],
        few.names,
        unit,
        np.concatenate([t.fuel_ml for t in every]),
        np.ones(len(unit)),
        np.zeros(len(unit)),
    )
    require_equal(terms)


def test_two_days_and_a_day_that_burned_nothing_say_so_alike() -> None:
    require_equal(drives(11, units=2))
    terms = drives(12, units=6)
    fuel = np.where(terms.unit == 4, 0.0, terms.fuel_ml)
    silent = Terms(terms.columns, terms.names, terms.unit, fuel, terms.factor, terms.offset_ml)
    fit = fit_expected_fuel(silent)
    with np.errstate(divide="ignore"):
        converged = [o.converged for o in without_each_unit(fit)]
    assert converged == [unit == 4 for unit in range(6)]


def test_basis_without_a_day_is_scipys_qr_without_its_rows() -> None:
    """scipy.linalg.qr_delete: the same projection of the other days' fuel."""
    terms = drives(13)
    fit = fit_expected_fuel(terms)
    whole = left_out._Whole.of(fit)
    keep = terms.unit != 5
    x = terms.columns * terms.factor[:, None]
    first = int(np.flatnonzero(~keep)[0])
    q, _ = qr_delete(*qr(x), first, p=int((~keep).sum()))
    k = x.shape[1]
    by_scipy = q[:, :k] @ (q[:, :k].T @ terms.fuel_ml[keep])
    inner = np.eye(k) - whole.q[~keep].T @ whole.q[~keep]
    rest = whole.q[keep]
    ours = rest @ np.linalg.solve(inner, rest.T @ terms.fuel_ml[keep])
    assert ours == pytest.approx(by_scipy, rel=1e-9)
