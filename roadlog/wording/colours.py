"""Colours with a meaning: a percent change in, a colour of a diverging scale out; and the arms'.

The scale is PuOr, one of ColorBrewer's diverging sets that stay readable with colour-blind eyes
[1]_, as matplotlib ships it: orange for more fuel, purple for less, near-white about zero. Arms
are told apart by shape, fill and dash as well, never by colour alone.

References
----------
.. [1] Harrower and Brewer (2003), ColorBrewer.org: an online tool for selecting colour schemes
   for maps, The Cartographic Journal 40(1), 27-37, doi:10.1179/000870403235002042.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

INK = "#23303b"
QUIET = "#6b7680"
HAIR = "#d9d6cf"
CLAIM = "#8c2d5a"
ARM_COLOURS = {"baseline": "#2b4c6f", "fitted": "#b35806"}
NO_DATA = "#a3a3a3"
CLASSES = 7
# PuOr at seven even places, 0.06 to 0.94, from its purple end: asking matplotlib takes longer than
# all else on the map, and a test does.
_LESS_TO_MORE = ("#44176f", "#8275ad", "#c6c4df", "#f6f6f7", "#fecd8f", "#e18417", "#9e4c07")
_STEPS_PCT = (0.2, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0)


@dataclass(frozen=True)
class ChangeScale:
    """Seven classes of change [%] around zero; `edges_pct` are the six borders between them."""

    edges_pct: tuple[float, ...]
    colours: tuple[str, ...]

    def colour(self, change_pct: float) -> str:
        """The colour of a change [%]; grey where it isn't a finite number."""
        if not math.isfinite(change_pct):
            return NO_DATA
        return self.colours[int(np.searchsorted(self.edges_pct, change_pct, side="right"))]


def change_scale(changes_pct: ArrayLike) -> ChangeScale:
    """A scale whose steps are round and whose outer classes hold only the largest changes.

    Parameters
    ----------
    changes_pct : array_like, shape (n,) [%]
        NaN is left out of account.

    >>> change_scale([1.0, -2.8]).edges_pct
    (-2.5, -1.5, -0.5, 0.5, 1.5, 2.5)
    """
    sizes = np.abs(np.asarray(changes_pct, dtype=np.float64))
    sizes = sizes[np.isfinite(sizes)]
    typical = float(np.quantile(sizes, 0.9)) if sizes.size else 1.0
    step = next((s for s in _STEPS_PCT if typical <= 3 * s), _STEPS_PCT[-1])
    edges = tuple(round(step * k, 10) for k in (-2.5, -1.5, -0.5, 0.5, 1.5, 2.5))
    return ChangeScale(edges, _LESS_TO_MORE)
