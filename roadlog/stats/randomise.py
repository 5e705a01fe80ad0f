"""The schedules that chance could have drawn: the arm of every switch unit dealt anew.

Units change places within their blocks, with as many fitted in each as there were. All orders are
listed where they are few enough, else drawn; `roadlog.stats.unit_randomisation` asks them.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from numpy.typing import ArrayLike, NDArray

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


def _every(
    n: int, blocks: Sequence[NDArray[np.intp]], fitted: Sequence[int]
) -> Iterator[NDArray[np.int8]]:
    choices = [list(combinations(b, k)) for b, k in zip(blocks, fitted, strict=True)]
    for chosen in product(*choices):
        row = np.zeros(n, dtype=np.int8)
        for units in chosen:
            row[list(units)] = 1
        yield row
