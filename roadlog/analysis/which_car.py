"""Which car a log is of: what its gearbox and its number say, and whether logs were mixed up.

Both cars' runs go in; those that seem to be of the other car come out. Engine speed
over road speed in the highest gear that a drive used is the car's own, whatever is fitted to its
engine. Two cars of one kind can't be told apart by it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.quantities.against import Against
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Veto
from roadlog.quantities.signals import signal
from roadlog.runs.vehicle_numbers import numbers_of, own_numbers, strays

FAST_KMH = 50.0
LEAST_FAST_S = 60
LOW_SHARE = 0.1  # of engine speed over road speed: the highest gear, whatever was driven beside it
APART = 0.05  # relative, between two cars' gearing
ALIKE = 0.025  # within one car


@dataclass(frozen=True)
class Mixed:
    """Positions of runs, of each car, that have the gearing of the other car."""

    test: tuple[int, ...]
    control: tuple[int, ...]

    def __bool__(self) -> bool:
        return bool(self.test or self.control)


def gearing(samples: pd.DataFrame) -> float:
    """Engine revolutions a kilometre in the highest gear used; NaN if the drive doesn't tell."""
    rpm, speed = signal(samples, "rpm"), signal(samples, "speed_kmh")
    fast = (speed >= FAST_KMH) & (rpm > 0)
    if fast.sum() < LEAST_FAST_S:
        return float("nan")
    return 60 * float(np.quantile(rpm[fast] / speed[fast], LOW_SHARE))


def mixed_up(
    test: Sequence[pd.DataFrame],
    control: Sequence[pd.DataFrame],
    together: Sequence[tuple[int, int]] = (),
) -> Mixed:
    """Runs whose gearing is the other car's.

    Parameters
    ----------
    test, control : sequence of DataFrame
        `tables.SAMPLES` of each run.
    together : sequence of (int, int)
        Runs of both that were driven together. Where most of them show one gearing the cars are of
        one kind, and a day on which both stayed in a lower gear is no mix-up.
    """
    each = np.array([gearing(s) for s in (*test, *control)])
    if _one_kind(each[: len(test)], each[len(test) :], together):
        return Mixed((), ())
    car = np.repeat([0, 1], [len(test), len(control)])
    known = np.flatnonzero(np.isfinite(each))
    if len(known) < 4:
        return Mixed((), ())
    order = known[np.argsort(each[known])]
    steps = np.diff(np.log(each[order]))
    cut = int(np.argmax(steps)) + 1
    low, high = order[:cut], order[cut:]
    if steps[cut - 1] < APART - ALIKE or _apart(each[low], each[high]) < APART:
        return Mixed((), ())
    home = [low if (car[low] == c).sum() > (car[high] == c).sum() else high for c in (0, 1)]
    if home[0] is home[1]:
        return _half_and_half(low, high, car, len(test))
    strays = []
    for c in (0, 1):
        own = np.setdiff1d(known[car[known] == c], home[c])
        away = np.abs(np.log(each[own] / np.median(each[home[1 - c]])))
        strays.append(tuple(int(i) - c * len(test) for i in own[away < ALIKE]))
    return Mixed(strays[0], strays[1])


def _one_kind(test: Floats, control: Floats, together: Sequence[tuple[int, int]]) -> bool:
    """Whether most of the runs that were driven together show one gearing."""
    apart = np.array([abs(np.log(test[i] / control[j])) for i, j in together])
    apart = apart[np.isfinite(apart)]
    return len(apart) > 0 and bool(np.mean(apart < ALIKE) > 0.5)


def _half_and_half(low: np.ndarray, high: np.ndarray, car: np.ndarray, tests: int) -> Mixed:
    """Both cars have runs of both kinds, most of one: the fewer are strays if each car has some."""
    few = low if len(low) < len(high) else high
    if not ((car[few] == 0).any() and (car[few] == 1).any()):
        return Mixed((), ())
    return Mixed(
        tuple(int(i) for i in few if car[i] == 0),
        tuple(int(i) - tests for i in few if car[i] == 1),
    )


def _apart(low: np.ndarray, high: np.ndarray) -> float:
    return float(abs(np.log(np.median(high) / np.median(low))))


def of_another_vehicle(runs: pd.DataFrame) -> list[Veto]:
    """What forbids a word because a car's logs name two vehicles: one veto, or none.

    Parameters
    ----------
    runs : DataFrame
        `tables.RUNS` of one car, used and unused.
    """
    numbers = numbers_of(runs)
    found = _named(runs, strays(numbers))
    if not found:
        return []
    return [
        Veto(
            f"undecided: {found} tell another vehicle's identification number than the other logs "
            "do, so some of the drives aren't this car's: take those of the other vehicle out",
            Against.OTHER_VEHICLE(),
        )
    ]


def one_vehicle(test: pd.DataFrame, control: pd.DataFrame) -> bool:
    """Whether the logs of both cars are of one vehicle, by the numbers that they tell."""
    own = own_numbers(numbers_of(test))
    return bool(own) and own == own_numbers(numbers_of(control))


def swapped_by_number(test: pd.DataFrame, control: pd.DataFrame) -> list[Veto]:
    """What forbids a word because the control car's logs name the test car, or the other way."""
    ours, theirs = numbers_of(test), numbers_of(control)
    of_test = strays(ours, own_numbers(theirs))
    of_control = strays(theirs, own_numbers(ours))
    named = [n for n in (_named(test, of_test), _named(control, of_control)) if n]
    if not named:
        return []
    return [
        Veto(
            f"undecided: {' and '.join(named)} tell another vehicle's identification number than "
            "the other logs of that car do: logs of two cars seem to be mixed up",
            Against.OTHER_CAR(),
        )
    ]


def _named(runs: pd.DataFrame, at: Sequence[int]) -> str:
    files = [str(runs["file"].iloc[i]) for i in at]
    return "" if not files else files[0] + (f" and {len(files) - 1} more" if len(files) > 1 else "")
