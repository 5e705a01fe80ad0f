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
    n = len(t) - 1
    if n < 1:
        return 0.0
    low, high = (n - 1) // 2, n // 2
    steps = np.partition(t[1:] - t[:-1], (low, high))
    return float((steps[low] + steps[high]) / 2)
