"""Cells of the plane and of heading, and which runs drive through them.

All runs' points go in; for every point it comes out how many runs of the rarer arm pass near it in
its direction. It proposes where roads may be shared; alignment decides. Part of method section 3.
"""

import numpy as np
from scipy.sparse import csr_matrix

from roadlog.quantities.arrays import Bools, Floats, Ints
from roadlog.road.alignment import Points

CELL_M = 40.0
SECTORS = 8


class Cells:
    """Cells of place and heading, each point filed under its home and its near neighbours.

    Cells overlap: a point is filed under two in each of three directions, one of which is its home.
    Points that share these are numbered by `kind`, so that cells are looked up for each kind once.
    `pair` lists every run in every cell: those of one cell from `first_pair` on, with its points in
    `filed_point` from `first_point` on.
    """

    def __init__(self, points: Points) -> None:
        sector = np.arctan2(points.hy, points.hx) / (2 * np.pi / SECTORS)
        where = points.x_m / CELL_M, points.y_m / CELL_M
        low = [*(np.floor(c - 0.5) for c in where), np.floor(sector)]
        own = [*(np.floor(c) for c in where), np.round(sector)]
        both = [a + b for a, b in zip(low, own, strict=True)]
        _, chosen, self.kind = np.unique(
            cell_key(both, 2 * SECTORS), return_index=True, return_inverse=True
        )
        shifts = [(i, j, k) for i in (0, 1) for j in (0, 1) for k in (0, 1)]
        near = [cell_key([c[chosen] + d for c, d in zip(low, by, strict=True)]) for by in shifts]
        home = cell_key([c[chosen] for c in own])
        names, index = np.unique(np.concatenate([*near, home]), return_inverse=True)
        self.count = len(names)
        self.filed, self.home = index[: -len(home)].reshape(8, -1), index[-len(home) :]
        self._by_cell(points.owner)

    def _by_cell(self, owner: Ints) -> None:
        """List every cell's points and runs, in order."""
        cell = np.ascontiguousarray(self.filed.T)[self.kind].ravel()
        start = np.arange(0, len(cell) + 1, len(self.filed))
        shape = len(owner), self.count
        filed = csr_matrix((np.ones(len(cell), np.int8), cell, start), shape).tocsc()
        self.filed_point = filed.indices
        run = owner[self.filed_point]
        new = np.append(True, run[1:] != run[:-1])[: len(run)]
        new[filed.indptr[:-1]] = True
        self.first_point = np.flatnonzero(new)
        self.run_of_pair = run[self.first_point]
        self.first_pair = np.searchsorted(self.first_point, filed.indptr)

    def support(self, free: Bools, fitted: Bools) -> Ints:
        """For every point, how many runs of the rarer arm have a free point near its cell."""
        if not len(self.kind):
            return np.empty(0, dtype=np.int64)
        there = np.logical_or.reduceat(free[self.filed_point], self.first_point)
        arm = fitted[self.run_of_pair]
        with_, without = (
            np.diff(np.append(0, np.cumsum(there & mine))[self.first_pair]) for mine in (arm, ~arm)
        )
        return np.asarray(np.minimum(with_, without)[self.home[self.kind]], dtype=np.int64)


def cell_key(where: list[Floats], sectors: int = SECTORS) -> Ints:
    """One number for steps east, north and of heading."""
    east, north, sector = where
    key = ((east + 2**23) * 2**24 + (north + 2**23)) * sectors + sector % sectors
    return np.asarray(key, dtype=np.int64)
