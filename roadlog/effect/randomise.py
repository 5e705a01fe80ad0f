"""Randomisation test and interval: what the effect estimate would be under the other schedules
that chance could have drawn.

The arm of every switch unit is redrawn with the schedule's own restrictions (within blocks, with
the same number of fitted units). With pre-treatment covariates projected out, the arm's
coordinates are linear in the units' assignment, so thousands of schedules cost one small matrix
product each. The statistic is the squared generalised-least-squares t; variance ratios come from
the null fit at each value tested, and the interval from inverting the test.

References
----------
Fisher R.A. (1935), The Design of Experiments, chapter II.
Phipson B., Smyth G.K. (2010), Stat. Appl. Genet. Mol. Biol. 9(1), 39: p = (1 + k)/(1 + N).
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roadlog.effect.primary import covariance, null_variances
from roadlog.effect.reduction import Reduced

Floats = NDArray[np.floating[Any]]

EXACT_LIMIT = 20_000
DRAWS = 10_000
ENOUGH_ASSIGNMENTS = 40


@dataclass(frozen=True)
class Assignments:
    """Schedules that chance could have drawn: `arms` (N, n_units) of 0/1, the real one first.

    `total` counts all equally likely schedules; `exact` says whether `arms` lists every one.
    """

    arms: NDArray[np.int8]
    total: int
    exact: bool


@dataclass(frozen=True)
class RandomisationResult:
    """Two-sided p of no effect and 95 % bounds on the log scale (None where too few schedules)."""

    p: float
    low: float | None
    high: float | None
    assignments: int
    exact: bool
    note: str


def assignments(
    unit_arm: ArrayLike,
    unit_block: Sequence[str] | None,
    rng: np.random.Generator,
    *,
    exact_limit: int = EXACT_LIMIT,
    draws: int = DRAWS,
) -> Assignments:
    """All schedules with each block's number of fitted units, or `draws` random ones if many.

    Parameters
    ----------
    unit_arm : (n_units,) 0 or 1
    unit_block : n_units block labels, or None for complete randomisation

    >>> assignments([0, 1, 1, 0], ["a", "a", "b", "b"], np.random.default_rng(0)).total
    4
    """
    arm = np.asarray(unit_arm, dtype=np.int8)
    labels = ["all"] * len(arm) if unit_block is None else list(unit_block)
    blocks = [np.flatnonzero([b == label for b in labels]) for label in dict.fromkeys(labels)]
    fitted = [int(arm[b].sum()) for b in blocks]
    total = math.prod(math.comb(len(b), k) for b, k in zip(blocks, fitted, strict=True))
    if total <= exact_limit:
        rows = np.array(list(_every(len(arm), blocks, fitted)), dtype=np.int8)
        first = np.flatnonzero((rows == arm).all(axis=1))[0]
        rows[[0, first]] = rows[[first, 0]]
        return Assignments(rows, total, True)
    rows = np.tile(arm, (draws + 1, 1))
    for b in blocks:
        order = rng.permuted(np.tile(np.arange(len(b)), (draws, 1)), axis=1)
        rows[1:, b] = arm[b][order]
    return Assignments(rows, total, False)


def randomisation_test(
    reduced: Reduced, y: ArrayLike, drawn: Assignments, *, level: float = 0.95
) -> RandomisationResult:
    """Test no effect and invert the test for an interval.

    Parameters
    ----------
    reduced : Reduced
        The design with pre-treatment covariates only.
    y : (n,) response
    drawn : Assignments

    Returns
    -------
    RandomisationResult
        Bounds are on the scale of `y`.
    """
    w, sse = reduced.project(y)
    test = _Test(reduced, w[0], float(sse[0]), drawn)
    p = test.p(0.0)
    if drawn.total < ENOUGH_ASSIGNMENTS:
        note = (
            f"only {drawn.total} schedules were equally likely: a two-sided 95 % interval "
            f"needs {ENOUGH_ASSIGNMENTS} or more (12 days in pairs give 64)"
        )
        return RandomisationResult(p, None, None, drawn.total, drawn.exact, note)
    alpha = 1 - level
    if (like := test.like_the_real_one()) > alpha:
        note = (
            f"of the {drawn.total} schedules that chance could have drawn, blocks that lost an arm "
            f"leave too few that differ (p can't fall below {like:.2g}): no two-sided 95 % interval"
        )
        return RandomisationResult(p, None, None, drawn.total, drawn.exact, note)
    centre, spread = test.estimate()
    low = _edge(test, centre, -spread, alpha)
    high = _edge(test, centre, spread, alpha)
    return RandomisationResult(p, low, high, drawn.total, drawn.exact, "")


def randomisation_p(
    reduced: Reduced, y: ArrayLike, drawn: Assignments, effect: float = 0.0
) -> float:
    """Two-sided p of one effect [scale of y] for one response (n,): 1/N at the least."""
    w, sse = reduced.project(y)
    return _Test(reduced, w[0], float(sse[0]), drawn).p(effect)


class _Test:
    """The randomisation p-value as a function of the effect that is tested."""

    def __init__(self, reduced: Reduced, w: Floats, sse: float, drawn: Assignments) -> None:
        self.reduced, self.w, self.sse = reduced, w, sse
        self.arms = drawn.arms.astype(float)
        self.exact = drawn.exact

    def p(self, tau: float) -> float:
        response = self.w - tau * self.reduced.arm
        s = null_variances(self.reduced, response, self.sse)
        inverse = np.linalg.inv(covariance(self.reduced, s[None, :])[0])
        iu = inverse @ self.reduced.units
        top = self.arms @ (iu.T @ response)
        bottom = np.einsum("ni,ni->n", self.arms @ (self.reduced.units.T @ iu), self.arms)
        statistic = np.where(bottom > 1e-9 * bottom.max(), top**2 / np.maximum(bottom, 1e-300), 0)
        k = int((statistic[1:] >= statistic[0] * (1 - 1e-9)).sum())
        return (1 + k) / len(statistic)

    def like_the_real_one(self) -> float:
        """Share of schedules that no effect can tell from the real one, or from its mirror image.

        Blocks take out of a schedule what they determine: the unit that is left of a pair may be
        in either arm, and the schedules stay the same to the test.
        """
        gram = self.reduced.units.T @ self.reduced.units
        real = gram @ self.arms[0]
        sizes = np.einsum("ni,ni->n", self.arms @ gram, self.arms)
        alike = (self.arms @ real) ** 2 >= (1 - 1e-9) * sizes * float(real @ self.arms[0])
        return float(np.mean(alike & (sizes > 1e-9 * sizes.max())))

    def estimate(self) -> tuple[float, float]:
        s = null_variances(self.reduced, self.w, self.sse)
        inverse = np.linalg.inv(covariance(self.reduced, s[None, :])[0])
        information = self.reduced.arm @ inverse @ self.reduced.arm
        return (
            float(self.reduced.arm @ inverse @ self.w / information),
            float(2 / np.sqrt(information)),
        )


def _edge(test: _Test, centre: float, step: float, alpha: float) -> float | None:
    """Where p falls to alpha on one side of `centre`, by doubling and bisection."""
    inside, outside = centre, centre + step
    for _ in range(20):
        if test.p(outside) <= alpha:
            break
        inside, outside = outside, centre + 2 * (outside - centre)
    else:
        return None
    for _ in range(16):
        middle = 0.5 * (inside + outside)
        if test.p(middle) <= alpha:
            outside = middle
        else:
            inside = middle
    return outside


def _every(
    n: int, blocks: Sequence[NDArray[np.intp]], fitted: Sequence[int]
) -> Iterator[NDArray[np.int8]]:
    choices = [list(combinations(b, k)) for b, k in zip(blocks, fitted, strict=True)]
    for chosen in product(*choices):
        row = np.zeros(n, dtype=np.int8)
        for units in chosen:
            row[list(units)] = 1
        yield row
