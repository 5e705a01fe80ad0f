"""The first task of a fleet's work: one source in, its runs' samples kept by content, a card a run.

A log of several drives is cut into runs. What is told of a run on its card is all that the rest
needs to decide which runs count; samples stay on the disk until their vehicle's turn.
"""

import hashlib
import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from roadlog.analysis.metering import righted
from roadlog.errors import InputError
from roadlog.fleet.facts import LeftOut, ReadFact
from roadlog.fleet.inputs import Source, not_whole
from roadlog.fleet.store import keyed, read_told, samples_file, write_samples
from roadlog.fleet.vehicles import alike, tidy
from roadlog.fuel.levels import CARRIERS
from roadlog.ingest import Log, read_columns, read_log
from roadlog.ingest.alike import read_alike
from roadlog.ingest.clock.localday import possible_days
from roadlog.ingest.copied import Marks, changes_of, sketch_of
from roadlog.ingest.datum import settled
from roadlog.ingest.drives import find_drives, piece
from roadlog.ingest.log import Datum, UnitEvidence, read_units
from roadlog.ingest.table.columnar import sorted_by_time, texts_of, time_columns
from roadlog.ingest.text.handtable import split_unit
from roadlog.ingest.timebase import distance_km, each_on_one_clock
from roadlog.quantities.columns import Columns
from roadlog.runs.taken import sha256_of
from roadlog.runs.vehicle_numbers import Numbers, numbers_at_head, numbers_in
from roadlog.study.settings import ColumnRule, RoadRule, TimeRule

MARK_BYTES = 12
NO_MARK = bytes(MARK_BYTES)
SKETCHED = (*dict.fromkeys(s for c in CARRIERS.values() for s in c), "speed_kmh", "gps_speed_kmh")
_NO_READINGS = pd.DataFrame()
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
    log has none); `start` is the clock of its zone, as ISO 8601, "" without a date; `days` those
    that it may be on where the clock is UTC and no zone was told, else empty.
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
    days: tuple[str, ...] = ()
    sketch: Mapping[str, str] = field(default_factory=dict)

    @property
    def sketches(self) -> dict[str, Marks]:
        """Marks of how the signals that tell fuel, and speed, changed as they were polled."""
        return {n: np.frombuffer(bytes.fromhex(h), "<u8") for n, h in self.sketch.items()}

    @property
    def light(self) -> Log:
        """The run's log without its readings, for what looks at units and clocks alone."""
        start = pd.Timestamp(self.start) if self.start else None
        return Log(Path(self.file), _NO_READINGS, start, units=self.evidence)


@dataclass(frozen=True, slots=True)
class Read:
    """One source that was read: the key of its samples, its VIN, and the marks of its runs.

    Whoever hands tasks out holds one for each source, so marks are packed: `MARK_BYTES` a run.
    """

    source: Source
    key: str
    packed: bytes
    vin: str = ""
    anew: bool = True

    @property
    def marks(self) -> list[bytes]:
        """The mark of each run, `NO_MARK` for one too short to have one."""
        return [self.packed[i : i + MARK_BYTES] for i in range(0, len(self.packed), MARK_BYTES)]


def read_source(source: Source, rules: Rules, work: Path, number: int = 0) -> Read:
    """Read a source, or find that it was read before; its samples lie in `work`.

    `number` is for whoever hands it out: which of its vehicle's sources it is.

    Raises
    ------
    RoadlogError
        If it can't be read as logs.
    """
    state = source.path.stat()
    digest = _digest(source.path, state.st_size, state.st_mtime_ns)
    key = keyed("samples", digest, rules.as_text(), source.columnar, source.vehicle_values,
                source.vehicle_column, source.vehicle_key, source.run_column)  # fmt: skip
    path = samples_file(work, key)
    told = read_told(path)
    if told is None:
        told = _write(path, key, _pieces(source, rules), source, rules)
        return _read(source, key, told["cards"], anew=True)
    return _read(source, key, told["cards"], anew=False)


def _read(source: Source, key: str, cards: Sequence[Mapping[str, Any]], *, anew: bool) -> Read:
    marks = b"".join(bytes.fromhex(c["mark"]) or NO_MARK for c in cards)
    return Read(source, key, marks, sys.intern(str(cards[0]["vin"])), anew)


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


_LISTS = ("evidence", "columns", "facts", "several", "days")


def _card(data: Mapping[str, Any], shown: str) -> Card:
    evidence = tuple(
        UnitEvidence(e["header"], e["signal"], e["read_as"], frozenset(e["allowed"]),
                     (e["span"][0], e["span"][1]))
        for e in data["evidence"]
    )  # fmt: skip
    several = f" #{data['piece'] + 1}" if data["several"] else ""
    rest = {k: v for k, v in data.items() if k not in _LISTS}
    return Card(
        file=shown + several, evidence=evidence, columns=tuple(data["columns"]),
        facts=tuple(data["facts"]), days=tuple(data["days"]), **rest,
    )  # fmt: skip


def _pieces(source: Source, rules: Rules) -> list[Log]:
    """The runs of a source, each as a log.

    Raises
    ------
    InputError
        If there is none.
    """
    logs = _columnar(source, rules) if source.columnar else [_logged(source, rules)]
    runs: list[Log] = []
    for log in logs:
        drives = find_drives(log)
        whole = len(drives) == 1
        runs += [log] if whole else [piece(log, d) for d in drives if d.driven]
    if not runs:
        raise InputError(str(LeftOut.NO_RUN()))
    return runs


@lru_cache(maxsize=64)
def _digest(path: Path, size: int, changed: int) -> str:
    """A file's hash, taken once where many vehicles are in it."""
    return sha256_of(path)


def _logged(source: Source, rules: Rules) -> Log:
    log = read_log(source.path, columns=rules.columns, time=rules.time, alone=False)
    return settled(log, rules.road)


def _columnar(source: Source, rules: Rules) -> list[Log]:
    """A vehicle's rows of a Parquet file, as one log or one a run.

    Raises
    ------
    InputError
        If the file isn't whole or can't be read as logs.
    """
    table = _rows(source)
    runs = [table]
    if source.run_column is not None:
        if source.run_column not in table.column_names:
            raise InputError(
                f"{source.shown}: no column '{source.run_column}': correct run_column in [fleet]"
            )
        run = texts_of(table[source.run_column])
        names = sorted(v for v in pc.unique(run).to_pylist() if v is not None)
        table = table.drop_columns([source.run_column])
        runs = [table.filter(pc.equal(run, name)) for name in names]
    logs = []
    for rows in runs:
        clock = time_columns(rows, rules.columns, rules.time)
        rows, twice = sorted_by_time(rows, clock, rules.time.day_first) if clock else (rows, 0)
        log = read_columns(Path(source.shown), rows, columns=rules.columns, time=rules.time)
        if twice:
            log = replace(log, facts=(*log.facts, ReadFact.ROWS_TWICE(n=twice)))
        logs.append(settled(log, rules.road))
    return logs


def _rows(source: Source) -> pa.Table:
    named = source.vehicle_column
    try:
        file = pq.ParquetFile(source.path)
        if named is None:
            table = file.read()
            _require_folder(table, source)
            return table
        parts = []
        for i in range(file.num_row_groups):
            group = file.read_row_group(i)
            mine = pc.is_in(texts_of(group[named]), pa.array(source.vehicle_values))
            parts.append(group.filter(mine).drop_columns([named]))
        return pa.concat_tables(parts, promote_options="default")
    except (pa.ArrowException, OSError) as e:
        if isinstance(e, OSError) and e.errno is not None:
            raise  # the disk's word, not the file's
        raise InputError(not_whole(source.shown, e)) from e


def _require_folder(table: pa.Table, source: Source) -> None:
    """Refuse rows that are another vehicle's than the folder that they lie in.

    Raises
    ------
    InputError
        If a column of the folder's key names another vehicle.
    """
    key = source.vehicle_key
    if key is None or key not in table.column_names or not table.num_rows:
        return
    names = {tidy(v) for v in pc.unique(texts_of(table[key])).to_pylist() if v is not None}
    if others := sorted(n for n in names if alike(n) != alike(source.vehicle)):
        raise InputError(
            f"{source.shown}: lies in the folder of {source.vehicle}, but its column '{key}' names "
            f"{others[0]}: correct one of the two"
        )


def _write(
    path: Path, key: str, logs: Sequence[Log], source: Source, rules: Rules
) -> dict[str, Any]:
    """Sample the runs and keep them with their cards; what is told of them."""
    numbers = _numbers_in(source) if source.columnar else numbers_at_head(source.path)
    vin = next(iter(numbers)) if len(numbers) == 1 else ""
    sampled, cards = each_on_one_clock([log.frame for log in logs]), []
    for number, (log, (samples, lag_s)) in enumerate(zip(logs, sampled, strict=True)):
        facts = [str(w.message) for w in righted(log, lag_s)]
        days = sorted(map(str, possible_days(log))) if rules.time.zone is None else []
        own = {"days": days if len(days) > 1 else []}
        cards.append({**_told(log, samples, facts), **own, "key": key, "piece": number, "vin": vin,
                      "several": len(logs) > 1})  # fmt: skip
    told = {"cards": cards}
    write_samples(path, [samples for samples, _ in sampled], told)
    return told


def _told(log: Log, samples: Columns, facts: Sequence[str]) -> dict[str, Any]:
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
        "sketch": {
            n: sketch_of(changes_of(log.frame[n].to_numpy(np.float64)))
            .astype("<u8")
            .tobytes()
            .hex()
            for n in SKETCHED
            if n in log.frame
        },
    }


def _mark(samples: Columns) -> str:
    """The same for two runs whose readings are the same to six digits, whatever their clocks."""
    if len(samples) < _LEAST_MARKED:
        return ""
    digest = hashlib.sha256()
    for name in sorted(map(str, samples.columns)):
        if name not in ("t_s", "dt_s"):
            digest.update(name.encode())
            digest.update(np.float32(samples.floats(name)).tobytes())
    return digest.hexdigest()[: 2 * MARK_BYTES]


def _numbers_in(source: Source) -> Numbers:
    """As `numbers_at_head`, of a column of such numbers beside the one that names vehicles."""
    names = pq.read_schema(source.path).names
    column = next((n for n in names if split_unit(n)[0] == "vin"), None)
    named = source.vehicle_column
    if column is None or column == named:
        return frozenset()
    some = [column] if named is None else [column, named]
    table = pq.ParquetFile(source.path).read(columns=some)
    if named is not None:
        table = table.filter(pc.is_in(texts_of(table[named]), pa.array(source.vehicle_values)))
    told = {str(v) for v in pc.unique(texts_of(table[column])).to_pylist() if v}
    return numbers_in("\n".join(told))


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
