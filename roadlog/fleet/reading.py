"""The first task of a fleet's work: one source in, its runs' samples kept by content, a card a run.

A log of several drives is cut into runs. What is told of a run on its card is all that the rest
needs to decide which runs count; samples stay on the disk until their vehicle's turn.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from roadlog.analysis.metering import sampled
from roadlog.errors import InputError
from roadlog.fleet.facts import LeftOut
from roadlog.fleet.inputs import Source
from roadlog.fleet.store import keyed, read_told, samples_file, write_samples
from roadlog.ingest import Log, read_log
from roadlog.ingest.alike import read_alike
from roadlog.ingest.datum import settled
from roadlog.ingest.drives import find_drives, piece
from roadlog.ingest.log import Datum, UnitEvidence, read_units
from roadlog.ingest.timebase import distance_km
from roadlog.quantities.vin import VIN
from roadlog.runs.taken import sha256_of
from roadlog.study.settings import ColumnRule, RoadRule, TimeRule

_HEAD_BYTES = 1 << 16
_MARK_DIGITS = 24
_LEAST_MARKED = 100  # samples, for two runs of the same readings to be one drive


@dataclass(frozen=True)
class Rules:
    """All that reading a log depends on beside its bytes."""

    columns: Mapping[str, ColumnRule] = field(default_factory=dict)
    time: TimeRule = field(default_factory=TimeRule)
    road: RoadRule = field(default_factory=RoadRule)

    def as_text(self) -> str:
        """The same rules give the same text."""
        columns = {k: r.model_dump() for k, r in sorted(self.columns.items())}
        said = (columns, self.time.model_dump(), self.road.altitude, self.road.geoid_height_m)
        return json.dumps(said, default=str)


@dataclass(frozen=True)
class Card:
    """What is told of one run.

    `mark` is the same for two runs of the same readings, `vin` for two logs of one car ("" if the
    log has none); `start` is the clock of its zone, as ISO 8601, "" without a date.
    """

    key: str
    piece: int
    file: str
    start: str
    rows: int
    km: float
    mark: str
    vin: str
    columns: tuple[str, ...]
    units: Mapping[str, str]
    evidence: tuple[UnitEvidence, ...]
    datum: Datum | None
    facts: tuple[str, ...]

    @property
    def light(self) -> Log:
        """The run's log without its readings, for what looks at units and clocks alone."""
        start = pd.Timestamp(self.start) if self.start else None
        return Log(Path(self.file), pd.DataFrame(), start, units=self.evidence)


@dataclass(frozen=True)
class Read:
    """One source that was read: the key of its samples, and a mark and a VIN for each run."""

    source: Source
    key: str
    runs: tuple[tuple[str, str], ...]
    anew: bool = True


def read_source(source: Source, rules: Rules, work: Path) -> Read:
    """Read a source, or find that it was read before; its samples lie in `work`.

    Raises
    ------
    RoadlogError
        If it can't be read as logs.
    """
    digest = [sha256_of(p) for p in source.paths]
    key = keyed("samples", digest, rules.as_text(), source.vehicle_value, source.month,
                source.vehicle_column, source.run_column)  # fmt: skip
    path = samples_file(work, key)
    told = read_told(path)
    if told is None:
        told = _write(path, key, _pieces(source, rules), source)
        return Read(source, key, _runs(told), True)
    return Read(source, key, _runs(told), False)


def _runs(told: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    return tuple((c["mark"], c["vin"]) for c in told["cards"])


def cards_of(read: Read, work: Path) -> list[Card]:
    """The cards of a source that was read.

    Raises
    ------
    InputError
        If its samples are gone.
    """
    told = read_told(samples_file(work, read.key))
    if told is None:
        raise InputError(f"{work}: samples of {read.source.shown} are gone: run it again")
    return [_card(c, read.source.shown) for c in told["cards"]]


def _card(data: Mapping[str, Any], shown: str) -> Card:
    evidence = tuple(
        UnitEvidence(e["header"], e["signal"], e["read_as"], frozenset(e["allowed"]),
                     (e["span"][0], e["span"][1]))
        for e in data["evidence"]
    )  # fmt: skip
    several = f" #{data['piece'] + 1}" if data["several"] else ""
    rest = {k: v for k, v in data.items() if k not in ("evidence", "columns", "facts", "several")}
    return Card(
        file=shown + several, evidence=evidence, columns=tuple(data["columns"]),
        facts=tuple(data["facts"]), **rest,
    )  # fmt: skip


def _pieces(source: Source, rules: Rules) -> list[Log]:
    """The runs of a source, each as a log.

    Raises
    ------
    InputError
        If there is none.
    """
    log = read_log(source.paths[0], columns=rules.columns, time=rules.time, alone=False)
    log = settled(log, rules.road)
    drives = find_drives(log)
    if len(drives) == 1:
        return [log]
    runs = [piece(log, d) for d in drives if d.driven]
    if not runs:
        raise InputError(str(LeftOut.NO_RUN()))
    return runs


def _write(path: Path, key: str, logs: Sequence[Log], source: Source) -> dict[str, Any]:
    """Sample the runs and keep them with their cards; what is told of them."""
    vin = _vin(source.paths[0]) if not source.vehicle_value else ""
    frames, cards = [], []
    for number, log in enumerate(logs):
        (samples,), repairs = sampled([log], False)
        frames.append(samples.assign(piece=np.int32(number)))
        facts = [str(w.message) for w in repairs]
        cards.append({**_told(log, samples, facts), "key": key, "piece": number, "vin": vin,
                      "several": len(logs) > 1})  # fmt: skip
    told = {"cards": cards}
    write_samples(path, pd.concat(frames, ignore_index=True), told)
    return told


def _told(log: Log, samples: pd.DataFrame, facts: Sequence[str]) -> dict[str, Any]:
    start = "" if log.start is None else log.start.tz_localize(None).isoformat()
    evidence = [{**asdict(e), "allowed": sorted(e.allowed)} for e in log.units]
    return {
        "start": start,
        "rows": len(samples),
        "km": float(distance_km(samples)) if "speed_kmh" in samples else 0.0,
        "mark": _mark(samples),
        "columns": list(map(str, samples.columns)),
        "units": read_units(log),
        "evidence": evidence,
        "datum": log.altitude_datum,
        "facts": list(facts),
    }


def _mark(samples: pd.DataFrame) -> str:
    """The same for two runs whose readings are the same to six digits, whatever their clocks."""
    if len(samples) < _LEAST_MARKED:
        return ""
    digest = hashlib.sha256()
    for name in sorted(map(str, samples.columns)):
        if name not in ("t_s", "dt_s"):
            digest.update(name.encode())
            digest.update(np.float32(samples[name].to_numpy(float)).tobytes())
    return digest.hexdigest()[:_MARK_DIGITS]


def _vin(path: Path) -> str:
    """A log's vehicle identification number, as a hash: nobody needs to know it. "" for none."""
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES).decode("latin-1")
    found = {m[0] for m in VIN.finditer(head)}
    return hidden_vin(found.pop()) if len(found) == 1 else ""


def hidden_vin(vin: str) -> str:
    """A VIN as it is kept: to be compared, not read."""
    return hashlib.sha256(vin.strip().upper().encode()).hexdigest()[:_MARK_DIGITS]


def read_alike_units(reads: Sequence[Read], rules: Rules, work: Path) -> list[Card]:
    """The cards of a vehicle's sources, each header in one unit throughout.

    A source whose column is in another unit by what the values of the others allow is read again.

    Raises
    ------
    InputError
        If two logs contradict each other, or a unit must be asked for.
    """
    of_source = [cards_of(r, work) for r in reads]
    source = {Path(c.file): i for i, cards in enumerate(of_source) for c in cards}
    other: dict[int, dict[str, ColumnRule]] = {}
    lights = [c.light for cards in of_source for c in cards]

    def again(path: Path, found: Mapping[str, ColumnRule]) -> Log:
        other.setdefault(source[path], {}).update(found)
        return lights[0]

    read_alike(lights, again)
    for i, found in other.items():
        told = replace(rules, columns={**rules.columns, **found})
        of_source[i] = cards_of(read_source(reads[i].source, told, work), work)
    return [c for cards in of_source for c in cards]
