"""Types of the arrays that stages hand to each other."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def median_step(t: Floats) -> float:
    """Median difference of neighbours, 0 with fewer than two; much quicker than `numpy.median`.

    >>> median_step(np.array([0.0, 1.0, 2.5]))
    1.25
    """
    return middle(t[1:] - t[:-1]) if len(t) > 1 else 0.0


def steps_of_each(t: Floats, first: Ints, end: Ints) -> Floats:
    """`median_step` of each part of times on even grids; 1 where a part has one time alone.

    >>> steps_of_each(np.array([0.0, 0.5, 1.0, 7.0, 7.5]), np.array([0, 3]), np.array([3, 5]))
    array([0.5, 0.5])
    """
    if len(t) < 2:
        return np.ones(len(first))
    step = t[1:] - t[:-1]
    step[first[1:] - 1] = step[0]
    if end[0] > 1 and step.min() == step.max():
        return np.full(len(first), step[0])
    parts = zip(first.tolist(), end.tolist(), strict=True)
    return np.array([median_step(t[a:b]) if b - a > 1 else 1.0 for a, b in parts])


def blocks(owner: NDArray[Any]) -> tuple[Ints, Ints]:
    """Where each unbroken block of one owner begins, and its size.

    >>> blocks(np.array([4, 4, 2, 4]))
    (array([0, 2, 3]), array([2, 1, 1]))
    """
    first = np.append(True, owner[1:] != owner[:-1])[: len(owner)].nonzero()[0]
    return first, np.diff(first, append=len(owner))


def middle(values: Floats) -> float:
    """Median of finite values, at least one, as `numpy.median` without its cost on short arrays.

    >>> middle(np.array([3.0, 1.0, 2.0, 9.0]))
    2.5
    """
    half = len(values) // 2
    ordered = np.partition(values, half)
    below = ordered[half] if len(values) % 2 else ordered[:half].max()
    return float((below + ordered[half]) / 2)


def medians(values: Floats) -> Floats:
    """Median of each column's values that are known, NaN without one; cheap on short columns.

    >>> medians(np.array([[3.0, np.nan], [1.0, np.nan], [np.nan, np.nan]]))
    array([ 2., nan])
    """
    ordered = np.sort(values, axis=0)  # what isn't known comes last
    known, column = np.count_nonzero(~np.isnan(ordered), axis=0), np.arange(values.shape[1])
    below = np.maximum(known - 1, 0) // 2
    return np.asarray((ordered[below, column] + ordered[known // 2, column]) / 2, float)


def quantile(values: Floats, share: float) -> float:
    """`numpy.quantile` of finite values, at least one, to the last bit, without its cost.

    >>> quantile(np.array([3.0, 1.0, 2.0, 9.0]), 0.75)
    4.5
    """
    at = share * (len(values) - 1)
    below = min(int(at), len(values) - 1)
    above = min(below + 1, len(values) - 1)
    ordered = np.partition(values, (below, above))
    a, b, part = float(ordered[below]), float(ordered[above]), at - below
    return a + (b - a) * part if part < 0.5 else b - (b - a) * (1 - part)


def median_at_most(values: Floats, size: Ints, limit: float) -> Bools:
    """Whether the median of each part is `limit` or less; `size` values a part, one after another.

    Counting tells it; only where half the values of an even number are within is it worked out.

    >>> median_at_most(np.array([1.0, 5.0, 9.0, 4.0, 8.0]), np.array([3, 2]), 5.0).tolist()
    [True, False]
    """
    within = np.append(0, np.cumsum(values <= limit))
    end = np.cumsum(size)
    twice = 2 * (within[end] - within[end - size])
    found: Bools = twice > size
    for k in np.flatnonzero((twice == size) & (size > 0)):
        found[k] = middle(values[end[k] - size[k] : end[k]]) <= limit
    return found


def ranges(first: Ints, size: Ints) -> Ints:
    """`size` whole numbers from each of `first` on, one range after another.

    >>> ranges(np.array([3, 10]), np.array([2, 3])).tolist()
    [3, 4, 10, 11, 12]
    """
    end = np.cumsum(size)
    each: Ints = np.arange(size.sum()) + np.repeat(first - (end - size), size)
    return each
