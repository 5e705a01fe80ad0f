"""Strings segments together into legs for the map and the elevation strip.

A leg is a chain of segments that follow one another on the road without turning back. In: a
`Network`. Out: legs with each segment's distance from the leg's start.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from roadlog.road.network import Network, Segment
from roadlog.wording.units import told

MAX_GAP_M = 400.0
TURN_BACK_DEG = 120.0
_HEADING_OVER_M = 60.0
_COMPASS = (
    "north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west",
)  # fmt: skip


@dataclass(frozen=True)
class Leg:
    """Segments in driving order and where each begins [km from the leg's start]."""

    number: int
    segments: tuple[Segment, ...]
    starts_km: tuple[float, ...]
    length_km: float
    towards: str

    @property
    def name(self) -> str:
        """What the map calls it."""
        return f"Leg {self.number}, towards the {self.towards}, {road_length(self.length_km)}"


def road_length(km: float) -> str:
    """A distance with as many digits as tell it, in the reader's unit."""
    return told(km, "km", 1 if km >= 1 or km == 0 else 2)


def find_legs(network: Network) -> tuple[Leg, ...]:
    """Chain the network's segments, which are in driving order."""
    chains: list[list[Segment]] = []
    for segment in network.segments:
        if chains and _follows(chains[-1][-1], segment):
            chains[-1].append(segment)
        else:
            chains.append([segment])
    return tuple(_leg(i + 1, chain) for i, chain in enumerate(chains))


def _follows(before: Segment, after: Segment) -> bool:
    if _gap_m(before, after) > MAX_GAP_M:
        return False
    turn = abs(_heading(after, at_end=False) - _heading(before, at_end=True)) % 360
    return min(turn, 360 - turn) < TURN_BACK_DEG


def _gap_m(before: Segment, after: Segment) -> float:
    return math.hypot(after.x_m[0] - before.x_m[-1], after.y_m[0] - before.y_m[-1])


def _heading(segment: Segment, *, at_end: bool) -> float:
    """Degrees clockwise from north over the segment's first or last 60 m."""
    if at_end:
        i = int(np.searchsorted(segment.s_m, segment.s_m[-1] - _HEADING_OVER_M))
        a, b = min(i, segment.s_m.size - 2), -1
    else:
        a, b = 0, max(1, int(np.searchsorted(segment.s_m, _HEADING_OVER_M)))
        b = min(b, segment.s_m.size - 1)
    east = segment.x_m[b] - segment.x_m[a]
    north = segment.y_m[b] - segment.y_m[a]
    return math.degrees(math.atan2(east, north)) % 360


def _leg(number: int, chain: list[Segment]) -> Leg:
    gaps = [0.0, *(_gap_m(a, b) for a, b in pairwise(chain))]
    starts, at = [], 0.0
    for gap, segment in zip(gaps, chain, strict=True):
        starts.append((at + gap) / 1000)
        at += gap + segment.length_m
    east = chain[-1].x_m[-1] - chain[0].x_m[0]
    north = chain[-1].y_m[-1] - chain[0].y_m[0]
    towards = _COMPASS[round(math.degrees(math.atan2(east, north)) / 45) % 8]
    return Leg(number, tuple(chain), tuple(starts), at / 1000, towards)
