"""The invented route of the demonstration: 17 km over open grassland, no real road.

Nothing goes in; out comes a `Road` sampled every 5 m with position, height, grade, curvature,
speed limit, traffic lights and stop lines, for the way out or the way back. It feeds the
generator behind `roadlog demo` and implements no part of the method.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from pyproj import Transformer

from roadlog.quantities.arrays import Floats

STEP_M = 5.0
LENGTH_M = 17_000.0
ORIGIN_LAT, ORIGIN_LON = 47.60, 20.95  # open grassland; the road drawn on it is invented
HEADING_DEG = 62.0
LANE_OFFSET_M = 1.75  # traffic keeps right

# All three tables: distance along the way out [m].
_BENDS = (  # centre [m], length [m], turn [degrees, right positive]
    (640, 30, 80), (1_280, 120, -55), (2_350, 900, 44), (3_410, 45, -38), (4_600, 1_300, -46),
    (5_750, 500, 62), (6_500, 520, -74), (7_350, 700, 66), (8_250, 800, -34), (9_150, 70, 44),
    (10_350, 900, -58), (11_250, 560, 64), (12_150, 800, -42), (13_300, 1_100, 30),
    (14_350, 25, 84), (15_150, 900, -44), (16_300, 40, -66),
)  # fmt: skip
_RISES = (  # centre [m], length [m], rise [m]
    (2_250, 1_500, 18), (6_600, 4_000, 102), (11_050, 2_500, -64), (14_900, 1_400, -10),
)  # fmt: skip
_LIMITS = (  # from [m], limit [km/h]
    (0, 50), (1_300, 80), (3_360, 30), (3_460, 90), (8_900, 50), (9_700, 90), (14_250, 70),
    (15_900, 50),
)  # fmt: skip
_LIGHTS_M: tuple[float, ...] = (430.0, 1_150.0, 9_320.0, 16_050.0)
_STOP_LINES_M: tuple[float, ...] = (14_335.0,)
_VALLEY_FLOOR_M = 92.0


@dataclass(frozen=True)
class Road:
    """One direction of the route, sampled at `s_m` (shape n, every 5 m).

    Angles are in degrees, `curvature_1_m` is unsigned, `heading_deg` is clockwise from north.
    """

    direction: str
    s_m: Floats
    lat_deg: Floats
    lon_deg: Floats
    elevation_m: Floats
    grade: Floats
    heading_deg: Floats
    curvature_1_m: Floats
    limit_kmh: Floats
    lights_m: tuple[float, ...]
    stop_lines_m: tuple[float, ...]


def _smooth_step(s: Floats, centre: float, length: float) -> Floats:
    u = np.clip((s - centre) / length + 0.5, 0, 1)
    return np.asarray(u * u * (3 - 2 * u))


@cache
def invented_road(direction: str) -> Road:
    """The invented route, `out` (town to works gate) or `back`.

    >>> road = invented_road("out")
    >>> float(road.s_m[-1]), round(float(road.elevation_m.max() - road.elevation_m[0]))
    (17000.0, 121)
    """
    assert direction in ("out", "back"), direction
    s = np.arange(0, LENGTH_M + STEP_M / 2, STEP_M)
    heading = np.full(s.size, HEADING_DEG)
    for centre, length, turn in _BENDS:
        heading += turn * _smooth_step(s, centre, length)
    height = np.full(s.size, _VALLEY_FLOOR_M)
    for centre, length, rise in _RISES:
        height += rise * _smooth_step(s, centre, length)
    height += 1.2 * np.sin(2 * np.pi * s / 830) * np.sin(np.pi * s / LENGTH_M)
    limit = np.array([v for _, v in _LIMITS], dtype=float)[
        np.searchsorted([at for at, _ in _LIMITS], s, side="right") - 1
    ]
    angle = np.radians(heading)
    side = LANE_OFFSET_M if direction == "out" else -LANE_OFFSET_M
    east = _run_sum(np.sin(angle)) + side * np.cos(angle)
    north = _run_sum(np.cos(angle)) - side * np.sin(angle)
    local = f"+proj=aeqd +lat_0={ORIGIN_LAT} +lon_0={ORIGIN_LON} +ellps=WGS84"
    lon, lat = Transformer.from_crs(local, "EPSG:4326", always_xy=True).transform(east, north)
    curvature = np.abs(np.gradient(angle, s))
    grade = np.gradient(height, s)
    lights, stops = _LIGHTS_M, _STOP_LINES_M
    if direction == "back":
        lat, lon, height, limit, curvature = (a[::-1] for a in (lat, lon, height, limit, curvature))
        grade, heading = -grade[::-1], heading[::-1] + 180
        lights = tuple(LENGTH_M - at for at in reversed(lights))
        stops = tuple(LENGTH_M - at - 30 for at in reversed(stops))
    return Road(
        direction, s, np.asarray(lat), np.asarray(lon), height, grade, heading % 360, curvature,
        limit, lights, stops,
    )  # fmt: skip


def _run_sum(direction_cosine: Floats) -> Floats:
    """Distance [m] along one axis, the integral of its direction cosine over the road."""
    steps = (direction_cosine[1:] + direction_cosine[:-1]) / 2 * STEP_M
    return np.concatenate([[0.0], np.cumsum(steps)])
