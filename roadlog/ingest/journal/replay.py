"""A journal read back as a `Log`: all its parts on one clock, GPS UTC where there were fixes.

In come the bytes of a journal, in whatever state the power left it; out comes the log for the time
base, sparse, one row a reading. Damaged lines and gaps are counted in the notes; what lies before
the first fix has its UTC by the common clock.
"""

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.clock.columns import in_zone
from roadlog.ingest.datum import ALTITUDE
from roadlog.ingest.facts import Repair
from roadlog.ingest.journal.clock import EARLIEST_UTC_S, ClockMap, fit_clock
from roadlog.ingest.journal.file import header_of
from roadlog.ingest.journal.lines import FORMAT, REFUSED, Entry, decode
from roadlog.ingest.log import ColumnMatch, Log
from roadlog.ingest.positions.nmea import PositionFix, possible
from roadlog.ingest.text.rivals import clean
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Fact
from roadlog.quantities.signals import SIGNALS
from roadlog.study.settings import TimeRule

_MARK = f'"format": "{FORMAT}"'.encode()
_SEARCHED = 1 << 16
_LONG_PAUSE_S = 1800.0
_NO_RULE = TimeRule()


@dataclass
class _Part:
    """One part: its header, and the rows read under it."""

    header: Mapping[str, object]
    t_s: list[float] = field(default_factory=list)
    values: dict[str, tuple[list[int], list[float]]] = field(default_factory=dict)
    fixes: list[tuple[float, float]] = field(default_factory=list)
    walls: list[tuple[float, float]] = field(default_factory=list)
    gap_s: list[float] = field(default_factory=list)

    @property
    def boot(self) -> str:
        return str(self.header.get("boot_id", ""))


def is_journal(raw: bytes) -> bool:
    """Whether the bytes are a journal of `roadlog record`."""
    return _MARK in raw[:_SEARCHED]


def read_journal(path: Path, raw: bytes | None = None, time: TimeRule = _NO_RULE) -> Log:
    """Read a journal.

    Parameters
    ----------
    path : Path
    raw : bytes, optional
        The file's content, if it was read already.
    time : TimeRule
        The study's `[time]`; without a zone the log's start is in the recorder's own.

    Returns
    -------
    Log
        `start` is aware of its zone; None if neither a fix nor a set clock gives the date.

    Raises
    ------
    InputError
        If the file is no journal or no reading in it is whole.
    """
    raw = path.read_bytes() if raw is None else raw
    notes: list[Fact] = []
    parts = _parts(raw, notes)
    if not any(p.t_s for p in parts):
        raise InputError(
            f"{path} holds no whole reading: the recorder was cut off before its first, so leave "
            "it out"
        )
    t_s, kept, is_utc = _on_one_clock([p for p in parts if p.t_s], notes)
    frame = _frame(kept, path, notes)
    order = np.argsort(t_s, kind="stable")
    if len(kept) > 1:
        pauses = np.diff(t_s[order])
        notes.append(Repair.INTERRUPTED(parts=len(kept)))
        if pauses.max() > _LONG_PAUSE_S:
            notes.append(Repair.SILENCE(minutes=pauses.max() / 60))
    gaps = [g for p in kept for g in p.gap_s]
    if gaps:
        notes.append(Repair.GAPS(n=len(gaps), seconds=sum(gaps)))
    columns = {name: values[order] for name, values in frame.items()}
    first = float(t_s[order[0]])
    return Log(
        path=path,
        frame=pd.DataFrame({"t_s": t_s[order] - first, **columns}, copy=False),
        start=in_zone(_start(is_utc, first, kept[0].header), time, path, notes),
        columns=tuple(ColumnMatch(name, name, SIGNALS[name].unit) for name in columns),
        facts=tuple(notes),
        altitude_datum="sea level" if ALTITUDE in columns else None,  # as the recorder takes it
    )


def _parts(raw: bytes, notes: list[Fact]) -> list[_Part]:
    parts: list[_Part] = []
    damaged, torn, number, refused = 0, 0, -1, 0
    for text in raw.split(b"\n"):
        if not text:
            continue
        line = decode(text)
        if line is None:
            torn += 1
            continue
        missing = line.number - number - 1 if parts and line.kind != "part" else 0
        damaged, torn, number = damaged + max(torn, missing), 0, line.number
        if line.kind == "part":
            parts.append(_Part(header_of(line)))
        if not parts:
            parts.append(_Part({}))
        try:
            _take(parts[-1], line)
            if line.kind == "note" and line.text.startswith(REFUSED):
                refused += int(line.text.removeprefix(REFUSED))
        except (ValueError, TypeError, AttributeError, IndexError, RecursionError):
            damaged += 1  # whole, and not what a recorder writes
    if damaged + torn:
        notes.append(Repair.DAMAGED_LINES(n=damaged + torn))
    if refused:
        notes.append(Repair.DAMAGED_FIXES(n=refused))
    return parts


def _take(part: _Part, line: Entry) -> None:
    if line.kind in ("obd", "gps"):
        items = [item.partition("=") for item in line.text.split(" ")]
        told = {name: float(v) for name, _, v in items if name in SIGNALS or name == "utc_s"}
        utc_s = told.pop("utc_s", None)
        if line.kind == "gps":
            fix = possible(PositionFix(line.t_s, told, utc_s))
            if fix is None:
                raise ValueError("an impossible position")
            told, utc_s = dict(fix.values), fix.utc_s
        if utc_s is not None:
            part.fixes.append((line.t_s, utc_s))
        row = len(part.t_s)
        part.t_s.append(line.t_s)
        for name, value in told.items():
            rows, values = part.values.setdefault(name, ([], []))
            rows.append(row)
            values.append(value)
    elif line.kind in ("part", "clock"):
        wall = float(json.loads(line.text).get("wall_utc_s", 0.0))
        if wall >= EARLIEST_UTC_S:
            part.walls.append((line.t_s, wall))
    elif line.kind == "gap" and line.text.startswith("ends after "):
        part.gap_s.append(float(line.text.split(" ")[2]))


def _on_one_clock(parts: Sequence[_Part], notes: list[Fact]) -> tuple[Floats, list[_Part], bool]:
    """Seconds of every row, the parts kept, and whether the seconds are UTC."""
    maps = {boot: _map([p for p in parts if p.boot == boot]) for boot in {p.boot for p in parts}}
    by_gps = [maps[p.boot][1] for p in parts]
    first = maps[parts[0].boot][0]
    if first is None:
        kept = [p for p in parts if p.boot == parts[0].boot]
    else:
        kept = [p for p in parts if maps[p.boot][0] is not None]
    for p in parts:
        if p not in kept:
            notes.append(Repair.PART_WITHOUT_CLOCK(n=len(p.t_s)))
    if not all(by_gps):
        notes.append(Repair.RECORDERS_CLOCK())
    seconds = []
    for p in kept:
        clock = maps[p.boot][0]
        t = np.array(p.t_s)
        seconds.append(t if clock is None else clock.utc(t))
    return np.concatenate(seconds), kept, first is not None


def _map(parts: Sequence[_Part]) -> tuple[ClockMap | None, bool]:
    """The clock of one boot's parts, and whether GPS gave it."""
    fixes = np.array([f for p in parts for f in p.fixes], np.float64).reshape(-1, 2)
    found = fit_clock(fixes[:, 0], fixes[:, 1])
    if found is not None:
        return found, True
    walls = [w for p in parts for w in p.walls]
    return (ClockMap(*walls[-1]) if walls else None), False  # the last: a clock may be set late


def _frame(parts: Sequence[_Part], path: Path, notes: list[Fact]) -> dict[str, Floats]:
    rows = sum(len(p.t_s) for p in parts)
    frame: dict[str, Floats] = {}
    offset = 0
    for p in parts:
        for name, (at, values) in p.values.items():
            column = frame.setdefault(name, np.full(rows, np.nan))
            column[np.array(at) + offset] = values
        offset += len(p.t_s)
    return clean({name: frame[name] for name in SIGNALS if name in frame}, path, notes)


def _start(is_utc: bool, first_s: float, header: Mapping[str, object]) -> pd.Timestamp | None:
    if not is_utc:
        return None
    offset = header.get("utc_offset_s", 0)
    shift = pd.Timedelta(seconds=float(offset) if isinstance(offset, int | float) else 0.0)
    zone = dt.timezone(shift.to_pytimedelta())
    return pd.Timestamp(round(first_s * 1000), unit="ms", tz="UTC").tz_convert(zone)
