"""What one value a switch unit says under every order of arms that chance could have drawn.

In go the units' values, their weights, the fixed columns (intercept with blocks or a trend) and the
orders; out come the p of any effect, two-sided and one-sided, and the interval by inversion
(docs/method.md section 5). The statistic of an order a is a'M(z - effect * arm) over the length
of a, where M projects the fixed columns out with the weights: the t of weighted least squares, but
for a factor that all orders share. It is linear in the effect, so that each order says up to which
effect it is as extreme as the real one, and the bounds come out without a search. The test is
exact where z - effect * arm doesn't depend on the order: the add-on multiplies fuel by one factor,
and nothing that looks at the arm went into z.

References
----------
Fisher R.A. (1935), The Design of Experiments, chapter II.
Phipson B., Smyth G.K. (2010), Stat. Appl. Genet. Mol. Biol. 9(1), 39: p = (1 + k)/(1 + N).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from roadlog.errors import DesignError
from roadlog.quantities.arrays import Floats
from roadlog.stats.interval import Randomisation
from roadlog.stats.randomise import ENOUGH_ASSIGNMENTS, Assignments, assignments
from roadlog.stats.reduction import orthonormal

Redraw = Callable[[Sequence[str], np.random.Generator], Assignments | None]

_SAME = 1e-9  # relative: orders closer than this to the real one's statistic count as ties


class Orders(Protocol):
    """What the orders that chance could have drawn say of one contrast."""

    @property
    def orders(self) -> int:
        """How many were equally likely."""

    @property
    def least_p(self) -> float:
        """Smallest one-sided p that they can give."""

    def p_at_most(self, effect: float) -> float:
        """One-sided p of 'the effect is this or less'."""

    def p_at_least(self, effect: float) -> float:
        """One-sided p of 'the effect is this or more'."""


@dataclass(frozen=True)
class UnitRandomisation:
    """What the orders say of one contrast; all effects are on the scale of the values.

    `estimate` of the real order; `p` of no effect, two-sided; `low`, `high` None where the orders
    are too few or too alike, which `note` then says; `orders` how many were equally likely and
    `exact` whether all were looked at. `slope`, `rest` (N,) hold each order's statistic at an
    effect e: rest - slope * (e - estimate), in units in which the real one's is -(e - estimate).
    """

    estimate: float
    p: float
    low: float | None
    high: float | None
    orders: int
    exact: bool
    note: str
    slope: Floats = field(repr=False, compare=False)
    rest: Floats = field(repr=False, compare=False)

    @property
    def least_p(self) -> float:
        """Smallest one-sided p that these orders can give: 1/N where all of them differ."""
        return float(np.mean(self.slope >= 1 - _SAME))

    def p_of(self, effect: float) -> float:
        """Two-sided p of an effect."""
        return float(np.mean(np.abs(self._statistic(effect)) >= self._real(effect)))

    def p_at_most(self, effect: float) -> float:
        """One-sided p of 'the effect is this or less': small where the units' values are large."""
        shift = self.estimate - effect
        return float(np.mean(self._statistic(effect) >= shift - self._tie(shift)))

    def p_at_least(self, effect: float) -> float:
        """One-sided p of 'the effect is this or more': small where the units' values are small."""
        shift = self.estimate - effect
        return float(np.mean(self._statistic(effect) <= shift + self._tie(shift)))

    def _statistic(self, effect: float) -> Floats:
        return np.asarray(self.rest + self.slope * (self.estimate - effect))

    def _real(self, effect: float) -> float:
        shift = abs(self.estimate - effect)
        return shift - self._tie(shift)

    def _tie(self, shift: float) -> float:
        return _SAME * max(abs(shift), float(np.abs(self.rest).max()))


def randomise_units(
    values: ArrayLike,
    arm: ArrayLike,
    fixed: ArrayLike | None,
    drawn: Assignments,
    *,
    weights: ArrayLike | None = None,
    level: float = 0.95,
) -> UnitRandomisation | None:
    """Test and interval of the arm's contrast over the orders that chance could have drawn.

    Parameters
    ----------
    values : (n,) log fuel over expected fuel, or any other value a switch unit
        Units without a finite value are left out of every order.
    arm : (n,) 0 or 1, as driven
    fixed : (n, k) intercept with blocks or trend; None for the intercept alone
    drawn : Assignments
        `arms` (N, n), the first row the arms as driven (`orders_of`).
    weights : (n,) positive, optional
        Of the units in least squares; equal if left out.
    level : float
        Of the interval.

    Returns
    -------
    UnitRandomisation or None
        None where chance could have drawn one order only, or the fixed columns take the arm.

    Raises
    ------
    DesignError
        If the first order isn't the arms as driven.

    >>> pairs = ["a", "a", "b", "b", "c", "c"]
    >>> arm, z = [0, 1, 1, 0, 0, 1], [0.0, 0.1, 0.12, 0.01, 0.02, 0.1]
    >>> drawn = assignments(arm, pairs, np.random.default_rng(0))
    >>> from roadlog.stats.unit_contrast import block_columns
    >>> found = randomise_units(z, arm, block_columns(6, pairs), drawn)
    >>> found.orders, found.p, found.p_at_most(0.0), found.low
    (8, 0.25, 0.125, None)
    """
    z = np.asarray(values, dtype=float)
    keep = np.isfinite(z)
    real = np.asarray(arm).astype(float)
    if not np.array_equal(drawn.arms[0], real):
        raise DesignError("the first order isn't the arms as driven: draw it from these units")
    if drawn.total < 2:
        return None
    w = np.sqrt(np.ones(len(z)) if weights is None else np.asarray(weights, dtype=float))[keep]
    columns = np.ones((len(z), 1)) if fixed is None else np.asarray(fixed, dtype=float)
    basis = orthonormal(columns[keep] * w[:, None])
    arms = drawn.arms[:, keep] * w
    arms = arms - (arms @ basis) @ basis.T
    length = np.sqrt((arms**2).sum(axis=1))
    if length[0] <= 1e-6 * np.linalg.norm(w):
        return None
    inside = length > 1e-6 * np.linalg.norm(w)
    scale = np.where(inside, length, np.inf) * length[0]
    estimate = float(arms[0] @ (z[keep] * w)) / length[0] ** 2
    slope = arms @ arms[0] / scale
    rest = arms @ ((z[keep] - estimate * real[keep]) * w) / scale
    slope[0], rest[0] = 1.0, 0.0
    slope = np.where(np.abs(slope) > 1 - _SAME, np.sign(slope), slope)
    rest = np.where(np.abs(slope) == 1, 0.0, rest)
    return by_orders(estimate, slope, rest, drawn.total, exact=drawn.exact, level=level)


def by_orders(
    estimate: float, slope: Floats, rest: Floats, total: int, *, exact: bool, level: float = 0.95
) -> UnitRandomisation:
    """Test and interval from each order's statistic, rest - slope * (e - estimate), real first."""
    low, high, note = _bounds(estimate, slope, rest, total, 1 - level)
    found = UnitRandomisation(estimate, math.nan, low, high, total, exact, note, slope, rest)
    return replace(found, p=found.p_of(0.0))


def orders_of(
    units: Sequence[str],
    arm: ArrayLike,
    blocks: Sequence[str] | None,
    rng: np.random.Generator,
    redraw: Redraw | None = None,
) -> Assignments:
    """The orders that chance could have drawn for the units driven, the real one first.

    Parameters
    ----------
    units : n names of switch units, as the schedule has them
    arm : (n,) 0 or 1, as driven
    blocks : n labels, or None
    redraw : callable, optional
        The schedule's own generator with its limits (`roadlog.plan.schedule.redraw`). Where it is
        absent, knows a unit not, or has other arms than were driven, units change places within
        their blocks.
    """
    real = np.asarray(arm).astype(np.int8)
    drawn = None if redraw is None else redraw(units, rng)
    if drawn is not None and np.array_equal(drawn.arms[0], real):
        return drawn
    return assignments(real, blocks, rng)


def in_percent(found: UnitRandomisation) -> Randomisation:
    """What the orders say of log ratios, in percent."""
    low, high = (None if x is None else 100 * math.expm1(x) for x in (found.low, found.high))
    return Randomisation(found.p, low, high, found.orders, found.exact, found.note)


def _bounds(
    estimate: float, slope: Floats, rest: Floats, orders: int, alpha: float
) -> tuple[float | None, float | None, str]:
    """Effects at which p falls to alpha, from how far off each order is still as extreme."""
    if orders < ENOUGH_ASSIGNMENTS:
        return None, None, (
            f"only {orders} schedules were equally likely: a two-sided 95 % interval "
            f"needs {ENOUGH_ASSIGNMENTS} or more (12 days in pairs give 64)"
        )  # fmt: skip
    alike = np.abs(slope) == 1
    if alike.mean() > alpha:
        return None, None, (
            f"of the {orders} schedules that chance could have drawn, blocks that lost an arm "
            f"leave too few that differ (p can't fall below {alike.mean():.2g}): no two-sided "
            "95 % interval"
        )  # fmt: skip
    with np.errstate(divide="ignore", invalid="ignore"):
        with_it = np.where(rest >= 0, rest / (1 + slope), -rest / (1 - slope))
        against = np.where(rest >= 0, rest / (1 - slope), -rest / (1 + slope))
    last = math.floor(alpha * len(slope) + 1e-9)
    up, down = (np.sort(np.where(alike, np.inf, far))[::-1][last] for far in (with_it, against))
    return estimate - float(down), estimate + float(up), ""
