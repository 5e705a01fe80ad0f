"""A fleet's road on a map that stays usable: all vehicles' segments in, shaded cells out.

Segments are laid into squares that grow until there are few enough of them, and places far apart
are drawn apart. A cell tells how many passes it has by arm, and what they burned.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from markupsafe import Markup, escape

from roadlog.quantities.arms import ARMS
from roadlog.wording.numbers import number, signed

MOST_CELLS = 2500  # in all: some 0.4 MB
MOST_PLACES = 8
CELL_STEPS_M = (100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000, 100_000)
APART_CELLS = 12  # empty cells between two places that are drawn apart
M_PER_DEG = 111_195.0
WIDTH = 1000.0
SHADES = 5
SCALE_STEPS_M = tuple(k * 10**n for n in range(2, 7) for k in (1, 2, 5))
_FOOT = 44.0  # of a drawing, for the bar

Cell = tuple[int, int]


@dataclass
class Sums:
    """What was driven in one cell."""

    passes: Counter[str] = field(default_factory=Counter)
    fuel_ml: Counter[str] = field(default_factory=Counter)
    km: Counter[str] = field(default_factory=Counter)
    vehicles: set[str] = field(default_factory=set)

    @property
    def words(self) -> str:
        """The cell in one sentence."""
        n = sum(self.passes.values())
        said = f"{n} passes of {len(self.vehicles)} vehicle{'s' * (len(self.vehicles) != 1)}"
        use = [0.1 * self.fuel_ml[a] / self.km[a] if self.km[a] > 0 else math.nan for a in ARMS]
        parts = [f"{a} {self.passes[a]}" for a in ARMS]
        if all(math.isfinite(u) for u in use):
            parts = [
                f"{a} {self.passes[a]} at {number(u, 1)} L/100 km"
                for a, u in zip(ARMS, use, strict=True)
            ]
            return (
                f"{said}: {'; '.join(parts)} ({signed(100 * (use[1] / use[0] - 1))} %, unadjusted)"
            )
        return f"{said}: {'; '.join(parts)}"


@dataclass(frozen=True)
class Place:
    """One place of the fleet: its drawing, and where it is."""

    name: str
    drawing: Markup
    passes: int
    bar: str


@dataclass(frozen=True)
class FleetMap:
    """The drawings by size, the side of a cell, what its shades mean, and how many aren't drawn."""

    cell_m: int
    places: tuple[Place, ...]
    left: int
    classes: tuple[tuple[int, str], ...]


def fleet_map(records: Iterable[tuple[str, Iterable[Mapping[str, Any]]]]) -> FleetMap | None:
    """The map of a fleet; None without any position.

    Parameters
    ----------
    records : iterable of (vehicle, segments)
        Segments as `roadlog.fleet.one_vehicle.Record` has them.
    """
    held = list(records)  # packed: unpacked anew for each size of cells
    starts = [s["lat"][0] for _, segments in held for s in segments]
    if not starts:
        return None
    middle = float(np.median(starts))
    for cell_m in CELL_STEPS_M:
        every = ((vehicle, s) for vehicle, segments in held for s in segments)
        cells = _cells(every, cell_m, middle)
        if len(cells) <= MOST_CELLS:
            break
    groups = _apart(set(cells))
    sized = sorted(groups, key=lambda g: (-sum(sum(cells[c].passes.values()) for c in g), min(g)))
    most = max(sum(s.passes.values()) for s in cells.values())
    places = [_place(g, cells, cell_m, middle, most) for g in sized[:MOST_PLACES]]
    return FleetMap(cell_m, tuple(places), max(0, len(sized) - MOST_PLACES), _classes(cells, most))


def _cells(
    every: Iterable[tuple[str, Mapping[str, Any]]], cell_m: int, middle: float
) -> dict[Cell, Sums]:
    """Sums by cell; a segment's fuel and distance are shared out along its line."""
    east = cell_m / (M_PER_DEG * math.cos(math.radians(middle)))
    north = cell_m / M_PER_DEG
    cells: dict[Cell, Sums] = defaultdict(Sums)
    for vehicle, s in every:
        lat, lon = _along(np.array(s["lat"]), np.array(s["lon"]), north)
        at = Counter(
            zip(
                np.floor(lon / east).astype(int).tolist(),
                np.floor(lat / north).astype(int).tolist(),
                strict=True,
            )
        )
        whole = sum(at.values())
        for cell, n in at.items():
            own = cells[cell]
            own.vehicles.add(vehicle)
            for arm in ARMS:
                own.passes[arm] += s["passes"][arm]
                own.fuel_ml[arm] += s["fuel_ml"][arm] * n / whole
                own.km[arm] += s["km"][arm] * n / whole
    return cells


def _along(lat: np.ndarray, lon: np.ndarray, step: float) -> tuple[np.ndarray, np.ndarray]:
    """Points of a line no farther apart than half a cell."""
    if len(lat) < 2:
        return lat, lon
    way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(lat), np.diff(lon)))])
    at = np.linspace(0, way[-1], max(2, min(200, math.ceil(2 * way[-1] / step) + 1)))
    return np.interp(at, way, lat), np.interp(at, way, lon)


def _apart(cells: set[Cell]) -> list[list[Cell]]:
    """Cells in groups that lie far from each other."""
    coarse: dict[Cell, list[Cell]] = defaultdict(list)
    for i, j in sorted(cells):
        coarse[i // APART_CELLS, j // APART_CELLS].append((i, j))
    left, groups = set(coarse), []
    while left:
        todo, group = [min(left)], list[Cell]()
        left.discard(todo[0])
        while todo:
            a, b = todo.pop()
            group += coarse[a, b]
            near = {(a + x, b + y) for x in (-1, 0, 1) for y in (-1, 0, 1)} & left
            left -= near
            todo += sorted(near)
        groups.append(group)
    return groups


def _shade(passes: int, most: int) -> int:
    return min(SHADES, 1 + int(SHADES * math.log1p(passes) / math.log1p(max(most, 2))))


def _classes(cells: Mapping[Cell, Sums], most: int) -> tuple[tuple[int, str], ...]:
    """Each shade that is drawn, with the fewest and the most passes that any square of it has."""
    held: dict[int, list[int]] = defaultdict(list)
    for cell in cells.values():
        n = sum(cell.passes.values())
        held[_shade(n, most)].append(n)
    return tuple(
        (shade, f"{min(n):,}" if min(n) == max(n) else f"{min(n):,} to {max(n):,}")
        for shade, n in sorted(held.items())
    )


def _place(
    group: list[Cell], cells: Mapping[Cell, Sums], cell_m: int, middle: float, most: int
) -> Place:
    west, south = min(i for i, _ in group), min(j for _, j in group)
    wide, high = max(i for i, _ in group) - west + 1, max(j for _, j in group) - south + 1
    lat = (south + high / 2) * cell_m / M_PER_DEG
    lon = (west + wide / 2) * cell_m / (M_PER_DEG * math.cos(math.radians(middle)))
    # squares are cut by the middle latitude of all: elsewhere they are wider or narrower
    across = math.cos(math.radians(lat)) / math.cos(math.radians(middle))
    side = min(WIDTH / max(wide * across, 8), 40.0)
    boxes = []
    for i, j in sorted(group):
        shade = _shade(sum(cells[i, j].passes.values()), most)
        x, y = (i - west) * side * across, (high - 1 - (j - south)) * side
        boxes.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{side * across:.1f}" height="{side:.1f}" '
            f'class="use{shade}"><title>{escape(cells[i, j].words)}</title></rect>'
        )
    breadth = max(wide * side * across, 8 * side)
    bar_m = max(m for m in SCALE_STEPS_M if m <= max(breadth / side * cell_m / 3, SCALE_STEPS_M[0]))
    name = f"about {lat:.2f}, {lon:.2f}"
    passes = max(sum(cells[c].passes.values()) for c in group)
    foot = high * side + _FOOT
    drawing = Markup(
        f'<svg class="fleet-map" viewBox="0 0 {breadth:.0f} {foot:.0f}" '
        f'style="max-height:{min(70, 12 + 0.06 * foot):.0f}vh" role="img" '
        f'aria-label="Map, north up: {escape(name)}; up to {passes} passes in a square; the bar '
        f'below is {in_length(bar_m)} long">{"".join(boxes)}'
        f"{_scale_bar(breadth, foot, bar_m / cell_m * side)}</svg>"
    )
    return Place(name, drawing, passes, in_length(bar_m))


def _scale_bar(breadth: float, foot: float, long: float) -> str:
    """A bar at the left and an arrow to the north at the right, below the squares."""
    y, x = foot - 0.35 * _FOOT, breadth - 0.3 * _FOOT
    up = foot - 0.8 * _FOOT
    return (
        f'<path class="scale" d="M1 {y - 8:.1f}V{y:.1f}H{1 + long:.1f}V{y - 8:.1f}"/>'
        f'<path class="scale" d="M{x:.1f} {y + 4:.1f}V{up:.1f}M{x - 7:.1f} {up + 9:.1f}'
        f'L{x:.1f} {up:.1f}L{x + 7:.1f} {up + 9:.1f}"/>'
    )


def in_length(metres: int) -> str:
    """A round length as the reader's study has it.

    >>> in_length(500), in_length(20_000)
    ('500 m', '20 km')
    """
    return f"{metres} m" if metres < 1000 else f"{metres // 1000} km"
