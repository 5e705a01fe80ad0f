"""A network kept between analyses, so that segments keep their ids when runs are added.

A `Network` goes to JSON and comes back; `known_pieces` finds the segments of an earlier network
again along a newly found line. Part of method section 3.
"""

import json
from pathlib import Path

import numpy as np

from roadlog.errors import InputError
from roadlog.road.alignment import Line
from roadlog.road.network import Network, Segment
from roadlog.road.projection import Origin, to_local
from roadlog.study.durable import atomic_write

SAME_PLACE_M = 20.0  # places on a segment are found again this near the new line
SAME_LENGTH = 0.05  # and this much of its length apart
SHAPE = ("s_m", "x_m", "y_m", "lat_deg", "lon_deg", "elevation_m", "grade")


def save_network(network: Network, path: Path) -> None:
    """Write the network's segments as JSON (map lines aren't kept)."""
    data = {
        "format": 1,
        "kind": network.kind,
        "origin": network.origin,
        "segments": [
            {
                "id": s.id,
                "length_m": s.length_m,
                **{
                    name: [None if np.isnan(v) else round(float(v), 8) for v in getattr(s, name)]
                    for name in SHAPE
                },
            }
            for s in network.segments
        ],
    }
    atomic_write(path, lambda p: p.write_text(json.dumps(data), encoding="utf-8"))


def load_network(path: Path) -> Network:
    """Read a network that `save_network` wrote.

    Raises
    ------
    InputError
        If the file isn't one.
    """
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        segments = tuple(
            Segment(s["id"], float(s["length_m"]), *(np.array(s[n], float) for n in SHAPE))
            for s in data["segments"]
        )
        origin = None if data["origin"] is None else (data["origin"][0], data["origin"][1])
        return Network(str(data["kind"]), origin, segments, {})
    except (OSError, ValueError, KeyError, TypeError, IndexError) as e:
        raise InputError(
            f"{path}: not a network of an earlier analysis: delete it and analyse again"
        ) from e


def known_pieces(known: Network, line: Line, origin: Origin) -> list[tuple[str, float, float]]:
    """Id, start and end [m] along the line of the known segments that lie on it, in order."""
    found = []
    for segment in known.segments:
        if len(segment.lat_deg) < 2:
            continue
        some = np.linspace(0, len(segment.lat_deg) - 1, 9).round().astype(int)
        x, y = to_local(segment.lat_deg[some], segment.lon_deg[some], origin)
        at = [_along(line, *p) for p in zip(x, y, strict=True)]
        known_at = [s for s in at if s is not None]
        if at[0] is None or at[-1] is None or len(known_at) < len(at) - 1:
            continue
        a, b, slack = at[0], at[-1], SAME_LENGTH * segment.length_m + SAME_PLACE_M
        if abs((b - a) - segment.length_m) <= slack and (np.diff(known_at) > 0).all():
            found.append((segment.id, a, b))
    return sorted(found, key=lambda f: f[1])


def _along(line: Line, x: float, y: float) -> float | None:
    away = np.hypot(line.x_m - x, line.y_m - y)
    i = int(away.argmin())
    if away[i] > SAME_PLACE_M:
        return None
    along = (x - line.x_m[i]) * line.tx[i] + (y - line.y_m[i]) * line.ty[i]
    return float(np.clip(line.s_m[i] + along, 0, line.length_m))
