"""Lines thinned by their shape: places in metres in, which of them draw the same line out.

The line between the kept places is nowhere farther than the tolerance from a place that was left
out, so that bends stay and straights cost two places [1]_ [2]_.

References
----------
.. [1] U. Ramer (1972), An iterative procedure for the polygonal approximation of plane curves,
   Computer Graphics and Image Processing 1(3), 244-256.
.. [2] D. Douglas and T. Peucker (1973), Algorithms for the reduction of the number of points
   required to represent a digitized line or its caricature, Cartographica 10(2), 112-122.
"""

import numpy as np

from roadlog.quantities.arrays import Floats, Ints


def thinned(x_m: Floats, y_m: Floats, tolerance_m: float) -> Ints:
    """Indices of the places to keep, ends included.

    Parameters
    ----------
    x_m, y_m : array, shape (n,) [m]
        Finite places along a line.
    tolerance_m : float [m]

    >>> thinned(np.array([0.0, 50.0, 100.0, 100.0]), np.array([0.0, 1.0, 0.0, 80.0]), 5.0).tolist()
    [0, 2, 3]
    """
    count = len(x_m)
    keep = np.zeros(count, dtype=bool)
    keep[[0, -1] if count else []] = True
    spans = [(0, count - 1)]
    while spans:
        a, b = spans.pop()
        if b - a < 2:
            continue
        off = _distance_m(x_m[a + 1 : b] - x_m[a], y_m[a + 1 : b] - y_m[a],
                          x_m[b] - x_m[a], y_m[b] - y_m[a])  # fmt: skip
        farthest = int(off.argmax())
        if off[farthest] > tolerance_m:
            middle = a + 1 + farthest
            keep[middle] = True
            spans += [(a, middle), (middle, b)]
    return np.flatnonzero(keep)


def _distance_m(x: Floats, y: Floats, to_x: float, to_y: float) -> Floats:
    """Distance of places from the stretch between (0, 0) and (to_x, to_y)."""
    square = to_x * to_x + to_y * to_y
    along = np.zeros_like(x)
    if square > 0:
        along = np.minimum(np.maximum((x * to_x + y * to_y) / square, 0), 1)
    away: Floats = np.hypot(x - along * to_x, y - along * to_y)
    return away
