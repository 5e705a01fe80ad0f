"""Fuel signals of one run that don't go with the study's other runs: told, and nothing dropped.

Samples of all runs go in; warnings that name the log come out. A trim, a mixture or a status that
one log alone holds in another way moves that run's fuel by as much, whatever the engine burned.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from roadlog.fuel.air import LAMBDA_LIMITS
from roadlog.fuel.facts import Odd
from roadlog.fuel.states import status_sticks
from roadlog.fuel.trims import bank_trims
from roadlog.quantities.columns import Table
from roadlog.quantities.facts import Warned
from roadlog.quantities.signals import TRIMS, signal

TRIM_APART_PCT = 5.0  # from the median of the arm's other runs
LEAST_OTHERS = 3
LAMBDA_SHARE = 0.005
STRAINED_PCT, STRAINED_SHARE = 20.0, 0.05  # controllers call for service near 25 %


def outlying_signals(
    samples: Sequence[Table], files: Sequence[str], arms: Sequence[str], *, petrol: bool
) -> list[Warned]:
    """Warnings of runs whose fuel signals stand apart.

    Parameters
    ----------
    samples : sequence of DataFrame
        `tables.SAMPLES`, one a run that counts.
    files, arms : sequences of str
        Each run's log and arm.
    petrol : bool
        Whether λ far from 1 is impossible (a diesel runs lean).
    """
    found = []
    for frame, file in zip(samples, files, strict=True):
        if petrol and (share := _impossible_lambda(frame)) > LAMBDA_SHARE:
            found.append(
                Warned(
                    "lambda-impossible",
                    Odd.LAMBDA(low=LAMBDA_LIMITS[0], high=LAMBDA_LIMITS[1], share=share),
                    file,
                )
            )
        if (share := _strained(frame)) > STRAINED_SHARE:
            found.append(
                Warned(
                    "trims-strained",
                    Odd.STRAINED(pct=STRAINED_PCT, share=share),
                    file,
                )
            )
        if status_sticks(frame):
            found.append(Warned("status-sticks", Odd.STATUS_STICKS(), file))
    return [*found, *_trims_apart(samples, files, arms)]


def _impossible_lambda(samples: Table) -> float:
    commanded = signal(samples, "lambda_commanded")
    known = np.isfinite(commanded)
    outside = known & ((commanded < LAMBDA_LIMITS[0]) | (commanded > LAMBDA_LIMITS[1]))
    return float(outside.sum() / known.sum()) if known.any() else 0.0


def _strained(samples: Table) -> float:
    """Share of a short-term trim's readings that are beyond what a sound loop needs."""
    shares = [0.0]
    for short, _ in TRIMS:
        trim = signal(samples, short)
        known = np.isfinite(trim)
        if known.any():
            shares.append(float((np.abs(trim[known]) >= STRAINED_PCT).mean()))
    return max(shares)


def _trims_apart(
    samples: Sequence[Table], files: Sequence[str], arms: Sequence[str]
) -> list[Warned]:
    """Runs whose trims lie far from those of their arm's other runs."""
    table = pd.DataFrame([bank_trims(s) for s in samples])
    found = []
    for bank in table.columns:
        values = table[bank].to_numpy(dtype=float)
        for arm in dict.fromkeys(arms):
            mine = [i for i, a in enumerate(arms) if a == arm and np.isfinite(values[i])]
            if len(mine) <= LEAST_OTHERS:
                continue
            for i in mine:
                apart = float(values[i] - np.median(values[[k for k in mine if k != i]]))
                if abs(apart) > TRIM_APART_PCT:
                    found.append(Warned("trims-apart", Odd.TRIMS_APART(pct=apart), files[i]))
    return found
