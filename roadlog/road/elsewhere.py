"""Logs whose positions lie on another part of the earth by a lost sign, or by an exchange.

Samples of all runs go in; out come the runs that would drive beside the others if the sign of
their latitude or longitude were turned, or the two exchanged. Part of method section 3.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from roadlog.quantities.arrays import Floats
from roadlog.quantities.columns import Table
from roadlog.road.projection import positions

BESIDE_KM = 50.0  # one study's drives lie no farther apart than this, to count as one area
KM_PER_DEGREE = 111.2
TURNED: dict[str, Callable[[Floats], Floats]] = {
    "the sign of the longitude is lost": lambda p: p * [1, -1],
    "the sign of the latitude is lost": lambda p: p * [-1, 1],
    "both signs are lost": lambda p: -p,
    "latitude and longitude are exchanged": lambda p: p[::-1],
}


@dataclass(frozen=True)
class Elsewhere:
    """A run that lies `apart_km` from `other`, and what would bring it there."""

    run: int
    other: int
    apart_km: float
    why: str


def elsewhere(tracks: Mapping[int, Table]) -> Elsewhere | None:
    """The first run that is far from another and beside it once turned; None if there is none.

    Parameters
    ----------
    tracks : mapping of run to DataFrame or Columns
        Samples, with `lat_deg`, `lon_deg` [°] where the run has positions.
    """
    places = {r: _middle(t) for r, t in tracks.items()}
    areas: list[tuple[int, Floats]] = []
    for run, place in places.items():
        if place is None or any(_apart_km(place, p) < BESIDE_KM for _, p in areas):
            continue
        for other, known in areas:
            for why, turn in TURNED.items():
                if _apart_km(turn(place), known) < BESIDE_KM:
                    return Elsewhere(run, other, _apart_km(place, known), why)
        areas.append((run, place))
    return None


def _middle(track: Table) -> Floats | None:
    lat, lon, fix = positions(track)
    return np.array([np.median(lat[fix]), np.median(lon[fix])]) if fix.any() else None


def _apart_km(a: Floats, b: Floats) -> float:
    north, east = b - a
    east = (east + 180) % 360 - 180
    return KM_PER_DEGREE * float(np.hypot(north, east * np.cos(np.radians((a[0] + b[0]) / 2))))
