"""The second task of a fleet's work: one vehicle's runs in, its pass table out.

Each vehicle is a study of its own to the stages of `roadlog.analysis`: its estimator, its
calibration, its road. Those rest on runs spread evenly over the study, so many as fit into memory;
all runs then go through in pieces of whole days, so that memory doesn't grow with their number.
"""

import dataclasses
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from roadlog import closure, fuel, road
from roadlog.analysis.metering import (
    Metered,
    Yardstick,
    judged,
    metered_by,
    with_levels_refused,
    yardstick,
)
from roadlog.analysis.placed import placed_runs
from roadlog.errors import DesignError, InputError, RoadlogError
from roadlog.fleet.asked import Asked, asked_of_vehicle, named
from roadlog.fleet.facts import LeftOut
from roadlog.fleet.reading import Card, Read, Rules, read_alike_units
from roadlog.fleet.signals import ACCESSORY, CLUE, of_runs
from roadlog.fleet.store import (
    Packed,
    keyed,
    read_json,
    read_pieces,
    remove,
    remove_others,
    samples_file,
    write_json,
    write_partitions,
)
from roadlog.fleet.vehicles import Arms, Assigned
from roadlog.fuel.levels import CARRIERS
from roadlog.ingest.twice import logged_twice
from roadlog.passes.conditions import Level, usual_level
from roadlog.passes.road_use import uneven_wheels
from roadlog.passes.table import build_passes, usual_length_ratio
from roadlog.quantities.arms import ARMS
from roadlog.quantities.columns import Columns
from roadlog.quantities.facts import Fact, Veto, commonest
from roadlog.runs.order import believed_units
from roadlog.study.settings import Study
from roadlog.weather.reports import study_weather

MOST_SAMPLES = 600_000  # at once: some 160 h at 1 Hz, under 1 GB with all that is computed of them
MOST_FOR_ROAD = 60  # runs of an arm on which a vehicle's road and calibration rest
PASSES, RUNS, VEHICLES = "passes", "runs", "vehicles"
LINE_POINTS = 12  # of a segment, on the fleet's map


class _Damaged(InputError):
    """What was kept is damaged: no word on the vehicle, and not to be remembered."""


@dataclass(frozen=True)
class Job:
    """One vehicle's task: what was read of it, how it was switched, where things lie.

    `study` has the vehicle's own `[vehicle]`; `aside` says, by samples and piece, which runs don't
    count for what other vehicles' logs show; `root` is the fleet's folder, for weather, gates and
    heights, and `beside` the hashes of those files.
    """

    vehicle: str
    study: Study
    rules: Rules
    arms: Arms
    reads: tuple[Read, ...]
    aside: Mapping[tuple[str, int], Fact]
    work: Path
    out: Path
    root: Path | None = None
    beside: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        """The same for the same runs, settings, files beside them, and code."""
        aside = sorted((k, p, str(f)) for (k, p), f in self.aside.items())
        study = self.study.model_dump(mode="json", exclude={"fleet", "logs", "name"})
        days = None if self.arms.days is None else sorted(self.arms.days.items())
        a = self.arms
        arms = (days, a.arm, a.fitted_from, a.fitted_until, a.by_order)
        switched = None if self.study.fleet is None else self.study.fleet.switched
        chance = None if self.study.fleet is None else self.study.fleet.randomised
        read = sorted((r.key, r.source.shown) for r in self.reads)
        of = (self.vehicle, study, arms, switched, chance, read, aside, self.beside)
        return keyed("vehicle", *of)


@dataclass(frozen=True)
class Record:
    """What is known of a vehicle when its task is done; kept as JSON beside its tables.

    Whoever handed the task out gets `segments` packed: it holds the records of all vehicles.
    """

    vehicle: str
    key: str
    passes: tuple[str, ...]
    runs: tuple[str, ...]
    n_runs: int
    n_used: int
    km: float
    samples: int
    left_out: tuple[tuple[str, str, str], ...]  # what, code, why
    doubts: tuple[tuple[str, str], ...] = ()  # sentence, code of `Against`
    why_not: str = ""
    why_code: str = ""
    idle_g_s: float | None = None
    segments: Iterable[Mapping[str, Any]] = ()
    road: str = ""  # kind of the network
    estimator: str = ""  # the fuel figure
    unit: str = ""  # that it was read in


def of_vehicle(job: Job) -> tuple[Record, bool]:
    """Make a vehicle's tables, or find that they were made before; whether they were made anew.

    A vehicle that can't answer has a record that says why, and no tables.

    Raises
    ------
    OSError
        If the disk is full or fails.
    """
    record, anew = _made(job)
    return dataclasses.replace(record, segments=Packed(tuple(record.segments))), anew


def _made(job: Job) -> tuple[Record, bool]:
    key = job.key
    path = job.work / VEHICLES / f"{key}.json"
    if (before := _kept(path, job.out)) is not None:
        return before, False
    record, passes, runs = _computed(job, key)
    if passes is not None:
        files = tuple(write_partitions(job.out / PASSES, passes, job.vehicle, key))
        record = dataclasses.replace(record, passes=files)
    if runs is not None:
        files = tuple(write_partitions(job.out / RUNS, runs, job.vehicle, key))
        record = dataclasses.replace(record, runs=files)
    write_json(path, dataclasses.asdict(record))
    for name, kept in ((PASSES, record.passes), (RUNS, record.runs)):
        remove_others(job.out / name, job.vehicle, set(kept))
    return record, True


def _kept(path: Path, out: Path) -> Record | None:
    """The record of an earlier run, if all that it names is still there."""
    data = read_json(path)
    if data is None:
        return None
    data |= {k: tuple(data[k]) for k in ("passes", "runs", "segments")}
    data["doubts"] = tuple((a, b) for a, b in data["doubts"])
    record = Record(**{**data, "left_out": tuple((a, b, c) for a, b, c in data["left_out"])})
    every = [*(out / PASSES / f for f in record.passes), *(out / RUNS / f for f in record.runs)]
    return record if all(p.is_file() for p in every) else None


def _computed(job: Job, key: str) -> tuple[Record, pd.DataFrame | None, pd.DataFrame | None]:
    cards = read_alike_units(job.reads, job.rules, job.work)
    table, counted, lost = _listed(job, cards)
    base = Record(
        job.vehicle, key, (), (), len(cards), 0, 0.0, sum(c.rows for c in cards),
        tuple((c.file, f.code.name, str(f)) for c, f in lost),
    )  # fmt: skip
    try:
        _require_days(job.arms, {c.start[:10] for c in cards if c.start})
        if not len(table):
            raise DesignError(_why_none([f for _, f in lost]))
        done = _through(job, table, counted)
    except _Damaged:
        raise
    except RoadlogError as e:
        left = LeftOut.NO_ANSWER(why=str(e))
        return dataclasses.replace(base, why_not=str(left), why_code=left.code.name), None, None
    used = done.runs["used"].astype(bool)
    own = [
        (str(f), getattr(getattr(r, "code", None), "name", ""), str(r))
        for f, r, u in zip(done.runs["file"], done.runs["reason"], used, strict=True)
        if not u
    ]
    record = dataclasses.replace(
        base,
        n_used=int(used.sum()),
        km=float(done.runs.loc[used, "km"].sum()),
        left_out=(*base.left_out, *own),
        doubts=done.doubts,
        idle_g_s=done.idle_g_s,
        segments=done.segments,
        road=done.road,
        estimator=done.estimator,
        unit=_read_in(cards, done.estimator),
    )
    return record, _plain(done.passes), _plain(done.runs)


def _read_in(cards: Sequence[Card], estimator: str) -> str:
    """The unit in which the logs have what the fuel figure comes from."""
    return next((c.units[s] for c in cards for s in CARRIERS[estimator] if s in c.units), "")


def _require_days(arms: Arms, driven: Collection[str]) -> None:
    """Refuse a vehicle whose drives fit the schedule's days better when they are read otherwise.

    Raises
    ------
    DesignError
    """
    if arms.turned(driven):
        raise DesignError(str(LeftOut.DAYS_TURNED()))
    if by := arms.shifted(driven):
        lacking = sum(d not in (arms.days or {}) for d in driven)
        way = "earlier" if by > 0 else "later"
        raise DesignError(str(LeftOut.A_DAY_OFF(n=lacking, of=len(driven), way=way)))


def _why_none(facts: Sequence[Fact]) -> str:
    why = commonest(facts) if facts else LeftOut.NOTHING_LOGGED(near="")
    return str(LeftOut.NO_USABLE_RUN(why=why))


def _listed(
    job: Job, cards: Sequence[Card]
) -> tuple[pd.DataFrame, list[Card], list[tuple[Card, Fact]]]:
    """The runs without what the stages add, their cards, and what has no place among them."""
    lost: list[tuple[Card, Fact]] = []
    rows: list[dict[str, Any]] = []
    counted: list[Card] = []
    seen: dict[str, str] = {}
    for card in sorted(cards, key=lambda c: (c.start, c.file)):
        why: Fact | None = job.aside.get((card.key, card.piece))
        if why is None and card.mark and card.mark in seen:
            why = LeftOut.SAME_LOG(other=seen[card.mark])
        day = card.start[:10]
        given = job.arms.of(day) if day or job.arms.arm is not None else LeftOut.NO_DATE()
        if len({getattr(job.arms.of(d), "arm", None) for d in card.days}) > 1:
            given = LeftOut.DAY_IN_DOUBT(one=card.days[0], other=card.days[-1])
        if isinstance(given, Fact):
            why = why or given
        if isinstance(why, Fact):
            lost.append((card, why))
            continue
        assert isinstance(given, Assigned)
        seen.setdefault(card.mark, card.file)
        counted.append(card)
        rows.append(
            {
                "run": len(rows), "file": card.file, "arm": given.arm, "day": day or card.file,
                "start": pd.Timestamp(card.start) if card.start else pd.NaT,
                "switch_unit": given.unit or card.file, "block": given.block,
                "altitude_datum": card.datum, "rows": card.rows,
            }
        )  # fmt: skip
    table = pd.DataFrame(rows)
    rule = job.study.fleet
    if len(table):
        table["start"] = pd.to_datetime(table["start"])
        if rule is None or rule.switched == "within":
            by_chance = job.study.randomised or bool(rule and rule.randomised)
            table, _ = believed_units(table, "day", by_chance)
    return table, counted, lost


@dataclass(frozen=True)
class _Done:
    passes: pd.DataFrame
    runs: pd.DataFrame
    doubts: tuple[tuple[str, str], ...] = ()
    idle_g_s: float | None = None
    segments: tuple[dict[str, Any], ...] = ()
    road: str = ""
    estimator: str = ""


@dataclass(frozen=True)
class _Settled:
    """What all runs of a vehicle share; `level` and `ratio` None where one piece holds them all."""

    gauge: Yardstick
    network: road.Network
    level: Level | None = None
    ratio: float | None = None


def _through(job: Job, table: pd.DataFrame, cards: Sequence[Card]) -> _Done:
    """Take a vehicle's runs through fuel, road and passes.

    Raises
    ------
    DesignError
        If its runs can't answer.
    """
    chosen = _spread(table)
    whole = len(chosen) == len(table)
    settled, first = _settle(job, table.iloc[chosen], [cards[i] for i in chosen], whole=whole)
    passes, runs, idle = [], [], []
    for at in [np.arange(len(table))] if whole else _pieces(table):
        metered, made = first.metered, first.passes
        if not whole:
            metered = _metered(job, table.iloc[at], [cards[int(i)] for i in at], settled)
            made, _ = _passes(job, metered, settled)
        passes.append(made)
        runs.append(pd.concat([metered.runs, of_runs(metered, job.study)], axis=1))
        idle += [x for f in metered.usable.values() if np.isfinite(x := fuel.idle_flow_g_s(f))]
    every = pd.concat(passes, ignore_index=True)
    asked = first.asked
    listed = pd.concat(runs, ignore_index=True)
    listed[CLUE + ACCESSORY] = listed["run"].map(dict(asked.accessory_pct or {})).astype(float)
    every = every.assign(run_start=every["run"].map(listed.set_index("run")["start"]))
    used = every[every["used"].astype(bool)]
    if not len(used):
        raise DesignError(str(LeftOut.NO_USABLE_RUN(why=commonest(every["reason"]))))
    _require_arms(job, used)
    rule = job.study.fleet
    both = used["arm"].nunique() == len(ARMS) and rule is not None
    wheels = [named(v) for v in uneven_wheels(every) if isinstance(v, Veto)] if both else []
    return _Done(
        every.assign(row=np.arange(len(every))),
        listed.assign(run_start=listed["start"], row=np.arange(len(listed))),
        (*asked.doubts, *wheels),
        float(np.median(idle)) if idle else None,
        _drawn(settled.network, used),
        settled.network.kind,
        settled.gauge.estimator,
    )


def _require_arms(job: Job, rows: pd.DataFrame) -> None:
    """Refuse a vehicle in one arm where each is to be compared with itself."""
    rule = job.study.fleet
    arms = rows["arm"].unique()
    if len(arms) == 1 and (rule is None or rule.switched == "within"):
        raise DesignError(str(LeftOut.ONE_ARM(arm=arms[0])))


def _spread(table: pd.DataFrame) -> list[int]:
    """Positions of runs spread evenly over each arm, all of them where they are few."""
    if table["rows"].sum() <= MOST_SAMPLES and len(table) <= len(ARMS) * MOST_FOR_ROAD:
        return list(range(len(table)))
    chosen: list[int] = []
    for arm in ARMS:
        at = np.flatnonzero(table["arm"] == arm)
        if not len(at):
            continue
        mean = max(float(table["rows"].iloc[at].mean()), 1.0)
        n = max(2, min(len(at), MOST_FOR_ROAD, int(MOST_SAMPLES / len(ARMS) / mean)))
        chosen += at[np.unique(np.linspace(0, len(at) - 1, n).round().astype(int))].tolist()
    return sorted(chosen)


def _pieces(table: pd.DataFrame) -> list[np.ndarray]:
    """Positions of the runs, in pieces of whole switch units."""
    rows = table.groupby("switch_unit", sort=False)["rows"].transform("sum")
    unit = pd.factorize(table["switch_unit"])[0]
    size = rows.groupby(unit).first()
    piece = (size.cumsum() - 1) // MOST_SAMPLES
    of_run = piece.to_numpy()[unit]
    return [np.flatnonzero(of_run == p) for p in np.unique(of_run)]


def _samples(job: Job, cards: Sequence[Card]) -> list[Columns]:
    wanted: dict[str, dict[int, Sequence[str]]] = {}
    for c in cards:
        wanted.setdefault(c.key, {})[c.piece] = c.columns
    found = {k: _read(samples_file(job.work, k), pieces) for k, pieces in wanted.items()}
    return [found[c.key][c.piece] for c in cards]


def _read(path: Path, pieces: Mapping[int, Sequence[str]]) -> dict[int, Columns]:
    """Samples that were kept; a file that is damaged goes, so that the next run makes it anew.

    Raises
    ------
    InputError
        If it is damaged.
    """
    try:
        return read_pieces(path, pieces)
    except (pa.ArrowException, OSError) as e:
        if isinstance(e, OSError) and e.errno is not None:
            raise
        remove(path)
        raise _Damaged(f"{path} was damaged and is taken away: run it again") from e


def _judged(table: pd.DataFrame, samples: Sequence[Columns]) -> pd.DataFrame:
    table = table.drop(columns="rows").reset_index(drop=True)
    return judged(table, samples, logged_twice(table, samples).set_aside, both_arms=False)


def _settle(
    job: Job, table: pd.DataFrame, cards: Sequence[Card], *, whole: bool
) -> tuple[_Settled, "_Chosen"]:
    samples = _samples(job, cards)
    runs = _judged(table, samples)
    if not runs["used"].any():
        raise DesignError(str(LeftOut.NO_USABLE_RUN(why=commonest(runs["reason"]))))
    _require_arms(job, runs[runs["used"]])
    study = job.study
    units = [c.units for c in cards]
    gauge, runs = yardstick(study, runs, samples, units, closure.Ledger(), both_arms=False)
    metered = metered_by(gauge, study, runs, samples, closure.Ledger(), None, False)
    network = _network(job, metered)
    settled = _Settled(gauge, network)
    passes, tracks = _passes(job, metered, settled)
    sketches = [c.sketches for c in cards]
    asked = asked_of_vehicle(study, metered, samples, tracks, passes, network, units, sketches)
    first = _Chosen(metered, passes, asked)
    if whole:
        return settled, first
    level, ratio = usual_level(metered.usable.values()), usual_length_ratio(passes)
    return _Settled(gauge, dataclasses.replace(network, lines={}), level, ratio), first


@dataclass(frozen=True)
class _Chosen:
    """The runs that a vehicle's road and calibration rest on, and what was asked of them."""

    metered: Metered
    passes: pd.DataFrame
    asked: Asked


def _network(job: Job, metered: Metered) -> road.Network:
    """The vehicle's own road: what runs of both its arms drive.

    Where they don't share enough, as in a vehicle that is in one arm for good or was fitted late,
    and it isn't to be compared with itself alone: what its runs of every other day share with those
    of the days between.
    """
    tracks, runs = metered.usable, metered.runs
    used = runs[runs["run"].isin(tracks)]
    arms = {int(r): str(a) for r, a in zip(used["run"], used["arm"], strict=True)}
    rule = job.study.fleet
    alone = rule is not None and rule.switched != "within"
    if not alone or len(set(arms.values())) == len(ARMS):
        try:
            return _road(job, metered, arms)
        except DesignError:
            if not alone:
                raise
    day = pd.factorize(used["day"])[0]
    turn = day if day.max() > 0 else np.arange(len(used))
    return _road(
        job, metered, {int(r): ARMS[t % 2] for r, t in zip(used["run"], turn, strict=True)}
    )


def _road(job: Job, metered: Metered, arms: Mapping[int, str]) -> road.Network:
    tracks, runs, study = metered.usable, metered.runs, job.study
    if far := road.elsewhere(tracks):
        files = dict(zip(runs["run"], runs["file"], strict=True))
        raise DesignError(
            f"{files[far.run]}: its positions lie {far.apart_km:,.0f} km from those of "
            f"{files[far.other]}, and beside them if {far.why} in one of the two"
        )
    own, root = study.road, job.root
    gates = () if root is None or own.gates is None else road.read_gates(root / own.gates)
    raster = (
        None if root is None or own.elevation is None else road.read_raster(root / own.elevation)
    )
    return road.find_network(
        tracks,
        dict(arms),
        segment_length_km=study.analysis.segment_length_km,
        min_runs_per_arm=study.analysis.min_runs_per_arm,
        gates=gates,
        raster=raster,
    )


def _metered(job: Job, table: pd.DataFrame, cards: Sequence[Card], settled: _Settled) -> Metered:
    samples = _samples(job, cards)
    runs = _judged(table, samples)
    units = [c.units for c in cards]
    if runs["used"].any():
        runs = with_levels_refused(
            runs, samples, job.study, settled.gauge.estimator, units, both_arms=False
        )
    return metered_by(settled.gauge, job.study, runs, samples, closure.Ledger(), None, False)


def _passes(
    job: Job, metered: Metered, settled: _Settled
) -> tuple[pd.DataFrame, dict[int, Columns]]:
    starts = metered.runs["start"]
    weather = None if job.root is None else study_weather(job.root, job.study, starts)
    tracks = placed_runs(job.study, metered, settled.network, weather, False, settled.level)
    made = build_passes(tracks, metered.runs, settled.network, job.study, None, settled.ratio)
    return made, tracks


def _plain(table: pd.DataFrame) -> pd.DataFrame:
    """The table with its facts as sentences, as a file can keep it."""
    code = [getattr(getattr(r, "code", None), "name", "") for r in table["reason"]]
    return table.assign(reason=table["reason"].map(str), reason_code=code)


def _drawn(network: road.Network, used: pd.DataFrame) -> tuple[dict[str, Any], ...]:
    """The segments for the fleet's map: a thin line, passes and fuel use by arm."""
    sums = used.groupby(["segment", "arm"])[["fuel_ml", "distance_km"]].sum()
    counts = used.groupby(["segment", "arm"]).size()
    known = set(used["segment"])
    drawn = []
    for segment in network.segments:
        if segment.id not in known or not len(segment.lat_deg):
            continue
        some = np.linspace(0, len(segment.lat_deg) - 1, LINE_POINTS).round().astype(int)
        at = {a: (segment.id, a) for a in ARMS}
        drawn.append(
            {
                "id": segment.id,
                "lat": [round(float(x), 5) for x in segment.lat_deg[np.unique(some)]],
                "lon": [round(float(x), 5) for x in segment.lon_deg[np.unique(some)]],
                "passes": {a: int(counts.get(k, 0)) for a, k in at.items()},
                "fuel_ml": {a: float(sums["fuel_ml"].get(k, 0.0)) for a, k in at.items()},
                "km": {a: float(sums["distance_km"].get(k, 0.0)) for a, k in at.items()},
            }
        )
    return tuple(drawn)
