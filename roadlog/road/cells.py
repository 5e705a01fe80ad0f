"""Cells of the plane and of heading, and which runs drive through them.

All runs' points go in; for every point it comes out how many runs of the rarer arm pass near it in
its direction. It proposes where roads may be shared; alignment decides. Part of method section 3.
"""

import numpy as np
import pandas as pd

from roadlog.quantities.arrays import Bools, Floats, Ints, blocks
from roadlog.road.alignment import Points

CELL_M = 40.0
SECTORS = 8
BITS = np.uint64(1) << np.arange(64, dtype=np.uint64)  # one for each run of as many


class Cells:
    """Cells of place and heading, each point filed under its home and its near neighbours.

    Cells overlap: a point is filed under two in each of three directions, one of which is its home.
    Points that share these are numbered by `kind`, so that cells are looked up for each kind once:
    `filed` (8, kinds) and `home` (kinds). Runs are counted as bits, so many at a time.
    """

    def __init__(self, points: Points) -> None:
        sector = np.arctan2(points.hy, points.hx) / (2 * np.pi / SECTORS)
        where = points.x_m / CELL_M, points.y_m / CELL_M
        low = [*(np.floor(c - 0.5) for c in where), np.floor(sector)]
        own = [*(np.floor(c) for c in where), np.round(sector)]
        both = [a + b for a, b in zip(low, own, strict=True)]
        self.kind, kinds = pd.factorize(cell_key(both, 2 * SECTORS))
        chosen = np.empty(len(kinds), np.int64)
        chosen[self.kind] = np.arange(len(self.kind))
        shifts = [(i, j, k) for i in (0, 1) for j in (0, 1) for k in (0, 1)]
        near = [cell_key([c[chosen] + d for c, d in zip(low, by, strict=True)]) for by in shifts]
        home = cell_key([c[chosen] for c in own])
        index, names = pd.factorize(np.concatenate([*near, home]))
        self.count = len(names)
        self.filed, self.home = index[: -len(home)].reshape(8, -1), index[-len(home) :]
        self._list(points.owner)

    def _list(self, owner: Ints) -> None:
        """List the points of each kind, some runs at a time, and the kinds of each cell."""
        kinds = len(self.home)
        group = owner // len(BITS) * kinds + self.kind
        self._order = np.argsort(group, kind="stable")
        self._bit = BITS[(owner % len(BITS))[self._order]]
        self._first_point = blocks(group[self._order])[0]
        self._group = group[self._order[self._first_point]]
        cell = self.filed.ravel()
        order = np.argsort(cell, kind="stable")
        self._kinds, self._first_kind = order % kinds, blocks(cell[order])[0]
        self._home = self.home[self.kind]

    def support(self, free: Bools, fitted: Bools) -> Ints:
        """For every point, how many runs of the rarer arm have a free point near its cell."""
        if not len(self.kind):
            return np.empty(0, dtype=np.int64)
        runs = np.zeros((-(-len(fitted) // len(BITS)), len(BITS)), bool)
        runs.ravel()[: len(fitted)] = fitted
        arms = np.where(runs, BITS, 0).sum(axis=1, dtype=np.uint64)
        driven = np.zeros((len(arms), len(self.home)), np.uint64)
        drive = np.where(free[self._order], self._bit, 0)
        driven.ravel()[self._group] = np.bitwise_or.reduceat(drive, self._first_point)
        with_, without = np.zeros((2, self.count), np.int64)
        for of_kind, arm in zip(driven, arms, strict=True):
            of_cell = np.bitwise_or.reduceat(of_kind[self._kinds], self._first_kind)
            with_ += np.bitwise_count(of_cell & arm)
            without += np.bitwise_count(of_cell & ~arm)
        return np.minimum(with_, without)[self._home]


def cell_key(where: list[Floats], sectors: int = SECTORS) -> Ints:
    """One number for steps east, north and of heading."""
    east, north, sector = where
    key = ((east + 2**23) * 2**24 + (north + 2**23)) * sectors + sector % sectors
    return np.asarray(key, dtype=np.int64)
