"""GPX tracks to a `Log` of positions.

In comes the text of a GPX 1.0 or 1.1 file; out comes a log with latitude, longitude and, where the
track has them, altitude, speed, course and dilution of precision. The raw side of section 2 of the
method.

References
----------
GPX 1.1 Schema Documentation, https://www.topografix.com/GPX/1/1/ (times are UTC; GPX 1.0 `speed`
is in m/s and `course` in degrees). It says of `ele` only that it is the point's elevation in
metres, not above what, and of `geoidheight` that it is the height of the geoid (mean sea level)
above the ellipsoid of WGS 84 as in the GGA sentence, which has it beside an altitude above mean sea
level. So `ele` is taken as above sea level where a track has `geoidheight`, else as unknown.
"""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from roadlog.errors import InputError
from roadlog.ingest.clock.columns import Clock, TimeColumn, in_zone, read_clock
from roadlog.ingest.clock.order import Place
from roadlog.ingest.datum import ALTITUDE, GEOID
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import ColumnMatch, Datum, Log
from roadlog.ingest.text.columns import Meaning
from roadlog.ingest.text.rivals import clean
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Fact
from roadlog.quantities.units import convert
from roadlog.study.settings import TimeRule

_EXTENSIONS = {"speed": "gps_speed_kmh", "course": "heading_deg", "heading": "heading_deg",
               "bearing": "heading_deg"}  # fmt: skip
_FIELDS = {
    "latitude": ("lat_deg", "°"),
    "longitude": ("lon_deg", "°"),
    "elevation": ("altitude_m", "m"),
    "geoid_height": ("geoid_height_m", "m"),
    "speed": ("gps_speed_kmh", "m/s"),
    "course": ("heading_deg", "°"),
    "horizontal_dilution": ("hdop", "ratio"),
}


def is_xml(raw: bytes) -> bool:
    """Whether the bytes begin like an XML document."""
    head = raw[:512].replace(b"\0", b"").lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n")
    return bool(re.match(rb"<(\?xml|!--|!DOCTYPE|[A-Za-z])", head))


def read_gpx(path: Path, raw: bytes, time: TimeRule) -> Log:
    """Read the track points of a GPX file, all tracks and segments in their order.

    Raises
    ------
    InputError
        If it isn't GPX, has no track points, or its points carry no time.
    """
    points = _points(path, raw)
    stamps = [p.time for p in points]
    timed = [i for i, t in enumerate(stamps) if t is not None]
    if not timed:
        raise InputError(
            f"{path}: the track has no times, so it can't be joined to a run: export it again with "
            "the time of each point"
        )
    notes: list[Fact] = []
    if len(timed) < len(points):
        notes.append(Repair.UNTIMED_POINTS(n=len(points) - len(timed)))
    clock = track_clock(path, [stamps[i] for i in timed])
    order = clock.rows if clock.rows is not None else np.arange(len(timed))
    notes.extend(clock.notes)
    frame: dict[str, Floats] = {}
    columns: list[ColumnMatch] = []
    for field, (signal, unit) in _FIELDS.items():
        values = np.array([_value(points[i], field, signal) for i in timed], dtype=np.float64)
        if np.isnan(values).all():
            continue
        frame[signal] = convert(values, "m/s", "km/h")[order] if unit == "m/s" else values[order]
        columns.append(ColumnMatch(field, signal, unit))
    cleaned = clean(frame, path, notes)
    return Log(
        path=path,
        frame=pd.DataFrame({"t_s": clock.t_s, **cleaned}, copy=False),
        start=in_zone(clock.start, time, path, notes),
        columns=tuple(columns),
        facts=tuple(notes),
        altitude_datum=_datum(frame),
    )


def _datum(frame: Mapping[str, Floats]) -> Datum | None:
    if ALTITUDE not in frame:
        return None
    return "sea level" if GEOID in frame else "unknown"


def _points(path: Path, raw: bytes) -> list[Any]:
    import gpxpy

    try:
        track = gpxpy.parse(_decoded(raw))
    except Exception as e:  # the parser lets many types through: XML, values, times
        place = re.search(r"line (\d+)", str(e))
        where = f"from line {place[1]} on it " if place else ""
        raise InputError(f"{path}: {where}is not a readable GPX track: export it again") from e
    points = [p for t in track.tracks for s in t.segments for p in s.points]
    if not points:
        raise InputError(f"{path} holds no track points: export a track, not waypoints or a route")
    return points


def _decoded(raw: bytes) -> bytes:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = raw.decode("utf-16", errors="replace")
        return re.sub(r"^<\?xml[^>]*\?>", "", text).encode("utf-8", errors="replace")
    return raw.removeprefix(b"\xef\xbb\xbf")


def _value(point: Any, field: str, signal: str) -> float:
    value = getattr(point, field, None)
    if value is None:
        for top in point.extensions:
            for element in top.iter():
                name = str(element.tag).rsplit("}", 1)[-1].lower()
                if _EXTENSIONS.get(name) == signal and element.text:
                    try:
                        return float(element.text)
                    except ValueError:
                        return float("nan")
        return float("nan")
    return float(value)


def track_clock(path: Path, stamps: list[Any]) -> Clock:
    """The clock of a track's points, from their times of day and date in UTC."""
    utc = pd.to_datetime(pd.Series(stamps), utc=True).dt.as_unit("ns")
    cells = pa.chunked_array([pa.array(utc, pa.timestamp("ns", "UTC"))])
    column = TimeColumn(Meaning("time", "time"), cells, ("2000-01-01T00:00:00Z",))
    return read_clock([column], TimeRule(), Place(path, lambda row: row + 1))
