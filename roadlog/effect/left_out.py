"""Expected fuel without each switch unit in turn, from the one decomposition of all passes.

A fit of all units goes in; what each study without one unit comes to goes out, as if it had been
fitted anew: the unit's rows are taken out of the orthonormal basis (Q'Q less the unit's part,
Golub & Van Loan, Matrix Computations, 4th ed., section 6.5; from memory) instead of decomposing
the rest again.
Where that would lose digits, or could change which terms are fitted, it is fitted anew.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from roadlog.effect.expected_fuel import (
    ExpectedFuel,
    Integers,
    scaled_columns,
    settled_scale,
    unit_sums,
)
from roadlog.quantities.arrays import Floats
from roadlog.stats.bounded.cross_products import pivots

# What a unit must leave of every direction of the terms: digits are lost in proportion.
LEAST_LEFT = 1e-3
ALIASED_AT = 1e-9  # of `aliased_columns`
CLEAR_OF_IT = 10.0  # times: how far a term must stay from being left out, or fitted, by rounding


@dataclass(frozen=True)
class Others:
    """What a fit of all units but one comes to, as `ExpectedFuel` names it; `anew` if refitted."""

    ratio_log: Floats
    unit_expected_ml: Floats
    pass_variance: Floats
    converged: bool
    anew: bool = True


def without_each_unit(fit: ExpectedFuel) -> Iterator[Others]:
    """The fit without each switch unit in turn, in the units' order.

    Parameters
    ----------
    fit : ExpectedFuel
        Of all units. Coefficients that were given beforehand stay as they are.
    """
    whole = _Whole.of(fit) if fit.fitted else None
    for unit in range(fit.terms.units):
        found = None if whole is None else whole.less(unit)
        yield fitted_anew(fit, unit) if found is None else found


def fitted_anew(fit: ExpectedFuel, unit: int) -> Others:
    """The fit without one unit, from its passes."""
    others = fit.without_unit(unit)
    return Others(others.ratio_log, others.unit_expected_ml, others.pass_variance, others.converged)


@dataclass(frozen=True)
class _Whole:
    """All passes, decomposed once: `q` (n, k) spans the fitted terms, `rows` holds each unit's."""

    fit: ExpectedFuel
    q: Floats
    rows: tuple[Integers, ...]
    q_sums: Floats  # (units, k)
    by_unit: Floats  # (units, k), of q times fuel
    offset: Floats  # (n,)
    left: Floats  # pivots of all terms
    squares: Floats  # (units, terms), of each scaled term

    @classmethod
    def of(cls, fit: ExpectedFuel) -> "_Whole":
        terms = fit.terms
        scaled, _ = scaled_columns(terms)
        left = pivots(scaled.T @ scaled)
        q, _ = np.linalg.qr(scaled[:, left > ALIASED_AT])
        order = np.argsort(terms.unit, kind="stable")
        ends = np.cumsum(np.bincount(terms.unit, minlength=terms.units))
        return cls(
            fit=fit,
            q=q,
            rows=tuple(np.split(order, ends[:-1])),
            q_sums=unit_sums(q, terms.unit, terms.units),
            by_unit=unit_sums(q * terms.fuel_ml[:, None], terms.unit, terms.units),
            offset=terms.offset_ml * terms.factor,
            left=left,
            squares=unit_sums(scaled**2, terms.unit, terms.units),
        )

    def less(self, unit: int) -> Others | None:
        """The fit without a unit, or None where it has to be fitted anew."""
        terms, mine = self.fit.terms, self.rows[unit]
        inner = np.eye(self.q.shape[1]) - self.q[mine].T @ self.q[mine]
        if len(mine) == len(terms.unit) or not self._same_terms(unit, inner):
            return None
        keep = np.arange(terms.units) != unit
        q_sums, by_unit = self.q_sums[keep], self.by_unit[keep]
        of_offset = self.q.T @ self.offset - self.q[mine].T @ self.offset[mine]
        solved = np.linalg.solve(inner, np.column_stack([by_unit.T, of_offset]))
        step, taken = solved[:, :-1], solved[:, -1]
        rest = np.bincount(terms.unit, self.offset, terms.units)[keep] - q_sums @ taken
        burned = np.bincount(terms.unit, terms.fuel_ml, terms.units)[keep]
        scale, _, settled = settled_scale(lambda inverse: q_sums @ (step @ inverse) + rest, burned)
        if not settled:
            return None
        expected = self.q @ (step @ (1 / scale) - taken) + self.offset
        return self._summed(unit, expected, np.insert(scale, unit, 1.0))

    def _same_terms(self, unit: int, inner: Floats) -> bool:
        """Whether the passes without a unit fit the same terms, and keep their digits.

        What is left of a direction is at least `least` of its squares, so a fitted term keeps
        `least` of its pivot; one that isn't fitted gains at most what its own squares lose.
        """
        least = float(np.linalg.eigvalsh(inner)[0])
        if least < LEAST_LEFT:
            return False
        fitted = self.left > ALIASED_AT
        all_squares = self.squares.sum(axis=0)
        rest = all_squares - self.squares[unit]
        gained = np.abs(self.left[~fitted]) * all_squares[~fitted]
        return bool(
            (self.left[fitted] * least > CLEAR_OF_IT * ALIASED_AT).all()
            and (gained * CLEAR_OF_IT <= ALIASED_AT * rest[~fitted]).all()
        )

    def _summed(self, unit: int, expected: Floats, scale: Floats) -> Others:
        """Sums by unit of expected fuel (n,), as `ExpectedFuel` makes them."""
        terms = self.fit.terms
        keep = np.arange(terms.units) != unit
        by_unit = np.bincount(terms.unit, expected, terms.units)[keep]
        burned = np.bincount(terms.unit, terms.fuel_ml, terms.units)[keep]
        passes = len(terms.unit) - len(self.rows[unit])
        spare = passes - self.q.shape[1] - (terms.units - 1) + 1
        variance = np.full(terms.units - 1, np.nan)
        if spare > 0:
            residual = terms.fuel_ml - scale[terms.unit] * expected
            squares = np.bincount(terms.unit, residual**2, terms.units)[keep]
            variance = squares / (scale[keep] * by_unit) ** 2 * (passes / spare)
        return Others(
            ratio_log=np.log(burned / by_unit),
            unit_expected_ml=by_unit,
            pass_variance=variance,
            converged=True,
            anew=False,
        )
