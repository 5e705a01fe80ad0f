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
    first, last = np.array([0]), np.array([count - 1])
    while len(first := first[(within := last - first > 1)]):
        last = last[within]
        inner = last - first - 1
        heads = np.cumsum(inner) - inner  # where each span's inner places begin
        of = np.repeat(np.arange(len(first)), inner)
        at = np.arange(len(of)) + np.repeat(first + 1 - heads, inner)
        off = _distance_m(x_m[at] - x_m[first][of], y_m[at] - y_m[first][of],
                          (x_m[last] - x_m[first])[of], (y_m[last] - y_m[first])[of])  # fmt: skip
        most = np.maximum.reduceat(off, heads)
        farthest = np.flatnonzero(off == most[of])
        _, one = np.unique(of[farthest], return_index=True)
        far = most > tolerance_m
        middle = at[farthest[one]][far]
        keep[middle] = True
        first, last = np.concatenate([first[far], middle]), np.concatenate([middle, last[far]])
    return np.flatnonzero(keep)


def _distance_m(x: Floats, y: Floats, to_x: Floats, to_y: Floats) -> Floats:
    """Distance of places from stretches, each between (0, 0) and its (to_x, to_y)."""
    square = to_x * to_x + to_y * to_y
    long = square > 0
    share = (x * to_x + y * to_y) / np.where(long, square, 1.0)
    along = np.where(long, np.minimum(np.maximum(share, 0), 1), 0.0)
    away: Floats = np.hypot(x - along * to_x, y - along * to_y)
    return away
