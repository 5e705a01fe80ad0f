"""Gates that the user draws across the road, so that segments begin and end where the user says.

A GeoJSON file (RFC 7946) of points or lines goes in; out come gates, and for a line of the network
the places where it passes them. Part of method section 3.
"""

import json
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from roadlog.errors import InputError
from roadlog.quantities.arrays import Floats
from roadlog.road.alignment import Line
from roadlog.road.projection import Origin, to_local

POINT_REACH_M = 40.0  # a point gate is on roads that pass this near
HEADING_WITHIN_DEG = 60.0


@dataclass(frozen=True)
class Gate:
    """A place where segments end: one point, or a line drawn across the road.

    `heading_deg` (clockwise from north) limits it to one direction of travel. `segment` names the
    segment that begins here.
    """

    name: str
    lat_deg: Floats
    lon_deg: Floats
    heading_deg: float | None = None
    segment: str | None = None


def read_gates(path: Path) -> tuple[Gate, ...]:
    """Read gates from GeoJSON: features of type Point or LineString.

    Properties, all optional: `name` of the gate, `heading` [°] for one direction of travel only,
    `segment`, the name of the segment that begins at the gate.

    Raises
    ------
    InputError
        If the file isn't GeoJSON, a feature is of another type, a coordinate is impossible, a
        name comes twice, or there are fewer than two gates.

    References
    ----------
    RFC 7946, The GeoJSON Format (2016): longitude comes before latitude.
    """
    if not path.is_file():
        raise InputError(f"{path} doesn't exist: correct gates in [road] of study.toml")
    try:
        data = json.loads(path.read_text(encoding="utf-8-sig"))
    except (UnicodeDecodeError, json.JSONDecodeError) as e:
        raise InputError(f"{path}: not GeoJSON: save the gates as GeoJSON") from e
    features = data.get("features") if isinstance(data, dict) else None
    if not isinstance(features, list):
        raise InputError(f"{path}: no FeatureCollection: save the gates as GeoJSON features")
    gates = tuple(_gate(f, i, path) for i, f in enumerate(features, 1))
    if len(gates) < 2:
        raise InputError(f"{path}: {len(gates)} gate: a segment needs two, at its ends")
    names = [g.name for g in gates]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"{path}: two gates are named '{name}': give each its own name")
    return gates


def _gate(feature: Any, number: int, path: Path) -> Gate:
    where = f"{path}: feature {number}"
    try:
        kind, places = feature["geometry"]["type"], feature["geometry"]["coordinates"]
        properties = feature.get("properties") or {}
    except (TypeError, KeyError, AttributeError) as e:
        raise InputError(f"{where} has no geometry: draw a point or a line") from e
    if kind not in ("Point", "LineString"):
        raise InputError(f"{where} is a {kind}: draw gates as points or as lines across the road")
    try:
        lonlat = np.array([p[:2] for p in ([places] if kind == "Point" else places)], float)
    except (TypeError, ValueError) as e:
        raise InputError(f"{where}: its coordinates aren't numbers: draw it again") from e
    if (
        lonlat.shape != (1 if kind == "Point" else max(2, len(lonlat)), 2)
        or (np.abs(lonlat) > (180, 90)).any()
    ):
        raise InputError(f"{where}: {places} is no longitude, latitude in degrees: correct it")
    heading = properties.get("heading")
    if heading is not None and not (isinstance(heading, int | float) and 0 <= heading <= 360):
        raise InputError(f"{where}: heading '{heading}' isn't within 0 to 360 degrees: correct it")
    segment = properties.get("segment")
    return Gate(
        str(properties.get("name") or f"gate {number}"), lonlat[:, 1], lonlat[:, 0],
        None if heading is None else float(heading), None if segment is None else str(segment),
    )  # fmt: skip


def passed(gates: tuple[Gate, ...], line: Line, origin: Origin) -> list[tuple[float, Gate]]:
    """Where along the line [m] it passes each gate, in order."""
    found = []
    for gate in gates:
        x, y = to_local(gate.lat_deg, gate.lon_deg, origin)
        at = _at_point(line, x[0], y[0]) if len(x) == 1 else _crossing(line, x, y)
        if at is not None and _same_way(gate, line, at):
            found.append((at, gate))
    return sorted(found, key=lambda f: f[0])


def named_pieces(
    gates: tuple[Gate, ...], line: Line, origin: Origin, shortest_m: float = 50.0
) -> list[tuple[str, float, float]]:
    """Name, start and end [m] of the segments between neighbouring gates along a line."""
    places = passed(gates, line, origin)
    return [
        (a.segment or f"{a.name} to {b.name}", start, end)
        for (start, a), (end, b) in pairwise(places)
        if end - start >= shortest_m
    ]


def _at_point(line: Line, x: float, y: float) -> float | None:
    away = np.hypot(line.x_m - x, line.y_m - y)
    i = int(away.argmin())
    if away[i] > POINT_REACH_M:
        return None
    along = (x - line.x_m[i]) * line.tx[i] + (y - line.y_m[i]) * line.ty[i]
    if (i == 0 and along < -POINT_REACH_M) or (i == len(away) - 1 and along > POINT_REACH_M):
        return None
    return float(np.clip(line.s_m[i] + along, 0, line.length_m))


def _crossing(line: Line, x: Floats, y: Floats) -> float | None:
    """Distance along the line at which a polyline first crosses it."""
    px, py, qx, qy = line.x_m[:-1], line.y_m[:-1], np.diff(line.x_m), np.diff(line.y_m)
    first = np.inf
    for i in range(len(x) - 1):
        ux, uy = x[i + 1] - x[i], y[i + 1] - y[i]
        det = qx * uy - qy * ux
        with np.errstate(divide="ignore", invalid="ignore"):
            t = ((x[i] - px) * uy - (y[i] - py) * ux) / det
            w = ((x[i] - px) * qy - (y[i] - py) * qx) / det
        hit = (t >= 0) & (t <= 1) & (w >= 0) & (w <= 1)
        if hit.any():
            k = int(hit.argmax())
            first = min(first, float(line.s_m[k] + t[k] * np.hypot(qx[k], qy[k])))
    return first if np.isfinite(first) else None


def _same_way(gate: Gate, line: Line, at: float) -> bool:
    if gate.heading_deg is None:
        return True
    i = int(np.searchsorted(line.s_m, at).clip(0, len(line.s_m) - 1))
    bearing = np.degrees(np.arctan2(line.tx[i], line.ty[i]))
    return bool(abs((bearing - gate.heading_deg + 180) % 360 - 180) <= HEADING_WITHIN_DEG)
