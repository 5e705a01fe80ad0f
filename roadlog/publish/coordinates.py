"""Places in a text, in whatever form coordinates are written there.

A text and the places to look for go in; those that the text tells come out: decimal degrees, side
by side or as two lists, degrees with minutes and seconds, whole numbers of a fraction of a degree,
metres of UTM or of the web's Mercator, and encoded polylines.
"""

import csv
import io
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from roadlog.publish.private import METRES_PER_DEGREE
from roadlog.quantities.arrays import Floats
from roadlog.quantities.signals import POSITION, SIGNALS
from roadlog.quantities.tables import PASSES

_SIDE_BY_SIDE = 200  # characters between a latitude and its longitude
_DECIMAL = re.compile(r"(?<![\d.])-?\d{1,3}\.\d{3,}")
_WHOLE = re.compile(r"(?<![\d.])-?\d{6,10}(?![\d.])")
_METRES = re.compile(r"(?<![\d.])-?\d{5,8}(?:\.\d+)?(?!\d)")
_SEXAGESIMAL = re.compile(
    r"(\d{1,3})\s*(?:°|º|&deg;|deg|d)\s*(\d{1,2}(?:\.\d+)?)\s*(?:['′’m])?"
    r"\s*(?:(\d{1,2}(?:\.\d+)?)\s*(?:\"|″|''|s)?)?\s*([NSEWO])?"
)
_SENTENCE = re.compile(r"(\d{1,3})(\d{2}\.\d{2,}),([NSEW])")
_LIST = re.compile(r"\[[-\d.,eE+\s]{12,}\]")
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
_POLYLINE = re.compile(r"[\"'`>]([?-~]{12,})[\"'`<]")
_SCALES = (1e5, 1e6, 1e7)
_MERCATOR_M = 6378137.0  # semi-major axis of WGS 84, as EPSG:3857 takes it
_SAME_M = 30.0
_DRIVE_DEG = 3.0  # farther from a place goes no day's drive
# Columns of our own that are no positions, though volts and degrees may look like longitudes.
_OF_OTHER_KIND = frozenset({*SIGNALS, *PASSES.columns} - {*POSITION})


@dataclass(frozen=True)
class _Numbers:
    """Numbers of a text and where they stand in it."""

    value: Floats
    where: np.ndarray

    @classmethod
    def of(cls, found: Sequence[tuple[float, int]]) -> "_Numbers":
        ordered = sorted(found, key=lambda x: x[1])
        return cls(np.array([v for v, _ in ordered], float), np.array([a for _, a in ordered], int))


def places_told(
    text: str, places: Sequence[tuple[float, float]], near_m: float
) -> Iterator[tuple[float, float, str]]:
    """Latitude and longitude [°] of each place that the text tells, and in which form.

    Parameters
    ----------
    text : str
    places : sequence of (latitude, longitude) [°]
    near_m : float
        What counts as telling a place [m].
    """
    wanted = _distinct(tuple(places))
    if not wanted:
        return
    degrees = [(float(m[0]), m.start()) for m in _DECIMAL.finditer(text)]
    degrees += [(v, a) for v, a in _sexagesimal(text)]
    numbers = _Numbers.of(degrees)
    whole = [(float(m[0]), m.start()) for m in _WHOLE.finditer(text)]
    scaled = [_Numbers.of([(v / s, a) for v, a in whole]) for s in _SCALES]
    metres = _Numbers.of([(float(m[0]), m.start()) for m in _METRES.finditer(text)])
    lists = _lists(text)
    lines = list(_polylines(text))
    for lat, lon in wanted:
        dlat = near_m / METRES_PER_DEGREE
        dlon = dlat / max(math.cos(math.radians(lat)), 0.01)
        if _beside(numbers, (lat, dlat), (lon, dlon)):
            yield lat, lon, "in degrees"
        elif any(_beside(n, (lat, dlat), (lon, dlon)) for n in scaled):
            yield lat, lon, "in whole fractions of a degree"
        elif _in_lists(lists, (lat, dlat), (lon, dlon)):
            yield lat, lon, "in two lists"
        elif any(_passes(p, (lat, dlat), (lon, dlon)) for p in lines):
            yield lat, lon, "in an encoded line"
        elif any(_beside(metres, *pair) for pair in _projected(lat, lon, near_m)):
            yield lat, lon, "in metres of a map"


def places_in_columns(
    text: str, places: Sequence[tuple[float, float]], near_m: float
) -> Iterator[tuple[float, float, str]]:
    """As `places_told`, for a table: its columns are told apart, so that no reading of another kind
    beside a latitude counts as a longitude."""
    try:
        table = pd.read_csv(io.StringIO(text), sep=None, engine="python", dtype=str)
    except (ValueError, csv.Error):
        yield from places_told(text, places, near_m)
        return
    columns = [
        pd.to_numeric(table[c], errors="coerce").to_numpy(float)
        for c in table
        if str(c) not in _OF_OTHER_KIND
    ]
    for lat, lon in _distinct(tuple(places)):
        dlat = near_m / METRES_PER_DEGREE
        dlon = dlat / max(math.cos(math.radians(lat)), 0.01)
        for scale in (1.0, *_SCALES):
            lats = [c / scale for c in columns if _about(c / scale, lat)]
            lons = [c / scale for c in columns if _about(c / scale, lon)]
            apart = (np.hypot((a - lat) / dlat, (b - lon) / dlon) for a in lats for b in lons)
            if any((d <= 1).any() for d in apart):
                yield lat, lon, "in its columns"
                break


def _about(column: Floats, degrees: float) -> bool:
    """Whether numbers can be the latitudes or longitudes of drives about a place: near enough, and
    finer than hundredths, as volts and temperatures aren't."""
    known = column[np.isfinite(column)]
    if not len(known) or (np.abs(known - degrees) < _DRIVE_DEG).mean() <= 0.9:
        return False
    return bool((np.abs(100 * known - np.round(100 * known)) > 1e-6).mean() > 0.5)


@lru_cache(maxsize=4)
def _distinct(places: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    """Places that lie apart: many runs end at one."""
    out: list[tuple[float, float]] = []
    for lat, lon in places:
        scale = math.cos(math.radians(lat))
        near = (
            math.hypot(lat - a, (lon - b) * scale) * METRES_PER_DEGREE < _SAME_M for a, b in out
        )
        if not any(near):
            out.append((lat, lon))
    return tuple(out)


def _beside(n: _Numbers, one: tuple[float, float], other: tuple[float, float]) -> bool:
    """Whether a number near the one stands beside a number near the other, within the ellipse."""
    a = np.flatnonzero(np.abs(n.value - one[0]) <= one[1])
    b = np.flatnonzero(np.abs(n.value - other[0]) <= other[1])
    if not len(a) or not len(b):
        return False
    first = np.searchsorted(n.where[b], n.where[a] - _SIDE_BY_SIDE)
    last = np.searchsorted(n.where[b], n.where[a] + _SIDE_BY_SIDE, "right")
    for i, low, high in zip(a, first, last, strict=True):
        mine = b[low:high]
        mine = mine[mine != i]
        if not len(mine):
            continue
        nearest = mine[np.argsort(np.abs(n.where[mine] - n.where[i]))[:2]]
        apart = np.hypot((n.value[i] - one[0]) / one[1], (n.value[nearest] - other[0]) / other[1])
        if (apart <= 1).any():
            return True
    return False


def _sexagesimal(text: str) -> Iterator[tuple[float, int]]:
    for m in _SEXAGESIMAL.finditer(text):
        value = float(m[1]) + float(m[2]) / 60 + float(m[3] or 0) / 3600
        yield (-value if (m[4] or "") in ("S", "W") else value), m.start()
    for m in _SENTENCE.finditer(text):
        value = float(m[1]) + float(m[2]) / 60
        yield (-value if m[3] in "SW" else value), m.start()


def _lists(text: str) -> dict[int, list[Floats]]:
    """Lists of numbers in brackets, by their length."""
    out: dict[int, list[Floats]] = {}
    for m in _LIST.finditer(text):
        numbers = np.array([float(x) for x in _NUMBER.findall(m[0])])
        if len(numbers) > 1:
            out.setdefault(len(numbers), []).append(numbers)
    return out


def _in_lists(
    lists: dict[int, list[Floats]], one: tuple[float, float], other: tuple[float, float]
) -> bool:
    for alike in lists.values():
        lats = [x for x in alike if _about(x, one[0])]
        lons = [x for x in alike if _about(x, other[0])]
        for a in lats:
            for b in lons:
                if (np.hypot((a - one[0]) / one[1], (b - other[0]) / other[1]) <= 1).any():
                    return True
    return False


def _polylines(text: str) -> Iterator[np.ndarray]:
    """Points of each text that can be an encoded polyline, at 5 and at 6 decimals."""
    for m in _POLYLINE.finditer(text):
        steps, value, shift = [], 0, 0
        for letter in m[1].replace("\\\\", "\\"):
            code = ord(letter) - 63
            value |= (code & 31) << shift
            shift += 5
            if code < 32:
                steps.append(~(value >> 1) if value & 1 else value >> 1)
                value, shift = 0, 0
            if shift > 35:
                break
        if len(steps) >= 4 and shift == 0:
            line = np.cumsum(np.array(steps[: len(steps) // 2 * 2], float).reshape(-1, 2), axis=0)
            yield from (line / 1e5, line / 1e6)


def _passes(line: np.ndarray, one: tuple[float, float], other: tuple[float, float]) -> bool:
    for lat, lon in ((line[:, 0], line[:, 1]), (line[:, 1], line[:, 0])):
        if (np.hypot((lat - one[0]) / one[1], (lon - other[0]) / other[1]) <= 1).any():
            return True
    return False


@lru_cache(maxsize=256)
def _projected(
    lat: float, lon: float, near_m: float
) -> tuple[tuple[tuple[float, float], tuple[float, float]], ...]:
    """The place in metres of UTM and of the web's Mercator, each with how near counts.

    References
    ----------
    EPSG:3857 and EPSG:32601 to 32760, by `pyproj`.
    """
    from pyproj import Proj

    zone = min(int((lon + 180) // 6) + 1, 60)
    east, north = Proj(proj="utm", zone=zone, ellps="WGS84", south=lat < 0)(lon, lat)
    stretch = near_m / max(math.cos(math.radians(lat)), 0.01)
    x = _MERCATOR_M * math.radians(lon)
    y = _MERCATOR_M * math.asinh(math.tan(math.radians(max(min(lat, 89.0), -89.0))))
    return (
        ((float(east), near_m), (float(north), near_m)),
        ((x, stretch), (y, stretch)),
    )
