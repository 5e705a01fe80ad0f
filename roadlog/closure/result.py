"""What holding the fuel figure against filled and weighed fuel came to."""

from dataclasses import dataclass

import pandas as pd

from roadlog.quantities.facts import Warned
from roadlog.stats.interval import Interval, NamedInterval


@dataclass(frozen=True)
class Closure:
    """How the fuel figure compares with fuel filled or weighed.

    `verdict` is agrees, gap, uninformative or none; `values` the numbers of results.json; `tanks`
    and `cans` one row each; `said` plain sentences; `blocking` those that forbid a firm finding;
    `measured` the effects that fuel filled or weighed and distance tell by themselves.
    """

    verdict: str
    gap: Interval
    values: dict[str, float]
    tanks: pd.DataFrame
    cans: pd.DataFrame
    said: tuple[str, ...]
    blocking: tuple[str, ...]
    measured: tuple[NamedInterval, ...] = ()


@dataclass(frozen=True)
class Evidence:
    """What OBD shows of bent signals, by arm.

    `table` has one row a clue; `said` tells what it can and can't show; `warnings` name the clues
    that differ between the arms by more than chance.
    """

    table: pd.DataFrame
    said: tuple[str, ...]
    warnings: tuple[Warned, ...]
