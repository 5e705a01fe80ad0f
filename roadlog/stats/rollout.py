"""Stepped wedges: clusters that go over to the treatment at different times, never back.

In go one value a cluster and period, and when each cluster went over; out come the mean effect
over treated cells, its clustered error, and what every other order of going over would have given.
Clusters and periods are fitted to cells not yet treated, and what treated cells hold above that is
the effect, so that cells that are treated already are never the yardstick of others: regression on
clusters and periods with one constant effect does that, and goes wrong, even in sign, where the
effect grows with time since the change (Goodman-Bacon A. (2021), J. Econometrics 225, 254-277;
Kenny A. et al. (2022), Statistics in Medicine 41, 4311-4339).

Chance drew which cluster goes over when, so the test permutes those times. Its statistic is the
effect over its clustered error: exact where every cluster's effect is the same, and right in large
fleets where they differ.

References
----------
Borusyak K., Jaravel X., Spiess J. (2024), Review of Economic Studies 91, 3253-3285: imputation.
Wang R., De Gruttola V. (2017), Statistics in Medicine 36, 2831-2843: permuting the crossover times.
Wu J., Ding P. (2021), J. American Statistical Association 116, 1898-1913: studentised statistics.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from roadlog.quantities.arrays import Floats
from roadlog.stats.randomise import ENOUGH_ASSIGNMENTS

Integers = NDArray[np.intp]

LISTED = 5_000
DRAWS = 1_999
_CELLS = 2_000_000  # at once
_SAME = 1e-9
_ROUNDS = 60
_FAR = 60.0  # standard errors, beyond which no bound is looked for


@dataclass(frozen=True, eq=False)
class Imputed:
    """The effect of one order. Shapes: clusters n, periods t.

    `estimate`; `error` clustered; `weights` (n, t) times the values give the estimate; `own` (n,)
    each cluster's effect, NaN where it has none, with `share` (n,) of the mean; `level` (n,),
    `period` (t,) the fit; `score` (n,) what each cluster adds to the error.
    """

    estimate: float
    error: float
    weights: Floats
    own: Floats
    share: Floats
    level: Floats
    period: Floats
    score: Floats


def impute(
    values: Floats, size: Floats, start: Integers, cells: NDArray[np.bool_] | None = None
) -> Imputed | None:
    """The mean effect over clusters, each its mean over treated cells that can be judged.

    Parameters
    ----------
    values : (n, t)
    size : (n, t) weight of each cell, 0 where nothing is known
    start : (n,) first treated period, t or more if never
    cells : (n, t), optional
        Of the treated cells only these.

    Returns
    -------
    Imputed or None
        None where no treated cell has its cluster untreated before and its period untreated
        elsewhere.
    """
    t = values.shape[1]
    y = np.where(size > 0, values, 0.0)
    untreated = size * (np.arange(t) < start[:, None])
    known = untreated.sum(axis=1)
    inverse = np.where(known > 0, 1 / np.where(known > 0, known, 1), 0.0)
    by_period = untreated.sum(axis=0)
    parts = _parts(untreated[None])
    treated = size * (np.arange(t) >= start[:, None]) * _judged(untreated[None], parts)[0]
    if cells is not None:
        treated = treated * cells
    amount = treated.sum(axis=1)
    if not (amount > 0).any():
        return None
    share = _share(amount[None])[0]
    d = treated * np.where(amount > 0, share / np.where(amount > 0, amount, 1), 0.0)[:, None]
    part = untreated * inverse[:, None]
    solve = np.linalg.inv(_normal(untreated[None], part[None], by_period[None], parts)[0])
    level0 = (part * y).sum(axis=1)
    period = solve @ ((untreated * y).sum(axis=0) - level0 @ untreated)
    h = solve @ (d.sum(axis=0) - share @ part)
    level = level0 - part @ period
    weights = d - share[:, None] * part - untreated * h + part * (untreated @ h)[:, None]
    rest = np.where(size > 0, y - level[:, None] - period, 0.0)
    own = np.where(
        amount > 0, (treated * rest).sum(axis=1) / np.where(amount > 0, amount, 1), np.nan
    )
    estimate = float((weights * y).sum())
    score = (d * rest).sum(axis=1) - share * estimate - (untreated * rest) @ h
    n = int((size.sum(axis=1) > 0).sum())
    error = math.sqrt(float(score @ score) * n / max(n - 1, 1))
    return Imputed(estimate, error, weights, own, share, level, period, score)


def impute_without_each(values: Floats, size: Floats, start: Integers) -> Floats:
    """The effect without each cluster in turn (n,), NaN where nothing can be judged then."""
    n, t = values.shape
    y = np.where(size > 0, values, 0.0)[None]
    before = np.arange(t) < start[:, None]
    found = np.full(n, np.nan)
    at_once = max(1, _CELLS // (4 * n * t))
    for first in range(0, n, at_once):
        out = np.arange(first, min(first + at_once, n))
        rest = np.repeat(size[None], len(out), axis=0)
        rest[np.arange(len(out)), out] = 0.0
        untreated = rest * before
        judged = _judged(untreated, _parts(untreated))
        some = (rest * ~before * judged).any(axis=(1, 2))
        if some.any():
            starts = np.broadcast_to(start, (int(some.sum()), n))
            found[out[some]] = _of_orders(y, rest[some], starts)[0][0]
    return found


@dataclass(frozen=True, eq=False)
class RolloutOrders:
    """What the orders say. Of each order, the real one first: effect and squared error of the
    values, `e` and `v`, and what a constant effect in the real order adds to them."""

    estimate: float
    orders: int
    exact: bool
    e_value: Floats = field(repr=False)
    e_effect: Floats = field(repr=False)
    v_value: Floats = field(repr=False)
    v_both: Floats = field(repr=False)
    v_effect: Floats = field(repr=False)

    @property
    def least_p(self) -> float:
        """Smallest one-sided p that these orders can give."""
        return float(np.mean(self.e_effect >= 1 - _SAME))

    def statistic(self, effect: float) -> Floats:
        """Each order's studentised statistic, were the effect this in every cluster."""
        v = self.v_value - 2 * effect * self.v_both + effect**2 * self.v_effect
        e = self.e_value - effect * self.e_effect
        return np.asarray(e / np.sqrt(np.maximum(v, 1e-300)))

    def p_of(self, effect: float) -> float:
        """Two-sided p of an effect."""
        s = np.abs(self.statistic(effect))
        return float(np.mean(s >= s[0] * (1 - _SAME)))

    def p_at_most(self, effect: float) -> float:
        """One-sided p of 'the effect is this or less'."""
        s = self.statistic(effect)
        return float(np.mean(s >= s[0] - _SAME * abs(s[0])))

    def p_at_least(self, effect: float) -> float:
        """One-sided p of 'the effect is this or more'."""
        s = self.statistic(effect)
        return float(np.mean(s <= s[0] + _SAME * abs(s[0])))

    def interval(self, level: float = 0.95) -> tuple[float, float] | None:
        """Effects that a two-sided test doesn't reject; None under `ENOUGH_ASSIGNMENTS` orders,
        or where even far ones aren't rejected."""
        if self.orders < ENOUGH_ASSIGNMENTS:
            return None
        error = math.sqrt(self.v_value[0])
        ends = [self._end(sign * error, 1 - level) for sign in (-1.0, 1.0)]
        if ends[0] is None or ends[1] is None:
            return None
        return ends[0], ends[1]

    def _end(self, step: float, alpha: float) -> float | None:
        reach = 1.0
        while self.p_of(self.estimate + reach * step) > alpha:
            reach *= 1.5
            if reach > _FAR:
                return None
        inside = 0.0
        for _ in range(_ROUNDS):
            middle = (inside + reach) / 2
            kept = self.p_of(self.estimate + middle * step) > alpha
            inside, reach = (middle, reach) if kept else (inside, middle)
        return self.estimate + inside * step


def rollout_orders(
    values: Floats,
    size: Floats,
    start: Integers,
    strata: Sequence[str] | None,
    rng: np.random.Generator,
) -> RolloutOrders | None:
    """Every order of going over that chance could have drawn, or `DRAWS` of them if many.

    Parameters
    ----------
    values, size, start
        As of `impute`.
    strata : n labels within which chance dealt the starts, or None

    Returns
    -------
    RolloutOrders or None
        None where chance could have drawn one order only.
    """
    real = impute(values, size, start)
    starts, total, exact = orders_of_starts(start, strata, rng)
    if real is None or total < 2:
        return None
    n, t = values.shape
    y = np.where(size > 0, values, 0.0)
    effect = (np.arange(t) >= start[:, None]).astype(float) * (size > 0)
    at_once = max(1, _CELLS // (n * t))
    parts = [
        _of_orders(np.stack([y, effect]), size, starts[i : i + at_once])
        for i in range(0, len(starts), at_once)
    ]
    e, v = (np.concatenate(p, axis=-1) for p in zip(*parts, strict=True))
    return RolloutOrders(real.estimate, total, exact, e[0], e[1], v[0, 0], v[0, 1], v[1, 1])


def orders_of_starts(
    start: Integers, strata: Sequence[str] | None, rng: np.random.Generator
) -> tuple[Integers, int, bool]:
    """Starts (N, n) that chance could have dealt, the real ones first; how many; whether all."""
    n = len(start)
    labels = [""] * n if strata is None else list(strata)
    blocks = [np.flatnonzero([b == x for b in labels]) for x in sorted({*labels})]
    total = math.prod(_distinct(start[b]) for b in blocks)
    if total <= LISTED:
        rows = np.array(list(_every(start, blocks)))
        first = int(np.flatnonzero((rows == start).all(axis=1))[0])
        rows[[0, first]] = rows[[first, 0]]
        return rows, total, True
    rows = np.tile(start, (DRAWS + 1, 1))
    for b in blocks:
        rows[1:, b] = rng.permuted(rows[1:, b], axis=1)
    return rows, total, False


def _every(start: Integers, blocks: Sequence[Integers]) -> Iterator[Integers]:
    row = start.copy()

    def dealt(block: int, place: int, left: dict[int, int]) -> Iterator[Integers]:
        if place == len(blocks[block]):
            if block + 1 == len(blocks):
                yield row.copy()
            else:
                yield from dealt(block + 1, 0, _counts(start[blocks[block + 1]]))
            return
        for value in [k for k, count in left.items() if count]:
            left[value] -= 1
            row[blocks[block][place]] = value
            yield from dealt(block, place + 1, left)
            left[value] += 1

    yield from dealt(0, 0, _counts(start[blocks[0]]))


def _counts(start: Integers) -> dict[int, int]:
    values, counts = np.unique(start, return_counts=True)
    return dict(zip(values.tolist(), counts.tolist(), strict=True))


def _distinct(start: Integers) -> int:
    counts = _counts(start).values()
    return math.factorial(len(start)) // math.prod(math.factorial(c) for c in counts)


def _share(amount: Floats) -> Floats:
    """Weight of each cluster in the mean, (..., n): size/(size + mean size), as of switch units."""
    some = amount > 0
    middle = amount.sum(axis=-1) / np.maximum(some.sum(axis=-1), 1)
    middle = np.maximum(middle, 1e-300)
    share = amount / (amount + middle[..., None])
    return np.asarray(share / np.maximum(share.sum(axis=-1), 1e-300)[..., None])


def _parts(untreated: Floats) -> NDArray[np.int16]:
    """Which periods hang together by clusters untreated in both, order by order (N, t).

    Periods of one part have one number from 0 on, a period without an untreated cell -1. Levels of
    two parts can't be compared, as those of a cluster that was seen when no other one was.
    """
    touch = (untreated > 0).astype(np.float32)
    left = touch.any(axis=1)
    found = np.full(left.shape, -1, dtype=np.int16)
    number = 0
    while left.any():
        reach = left & (np.cumsum(left, axis=1) == 1)  # the first that has no number yet
        while True:
            clusters = (touch @ reach[:, :, None].astype(np.float32))[:, :, 0] > 0
            more = (clusters[:, None, :].astype(np.float32) @ touch)[:, 0] > 0
            if (more == reach).all():
                break
            reach = more
        found[reach] = number
        left &= ~reach
        number += 1
    return found


def _judged(untreated: Floats, parts: NDArray[np.int16]) -> NDArray[np.bool_]:
    """Cells (N, n, t) whose cluster and period both have untreated cells, in one part."""
    own = np.where(untreated > 0, parts[:, None, :], -1).max(axis=2)
    return np.asarray((own[:, :, None] == parts[:, None, :]) & (own >= 0)[:, :, None])


def _normal(untreated: Floats, part: Floats, by_period: Floats, parts: NDArray[np.int16]) -> Floats:
    """Normal equations of the periods with the clusters swept out (..., t, t), made regular: the
    common level of each of `parts` is free, and a period without an untreated cell has nothing."""
    t = by_period.shape[-1]
    m = -np.swapaxes(part, -1, -2) @ untreated
    size = by_period.max(axis=-1)[..., None]
    own = np.where(by_period > 0, by_period, size)
    m[..., np.arange(t), np.arange(t)] += own
    one = (parts[..., :, None] == parts[..., None, :]) & (parts >= 0)[..., None]
    return np.asarray(m + (size / t)[..., None] * one)


def _of_orders(responses: Floats, size: Floats, starts: Integers) -> tuple[Floats, Floats]:
    """Effects (r, N) of each response and their errors' products (r, r, N), order by order; `size`
    (n, t), or one for each order."""
    t = size.shape[-1]
    before = np.arange(t) < starts[:, :, None]
    untreated = size * before
    known = untreated.sum(axis=2)
    part = untreated * np.where(known > 0, 1 / np.where(known > 0, known, 1), 0.0)[:, :, None]
    by_period = untreated.sum(axis=1)
    parts = _parts(untreated)
    treated = size * ~before * _judged(untreated, parts)
    amount = treated.sum(axis=2)
    share = _share(amount)
    d = treated * np.where(amount > 0, share / np.where(amount > 0, amount, 1), 0.0)[:, :, None]
    m = _normal(untreated, part, by_period, parts)
    g = d.sum(axis=1) - (share[:, None, :] @ part)[:, 0]
    right = [g]
    levels = []
    for y in responses:
        levels.append((part * y).sum(axis=2))
        right.append((untreated * y).sum(axis=1) - (levels[-1][:, None, :] @ untreated)[:, 0])
    solved = np.linalg.solve(m, np.stack(right, axis=2))
    h = solved[:, None, :, 0]
    effects, scores = [], []
    for k, y in enumerate(responses):
        period = solved[:, None, :, k + 1]
        level = levels[k] - (part * period).sum(axis=2)
        rest = y - level[:, :, None] - period
        above = (d * rest).sum(axis=2)
        estimate = above.sum(axis=1)
        effects.append(estimate)
        below = (untreated * rest * h).sum(axis=2)
        scores.append(above - share * estimate[:, None] - below)
    n = int((size.sum(axis=-1) > 0).sum(axis=-1).max())
    s = np.stack(scores)
    return np.stack(effects), np.einsum("rpn,spn->rsp", s, s) * n / max(n - 1, 1)
