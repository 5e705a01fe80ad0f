"""Elevation strips: legs in, for each a row of shapes under its height along the distance out.

Each shape is one segment with the map's own id and colour, so that strip and map read together.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.report.legs import Leg
from roadlog.road.network import Segment
from roadlog.wording.units import amount, told

_MARK_STEPS_KM = (0.5, 1, 2, 5, 10, 20, 50, 100)
_FLOOR, _CEILING, _FLAT = 100.0, 6.0, 55.0
_LEAST_RANGE_M = 20.0
_POINTS = 24


@dataclass(frozen=True)
class Piece:
    """One segment's shape in a strip of 1000 by 100 units."""

    id: str
    d: str
    colour: str
    hint: str


@dataclass(frozen=True)
class Mark:
    """A distance mark: its text and its place [% of the strip]."""

    km: str
    left: float


@dataclass(frozen=True)
class Strip:
    """One leg's strip; `low` and `high` are the heights of its bottom and top, with their unit."""

    name: str
    pieces: tuple[Piece, ...]
    marks: tuple[Mark, ...]
    low: str
    high: str


def strips(legs: Sequence[Leg], looks: Mapping[str, tuple[str, str]]) -> list[Strip]:
    """One strip a leg, all with the same scale of height.

    Parameters
    ----------
    legs : sequence of Leg
    looks : mapping
        Segment id -> (colour, hint).
    """
    heights = np.concatenate([s.elevation_m for leg in legs for s in leg.segments])
    heights = heights[np.isfinite(heights)]
    low, high = (float(heights.min()), float(heights.max())) if heights.size else (0.0, 0.0)
    high = max(high, low + _LEAST_RANGE_M)
    return [
        Strip(
            leg.name,
            tuple(
                Piece(s.id, _outline(s, start, leg.length_km, low, high), *looks[s.id])
                for s, start in zip(leg.segments, leg.starts_km, strict=True)
            ),
            _marks(leg),
            told(low, "m"),
            told(high, "m"),
        )
        for leg in legs
    ]


def mark_step_km(length_km: float) -> float:
    """A round step that puts at most nine distance marks on a length [km, or any other unit]."""
    return next((s for s in _MARK_STEPS_KM if length_km / s <= 9), _MARK_STEPS_KM[-1])


def _outline(segment: Segment, start_km: float, leg_km: float, low: float, high: float) -> str:
    pick = np.unique(np.linspace(0, segment.s_m.size - 1, _POINTS).round().astype(int))
    x = 1000 * (start_km + segment.s_m[pick] / 1000) / leg_km
    height = segment.elevation_m[pick]
    span = 78 - _CEILING
    y = np.where(np.isfinite(height), _CEILING + span * (high - height) / (high - low), _FLAT)
    top = " L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True))
    return f"M{x[0]:.1f} {_FLOOR:g} L{top} L{x[-1]:.1f} {_FLOOR:g} Z"


def _marks(leg: Leg) -> tuple[Mark, ...]:
    length = amount(leg.length_km, "km")
    return tuple(
        Mark(f"{at:g}", round(100 * at / length, 2))
        for at in np.arange(0, length + 1e-9, mark_step_km(length))
    )
