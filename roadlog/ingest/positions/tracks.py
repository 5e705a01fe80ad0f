"""Position tracks in KML and TCX to a `Log`, beside those in GPX.

In come an XML file's bytes; out comes a log of positions. The parser is the standard library's
expat; entities, depth and size are refused before they cost anything. The raw side of section 2 of
the method.

References
----------
OGC KML 2.3 (12-007r2), gx:Track of earlier versions: `when` and `coord` (longitude, latitude,
altitude) in parallel, altitude above sea level where `altitudeMode` is absolute.
Training Center Database v2, XML schema: `Trackpoint` with `Time`, `Position` and `AltitudeMeters`,
which isn't said to be above what.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.clock.columns import in_zone
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import ColumnMatch, Datum, Log, counted
from roadlog.ingest.positions.gpx import read_gpx, track_clock
from roadlog.ingest.text.rivals import clean
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Fact
from roadlog.study.settings import TimeRule

MAX_BYTES = 1 << 28
MAX_DEPTH = 64
MAX_TEXT = 200  # of a time or a coordinate
_ROOT = re.compile(rb"<(?:[\w.-]+:)?(kml|TrainingCenterDatabase)\b")
_KML_TEXTS = frozenset({"when", "coord", "altitudeMode"})
_TCX_TEXTS = {
    "LatitudeDegrees": "lat_deg",
    "LongitudeDegrees": "lon_deg",
    "AltitudeMeters": "altitude_m",
}
_UNITS = {"lat_deg": "°", "lon_deg": "°", "altitude_m": "m"}


@dataclass
class _Points:
    """Times and values of the points read so far; `paths` counts lines without times."""

    times: list[str] = field(default_factory=list)
    values: list[Mapping[str, float]] = field(default_factory=list)
    datum: Datum = "unknown"
    flat: int = 0


class _Refused(Exception):
    """What a file holds that no track needs."""


def read_track(path: Path, raw: bytes, time: TimeRule) -> Log:
    """Read the track points of a GPX, KML or TCX file in their order.

    Raises
    ------
    InputError
        If it is none of them, holds no track with times, or what no track needs.
    """
    if len(raw) > MAX_BYTES:
        raise InputError(
            f"{path} is larger than {MAX_BYTES >> 20} MB, which no track is: split it, or export "
            "it as delimited text"
        )
    plain = raw.replace(b"\0", b"") if b"\0" in raw[:64] else raw
    if b"<!ENTITY" in plain:
        raise InputError(f"{path} declares XML entities, which no track needs: export it again")
    root = _ROOT.search(plain[:4096])
    if root is None:
        return read_gpx(path, raw, time)
    kind = "KML" if root[1] == b"kml" else "TCX"
    points = _Points()
    _parse(path, raw, kind, _Kml(points) if kind == "KML" else _Tcx(points))
    if not points.times:
        raise InputError(
            f"{path}: the {kind} file holds no track with times, so it can't be joined to a run: "
            "export the track again with the time of each point"
        )
    return _log(path, points, time)


class _Kml:
    """Tracks of parallel times and coordinates."""

    def __init__(self, points: _Points) -> None:
        self.texts = _KML_TEXTS
        self._points = points
        self._when: list[str] = []
        self._where: list[str] = []
        self._absolute = False

    def begin(self, name: str) -> None:
        if name == "Track":
            self._when, self._where, self._absolute = [], [], False

    def end(self, name: str, text: str) -> None:
        if name == "when":
            self._when.append(text)
        elif name == "coord":
            self._where.append(text)
        elif name == "altitudeMode":
            self._absolute = text == "absolute"
        elif name == "Track":
            if len(self._when) != len(self._where):
                raise _Refused(
                    f"a track with {counted(len(self._when), 'time')} for "
                    f"{counted(len(self._where), 'position')}, so which is when can't be known"
                )
            self._points.times += self._when
            self._points.values += map(self._place, self._where)

    def _place(self, text: str) -> dict[str, float]:
        cells = [number(x) for x in text.replace(",", " ").split()] + [np.nan] * 3
        if self._absolute:
            self._points.datum = "sea level"
        else:
            self._points.flat += 1
        altitude = cells[2] if self._absolute else np.nan
        return {"lon_deg": cells[0], "lat_deg": cells[1], "altitude_m": altitude}


class _Tcx:
    """Track points, each with its own time and place."""

    def __init__(self, points: _Points) -> None:
        self.texts = frozenset({"Time", *_TCX_TEXTS})
        self._points = points
        self._inside = False
        self._time = ""
        self._values: dict[str, float] = {}

    def begin(self, name: str) -> None:
        if name == "Trackpoint":
            self._inside, self._time, self._values = True, "", {}

    def end(self, name: str, text: str) -> None:
        if not self._inside:
            return
        if name == "Time":
            self._time = text
        elif name in _TCX_TEXTS:
            self._values[_TCX_TEXTS[name]] = number(text)
        elif name == "Trackpoint":
            self._inside = False
            self._points.times.append(self._time)
            self._points.values.append(self._values)


def number(text: str) -> float:
    """A finite number, NaN where the text is none."""
    try:
        value = float(text)
    except ValueError:
        return float("nan")
    return value if np.isfinite(value) else float("nan")


def _parse(path: Path, raw: bytes, kind: str, reader: _Kml | _Tcx) -> None:
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    depth = 0
    text: list[str] | None = None

    def begin(tag: str, _: object) -> None:
        nonlocal depth, text
        depth += 1
        if depth > MAX_DEPTH:
            raise _Refused(f"elements more than {MAX_DEPTH} deep, which no track has")
        name = tag.rsplit(" ", 1)[-1]
        reader.begin(name)
        text = [] if name in reader.texts else None

    def end(tag: str) -> None:
        nonlocal depth, text
        depth -= 1
        reader.end(tag.rsplit(" ", 1)[-1], "".join(text or ()).strip())
        text = None

    def characters(data: str) -> None:
        if text is not None:
            text.append(data[:MAX_TEXT])
            if len(text) > MAX_TEXT:
                raise _Refused("a time or position that is a long text")

    parser.StartElementHandler, parser.EndElementHandler = begin, end
    parser.CharacterDataHandler = characters
    try:
        parser.Parse(raw, True)
    except _Refused as e:
        line = parser.CurrentLineNumber
        raise InputError(f"{path}: line {line}: the {kind} file holds {e}: export it again") from e
    except expat.ExpatError as e:
        raise InputError(
            f"{path}: from line {e.lineno} on it is not a readable {kind} file: export it again"
        ) from e


def _log(path: Path, points: _Points, time: TimeRule) -> Log:
    stamps = pd.to_datetime(
        pd.Series(points.times, dtype=str), utc=True, format="ISO8601", errors="coerce"
    )
    timed = np.flatnonzero(stamps.notna().to_numpy())
    if not len(timed):
        raise InputError(
            f"{path}: the track has no times that are read, so it can't be joined to a run: export "
            "it again with the time of each point, as 2026-03-05T07:10:00Z"
        )
    notes: list[Fact] = []
    if len(timed) < len(stamps):
        notes.append(Repair.UNTIMED_POINTS(n=len(stamps) - len(timed)))
    if points.flat:
        notes.append(Repair.FLAT_ALTITUDES())
    clock = track_clock(path, stamps.iloc[timed].tolist())
    notes.extend(clock.notes)
    rows = timed if clock.rows is None else timed[clock.rows]
    frame = {n: _column(points.values, n)[rows] for n in _UNITS}
    frame = {n: v for n, v in frame.items() if not np.isnan(v).all()}
    if not {"lat_deg", "lon_deg"} <= frame.keys():
        raise InputError(f"{path} holds no positions that are numbers: export the track again")
    return Log(
        path=path,
        frame=pd.DataFrame({"t_s": clock.t_s, **clean(frame, path, notes)}, copy=False),
        start=in_zone(clock.start, time, path, notes),
        columns=tuple(ColumnMatch(n, n, _UNITS[n]) for n in frame),
        facts=tuple(notes),
        altitude_datum=points.datum if "altitude_m" in frame else None,
    )


def _column(values: Sequence[Mapping[str, float]], name: str) -> Floats:
    return np.array([v.get(name, np.nan) for v in values], np.float64)
