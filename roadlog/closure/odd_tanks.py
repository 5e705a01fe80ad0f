"""Tanks whose litres don't go with those of the others: a fill that wasn't full, a receipt astray.

The table of one car's tanks goes in, its litres held against what each arm's own tanks make of the
computed fuel, so that however the add-on bends the figure no tank is odd for it. Out come the fills
that can't have been full, and the tanks that hold a receipt too many, too few or in another unit.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from roadlog.closure.ledger import Tank
from roadlog.closure.of_tanks import amounts_of
from roadlog.quantities.arrays import Floats
from roadlog.study.settings import Fill

ODD_SHARE = 0.15  # of a tank's litres, off what the arm's other tanks make of it; no source
ODD_L = 4.0  # and litres: a level of the tank that no two fills miss by more; no source
LEAST_TANKS = 6  # fewer don't tell which of them is odd
MOST_ODD = 0.25  # of a car's tanks: with more, all of them count, and scatter as they do
MOST_OF_ARM = 0.5  # of an arm's computed fuel, in odd tanks
_STEPS = 30


def odd_tanks(table: pd.DataFrame) -> Floats:
    """How far each used tank's litres are off [share of what was expected], 0 where not odd.

    Parameters
    ----------
    table : DataFrame
        `roadlog.closure.of_tanks.tank_rows`.

    Returns
    -------
    (n,) array
        Negative where litres lack. All zero where too few tanks tell.
    """
    off = np.zeros(len(table))
    at = np.flatnonzero(table["used"].astype(bool))
    if len(at) < LEAST_TANKS:
        return off
    litres, computed = amounts_of(table.iloc[at])
    expected = computed @ _least_absolute(computed, litres)
    if not (expected > 0).all():
        return off
    left = litres - expected
    odd = (np.abs(left) > ODD_SHARE * expected) & (np.abs(left) > ODD_L)
    off[at[odd]] = left[odd] / expected[odd]
    return off


def not_full(found: Sequence[Tank], table: pd.DataFrame, off: Floats) -> set[Fill]:
    """Fills that ended a tank too soon: litres that one lacks, the next one has too many.

    The two together are as sound as any tank, since what the first fill left out the second put in.
    """
    litres = table["litres"].to_numpy(dtype=float)
    where = table.index.to_numpy()
    partial: set[Fill] = set()
    i = 0
    while i < len(found) - 1:
        if where[i + 1] == where[i] + 1 and off[i] * off[i + 1] < 0:
            wanted = litres[i : i + 2] / (1 + off[i : i + 2])
            if abs(litres[i : i + 2].sum() / wanted.sum() - 1) < ODD_SHARE:
                partial.add(found[i].fills[-1])
                i += 1
        i += 1
    return partial


def set_aside(table: pd.DataFrame, off: Floats) -> pd.DataFrame:
    """The table with odd tanks out of use, if they are few in all and in each arm."""
    odd = off != 0
    used = table["used"].to_numpy(dtype=bool)
    computed = table[["computed_baseline_l", "computed_fitted_l"]].to_numpy(dtype=float)
    of_arm = computed[used].sum(axis=0)
    share = np.divide(computed[odd].sum(axis=0), of_arm, out=np.zeros(2), where=of_arm > 0)
    if not odd.any() or odd.sum() > MOST_ODD * used.sum() or (share > MOST_OF_ARM).any():
        return table
    reason = table["reason"].astype(object).to_numpy(copy=True)
    for i in np.flatnonzero(odd):
        more = "more" if off[i] > 0 else "less"
        why = (
            "a receipt is another car's, or in another unit"
            if off[i] > 0
            else "a receipt is missing, or in another unit"
        )
        reason[i] = f"{abs(100 * off[i]):.0f} % {more} fuel than its other tanks make likely: {why}"
    return table.assign(reason=reason, used=used & ~odd)


def without_full(fills: Sequence[Fill], partial: set[Fill]) -> list[Fill]:
    """The fills with those that can't have been full marked so."""
    return [in_part(f) if f in partial else f for f in fills]


def in_part(fill: Fill) -> Fill:
    """The fill, not to the brim: its litres count in the tank that the next full one ends."""
    return fill.model_copy(update={"full": False})


def _least_absolute(x: Floats, y: Floats) -> Floats:
    """Coefficients of least absolute residuals, by weights; least squares of what can't be told."""
    weights = np.ones(len(y))
    beta: Floats = np.zeros(x.shape[1])
    for _ in range(_STEPS):
        root = np.sqrt(weights)[:, None]
        beta = np.asarray(np.linalg.lstsq(x * root, y * root[:, 0], rcond=1e-6)[0])
        left = np.abs(y - x @ beta)
        weights = 1 / np.maximum(left, 1e-3 * max(float(np.median(np.abs(y))), 1e-9))
    return beta
