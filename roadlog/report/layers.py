"""What the map draws, as plain data: legs, segments and runs in, lists for the page's script out.

Positions are whole numbers, each the step from the one before, so that a page of many runs stays
small. Nothing here is markup: the script puts texts into the page as text.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from roadlog.analysis.result import Analysed
from roadlog.quantities.arms import ARMS
from roadlog.quantities.arrays import Floats
from roadlog.report.legs import Leg
from roadlog.report.strips import mark_step_km
from roadlog.report.thinning import thinned
from roadlog.road.network import Network, RunLines, Segment
from roadlog.road.projection import to_geographic, to_local
from roadlog.wording.units import amount, choice, symbol

WIDTH_PX = (4.0, 9.0)
RUN_TOLERANCE_M = 5.0
SEGMENT_TOLERANCE_M = 1.0
SEGMENT_UNITS = 1_000_000  # a degree: 0.1 m
RUN_UNITS = 100_000  # a degree: 1 m
_DIRECTION_OVER_M = 150.0


@dataclass(frozen=True)
class Drawn:
    """One segment as map, strip and printed sketch show it."""

    segment: Segment
    leg: int
    at_km: float
    colour: str
    passes: int
    hint: str
    title: str
    change: str
    facts: tuple[tuple[str, str], ...]
    use: tuple[str, ...]


@dataclass(frozen=True)
class Label:
    """A text beside the road: its place, and its centre from there [px right, px down]."""

    leg: int
    km: float
    text: str
    is_end: bool
    lat_deg: float
    lon_deg: float
    right_px: float
    down_px: float


def width_px(passes: int, most: int) -> float:
    """Width of a line [px] for its number of passes."""
    return WIDTH_PX[0] + (WIDTH_PX[1] - WIDTH_PX[0]) * passes / max(most, 1)


def map_data(analysed: Analysed, legs: Sequence[Leg], drawn: Mapping[str, Drawn]) -> dict[str, Any]:
    """Everything that the map's script needs.

    Returns
    -------
    dict
        `box` (south-west and north-east corner [°]), `units` of positions a degree, `shown` (what
        the reader's units are and how many of them a metric one is), `arms`, `legs`
        with their labels, `segments` with a row a used pass (place in `runs`, tenths of a second,
        hundredths of L/100 km), and `runs` with their lines.
    """
    most = max((d.passes for d in drawn.values()), default=0)
    order = {name: i for i, name in enumerate(drawn)}
    number = {int(run): i for i, run in enumerate(analysed.runs["run"])}
    rows = _pass_rows(analysed, number)
    origin = analysed.network.origin or (0.0, 0.0)
    return {
        "units": {"segments": SEGMENT_UNITS, "runs": RUN_UNITS},
        "shown": _shown_in(),
        "box": _box(legs, origin[1]),
        "arms": [analysed.study.label(arm) for arm in ARMS],
        "legs": [
            {
                "name": leg.name,
                "km": round(leg.length_km, 3),
                "segments": [order[s.id] for s in leg.segments],
                "labels": [
                    [round(m.lat_deg, 6), round(_east_of(m.lon_deg, origin[1]), 6), m.text,
                     int(m.is_end), round(m.right_px), round(m.down_px)]
                    for m in labels(leg)
                ],
            }
            for leg in legs
        ],
        "segments": [
            {
                "id": d.segment.id,
                "leg": d.leg,
                "at": round(d.at_km, 3),
                "km": round(d.segment.length_m / 1000, 4),
                "colour": d.colour,
                "px": round(width_px(d.passes, most), 1),
                "line": _steps(*_segment_places(d.segment, origin[1]), SEGMENT_UNITS),
                "title": d.title,
                "change": d.change,
                "facts": [list(f) for f in d.facts],
                "use": list(d.use),
                "hint": d.hint,
                "passes": rows.get(d.segment.id, []),
            }
            for d in drawn.values()
        ],
        "runs": [_run(record, analysed) for record in analysed.runs.to_dict("records")],
    }  # fmt: skip


def _shown_in() -> dict[str, Any]:
    return {
        **{k: [round(amount(1.0, k), 9), symbol(k)] for k in ("km", "m")},
        "l": [round(amount(1.0, "L"), 9), symbol("L")],
        "speed": symbol("km/h"),
        "use": symbol("L/100 km"),
        "inverse": None if choice().use == "L/100 km" else round(amount(1.0, "L/100 km"), 6),
    }


def runs_without_line(analysed: Analysed) -> int:
    """How many runs have no line on the map."""
    network = analysed.network
    if network.origin is None:
        return len(analysed.runs)
    return sum(not _has_line(*_track(network, int(r))) for r in analysed.runs["run"])


def _track(network: Network, run: int) -> tuple[Floats, Floats]:
    """A run's eastings and northings [m], none where it has no track."""
    lines, origin = network.lines, network.origin
    if origin is None or run not in lines:
        return np.empty(0), np.empty(0)
    return lines.metres(run) if isinstance(lines, RunLines) else to_local(*lines[run], origin)


def _has_line(x: Floats, y: Floats) -> bool:
    """Whether two positions follow each other."""
    known = np.isfinite(x) & np.isfinite(y)
    return bool((known[:-1] & known[1:]).any())


def labels(leg: Leg) -> list[Label]:
    """A leg's ends and its distance marks, ends first."""
    found = [_label(leg, 0.0, f"leg {leg.number} start", (40, 20), -16.0)]
    found.append(_label(leg, leg.length_km, f"leg {leg.number} end", (40, 20), 16.0))
    shown_km = amount(1.0, "km")
    step = mark_step_km(leg.length_km * shown_km)
    for mark in np.arange(step, leg.length_km * shown_km - step / 3, step):
        text = f"{mark:g} {symbol('km')}"
        found.append(_label(leg, float(mark) / shown_km, text, (26, 17), None))
    return [m for m in found if np.isfinite([m.lat_deg, m.lon_deg, m.right_px, m.down_px]).all()]


def _label(
    leg: Leg, km: float, text: str, aside_px: tuple[float, float], ahead_px: float | None
) -> Label:
    """A label to the right of the direction of travel; an end's lies outward as well."""
    (lat, lon), (east, north) = _at(leg, km)
    outward = 0.0 if ahead_px is None else ahead_px
    right = aside_px[0] * north + outward * east
    down = aside_px[1] * east - outward * north
    return Label(leg.number - 1, km, text, ahead_px is not None, lat, lon, right, down)


def _at(leg: Leg, km: float) -> tuple[tuple[float, float], tuple[float, float]]:
    """Place (lat, lon) at a distance along a leg, and the unit vector (east, north) of travel."""
    i = max(0, int(np.searchsorted(leg.starts_km, km, side="right")) - 1)
    segment, s = leg.segments[i], (km - leg.starts_km[i]) * 1000
    lat, lon = (float(np.interp(s, segment.s_m, v)) for v in (segment.lat_deg, segment.lon_deg))
    ends = np.clip([s - _DIRECTION_OVER_M, s + _DIRECTION_OVER_M], 0, segment.s_m[-1])
    east, north = (float(np.diff(np.interp(ends, segment.s_m, v))[0]) for v in
                   (segment.x_m, segment.y_m))  # fmt: skip
    length = float(np.hypot(east, north))
    return (lat, lon), (east / length, north / length) if length > 0 else (np.nan, np.nan)


def _pass_rows(analysed: Analysed, number: Mapping[int, int]) -> dict[str, list[list[int]]]:
    used = analysed.passes[analysed.passes["used"].astype(bool)]
    values = used[["duration_s", "ml_per_km"]].to_numpy(dtype=np.float64)
    known = used[np.isfinite(values).all(axis=1)]
    frame = pd.DataFrame(
        {
            "segment": known["segment"].astype(str),
            "run": known["run"].map(number),
            "tenths": (10 * known["duration_s"]).round().astype(int),
            "use": (10 * known["ml_per_km"]).round().astype(int),
        }
    ).dropna()
    frame["run"] = frame["run"].astype(int)
    return {
        str(name): part[["run", "tenths", "use"]].to_numpy().tolist()
        for name, part in frame.groupby("segment", observed=True)
    }


def _run(record: Mapping[Any, Any], analysed: Analysed) -> dict[str, Any]:
    start = record["start"]
    return {
        "arm": ARMS.index(record["arm"]) if record["arm"] in ARMS else -1,
        "name": str(record["file"]) if pd.isna(start) else f"{start:%Y-%m-%d %H:%M}",
        "file": str(record["file"]),
        "lines": _run_lines(analysed, int(record["run"])),
    }


def _run_lines(analysed: Analysed, run: int) -> list[list[int]]:
    """A run's line, in pieces where it has no positions, thinned by shape."""
    origin = analysed.network.origin
    if origin is None:
        return []
    x, y = _track(analysed.network, run)
    known = np.isfinite(x) & np.isfinite(y)
    pieces = np.split(np.arange(len(x)), np.flatnonzero(np.diff(known.astype(int))) + 1)
    found = []
    for piece in pieces:
        if len(piece) < 2 or not known[piece[0]]:
            continue
        kept = piece[thinned(x[piece], y[piece], RUN_TOLERANCE_M)]
        lat, lon = to_geographic(x[kept], y[kept], origin)
        found.append(_steps(lat, _east_of(lon, origin[1]), RUN_UNITS))
    return found


def _segment_places(segment: Segment, about_lon: float) -> tuple[Floats, Floats]:
    there = np.isfinite(segment.lat_deg) & np.isfinite(segment.lon_deg)
    there &= np.isfinite(segment.x_m) & np.isfinite(segment.y_m)
    at = np.flatnonzero(there)
    kept = at[thinned(segment.x_m[at], segment.y_m[at], SEGMENT_TOLERANCE_M)]
    return segment.lat_deg[kept], _east_of(segment.lon_deg[kept], about_lon)


def _steps(lat: Floats, lon: Floats, units: int) -> list[int]:
    """Latitude and longitude in turn as whole numbers, each from the place before."""
    whole = np.round(np.column_stack((lat, lon)) * units).astype(np.int64)
    flat: list[int] = np.diff(whole, axis=0, prepend=np.zeros((1, 2), np.int64)).ravel().tolist()
    return flat


def _east_of(lon: Any, about: float) -> Any:
    """Longitudes without a leap at 180°, for a road that crosses it."""
    return about + (lon - about + 180) % 360 - 180


def _box(legs: Sequence[Leg], about_lon: float) -> list[list[float]]:
    lat = np.concatenate([s.lat_deg for leg in legs for s in leg.segments])
    lon = _east_of(np.concatenate([s.lon_deg for leg in legs for s in leg.segments]), about_lon)
    return [
        [round(float(np.nanmin(lat)), 6), round(float(np.nanmin(lon)), 6)],
        [round(float(np.nanmax(lat)), 6), round(float(np.nanmax(lon)), 6)],
    ]
