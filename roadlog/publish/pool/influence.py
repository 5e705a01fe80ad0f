"""What the pooled answer hangs on: entries with their pool in; the mean without each car, which
studies are one car's, and which stand apart out.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.publish.pool.apart import named
from roadlog.publish.pool.entry import Entry
from roadlog.stats.meta_analysis import LEAST_AHEAD, Mean, Pooled, chance_so_far_off, pool

LEAST_APART = 4  # studies: with fewer the others are two, which say little of one another
APART_P = 0.05  # that chance puts any study as far off


@dataclass(frozen=True)
class Influence:
    """What hangs on single studies; places are those of the entries.

    `cars` are the places of each car's studies: one each, but for those that name one author and
    declare one car. `without` is the mean without each car, None where too few are left. `off` (k,)
    is how likely chance puts any study as far from all others as each is, None where it isn't told.
    """

    cars: tuple[tuple[int, ...], ...]
    without: tuple[Mean | None, ...]
    off: tuple[float, ...] | None

    @property
    def apart(self) -> tuple[int, ...]:
        """Places of studies that stand further from all others than chance puts any."""
        return tuple(i for i, p in enumerate(self.off or ()) if p < APART_P)

    @property
    def of_one_car(self) -> tuple[tuple[int, ...], ...]:
        """Those cars that several studies are of."""
        return tuple(car for car in self.cars if len(car) > 1)


def influence_of(entries: Sequence[Entry], pooled: Pooled) -> Influence:
    """What the pool of these entries hangs on."""
    cars = _cars(entries)
    off = None
    if len(entries) >= LEAST_APART:
        y, df = (np.array([getattr(e, k) for e in entries]) for k in ("change", "df"))
        off = tuple(map(float, chance_so_far_off(y, pooled.variances, df, pooled.without)))
    return Influence(cars, tuple(_without(entries, pooled, car) for car in cars), off)


def _without(entries: Sequence[Entry], pooled: Pooled, car: tuple[int, ...]) -> Mean | None:
    if len(car) == 1:
        return pooled.without[car[0]] if pooled.without else None
    rest = [e for i, e in enumerate(entries) if i not in car]
    return pool_of(rest).mean if len(rest) >= LEAST_AHEAD - 1 else None


def pool_of(entries: Sequence[Entry]) -> Pooled:
    """The pool of these entries."""
    change, se, df = (np.array([getattr(e, k) for e in entries]) for k in ("change", "se", "df"))
    return pool(change, se, df)


def _cars(entries: Sequence[Entry]) -> tuple[tuple[int, ...], ...]:
    """Places of the studies of each car, as far as what the archives say tells."""
    car = list(range(len(entries)))
    first: dict[tuple[str, str], int] = {}
    for i, e in enumerate(entries):
        for author in e.authors:
            same = car[first.setdefault((named(author), e.vehicle), i)]
            car = [same if c == car[i] else c for c in car]
    return tuple(tuple(i for i, c in enumerate(car) if c == one) for one in dict.fromkeys(car))
