"""Whether guesses tell the arm: Bang's blinding index with its interval, and a test by the orders.

Counts of right, wrong and unsure guesses in one arm go in; the index comes out: 0 is chance, +1
always right, -1 always wrong. Two arms with opposite indices are one habit (always saying "in");
both above zero are knowledge.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roadlog.stats.randomise import Assignments

_Z = {0.9: 1.6448536269514722, 0.95: 1.959963984540054, 0.99: 2.5758293035489004}
LEVEL = 0.95


@dataclass(frozen=True)
class BlindingIndex:
    """Guesses of one arm: counts, Bang's index and its interval.

    `low` and `high` hold at the few guesses of a road test; `wald_low` and `wald_high` are the
    ends that the paper gives, for large numbers. All None without a guess.
    """

    right: int
    wrong: int
    unsure: int
    index: float | None
    low: float | None
    high: float | None
    wald_low: float | None
    wald_high: float | None

    @property
    def guesses(self) -> int:
        """How many guesses there were, unsure ones too."""
        return self.right + self.wrong + self.unsure


def blinding_index(right: int, wrong: int, unsure: int, level: float = LEVEL) -> BlindingIndex:
    """Bang's blinding index of one arm.

    With shares r, w of n guesses right and wrong ("don't know" is neither) the index is r - w and
    its variance (r(1-r) + w(1-w) + 2rw)/n. At a dozen guesses or fewer that interval catches too
    seldom and has no width where all guesses agree; the one that is shown adds one right and one
    wrong guess (Bonett and Price). How often each holds: docs/planning.md.

    Parameters
    ----------
    right, wrong, unsure : counts
    level : 0.9, 0.95 or 0.99

    References
    ----------
    Bang, H., Ni, L., Davis, C. E. (2004), Assessment of blinding in clinical trials, Controlled
    Clinical Trials 25, 143-156. Bonett, D. G., Price, R. M. (2012), Adjusted Wald confidence
    interval for a difference of binomial proportions based on paired data, Journal of Educational
    and Behavioral Statistics 37, 479-488.

    >>> b = blinding_index(4, 1, 1)
    >>> round(b.index, 2), round(b.low, 2), round(b.high, 2)
    (0.5, -0.22, 0.97)
    """
    n = right + wrong + unsure
    if n == 0:
        return BlindingIndex(0, 0, 0, None, None, None, None, None)
    index = (right - wrong) / n
    wald = _half(right / n, wrong / n, n, level)
    r, w = (right + 1) / (n + 2), (wrong + 1) / (n + 2)
    half = _half(r, w, n + 2, level)
    return BlindingIndex(
        right,
        wrong,
        unsure,
        index,
        max(-1.0, r - w - half),
        min(1.0, r - w + half),
        max(-1.0, index - wald),
        min(1.0, index + wald),
    )


def _half(r: float, w: float, n: int, level: float) -> float:
    """Half width of a Wald interval of r - w."""
    variance = (r * (1 - r) + w * (1 - w) + 2 * r * w) / n
    return _Z[level] * math.sqrt(max(variance, 0.0))


def right_by_chance(said: ArrayLike, orders: Assignments) -> float:
    """How often chance's orders make the guesses as right as they were, or more [0 to 1].

    The guesses stand as they were said and the orders change: a habit of the driver's is the same
    in all of them, and that half of each block is fitted is in them. Exact where all orders are
    listed.

    Parameters
    ----------
    said : (n_units,) 1 for in, -1 for out, 0 for don't know or no guess
    orders : with the real order first

    >>> from roadlog.stats.randomise import assignments
    >>> orders = assignments([1, 0, 0, 1], ["a", "a", "b", "b"], np.random.default_rng(0))
    >>> right_by_chance([1, -1, -1, 1], orders)
    0.25
    """
    guess = np.asarray(said, dtype=float)
    score = (2.0 * orders.arms - 1.0) @ guess
    return float(np.mean(score >= score[0] - 1e-9))
