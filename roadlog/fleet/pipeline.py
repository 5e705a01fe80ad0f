"""A fleet's work in its order: sources to samples, samples to pass tables, a vehicle at a time.

`find_fleet` names what is to be read, `fleet_tables` does it with the workers that are passed in
and returns what there is of each vehicle. Nothing here holds samples or pass tables of more than
one task; a second run finds by content what the first one finished.
"""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from roadlog.errors import DesignError, InputError
from roadlog.fleet.facts import LeftOut
from roadlog.fleet.fills import Receipts, read_receipts
from roadlog.fleet.inputs import Source, sources_by_data, sources_by_pattern
from roadlog.fleet.one_vehicle import PASSES, RUNS, Job, Record, of_vehicle
from roadlog.fleet.reading import NO_MARK, Read, Rules, read_source
from roadlog.fleet.store import read_partitions, remove_strangers
from roadlog.fleet.vehicles import (
    Arms,
    Listed,
    Schedule,
    arms_of,
    bad_name,
    by_spelling,
    near_name,
    near_names,
    read_schedule,
    read_vehicles,
)
from roadlog.fleet.workers import Run, Task, in_batches
from roadlog.ingest import settle_day_first
from roadlog.quantities.facts import Fact
from roadlog.runs.taken import sha256_of
from roadlog.runs.vehicle_numbers import hidden_vin
from roadlog.study.fleet import FleetRule
from roadlog.study.settings import Study, TimeRule
from roadlog.weather.reports import weather_file
from roadlog.wording.progress import bar

MOST_NAMES = 2  # of one car; a number in more vehicles is the logger's that went through them


@dataclass(frozen=True)
class Fleet:
    """What is to be read: the study, its vehicles' lines, and the sources of each vehicle.

    `receipts` are the fills, None without a table of them; `left_out` has what can't count whatever
    the logs hold: (what, why).
    """

    study: Study
    root: Path
    rule: FleetRule
    listed: Mapping[str, Listed]
    arms: Mapping[str, Arms]
    sources: Mapping[str, tuple[Source, ...]]
    receipts: Receipts | None = None
    left_out: tuple[tuple[str, Fact], ...] = ()


@dataclass(frozen=True)
class Tables:
    """What a fleet's work came to.

    `records` by vehicle, `left_out` a row for all that doesn't count: `vehicle`, `what`, `code`,
    `why`; `anew` tells how many logs were read and vehicles computed in this run.
    """

    fleet: Fleet
    out: Path
    records: tuple[Record, ...]
    left_out: pd.DataFrame
    anew: Mapping[str, int] = field(default_factory=dict)

    @property
    def compared(self) -> tuple[Record, ...]:
        """The vehicles that have a pass table."""
        return tuple(r for r in self.records if r.passes)

    def passes(self) -> Iterator[pd.DataFrame]:
        """Each vehicle's pass table, one at a time."""
        for record in self.compared:
            yield read_partitions(self.out / PASSES, list(record.passes), record.vehicle)

    def runs(self) -> Iterator[pd.DataFrame]:
        """Each vehicle's run table, one at a time."""
        for record in self.compared:
            yield read_partitions(self.out / RUNS, list(record.runs), record.vehicle)


def find_fleet(study: Study, root: Path, rule: FleetRule | None = None) -> Fleet:
    """The vehicles of a fleet and where their logs lie.

    Parameters
    ----------
    study : Study
        Its `[fleet]` unless `rule` is given.
    root : Path
        The folder that files are named from.

    Raises
    ------
    InputError
        If nothing is found, or a table is wrong.
    """
    root = root.resolve()
    rule = rule or study.fleet or FleetRule()
    study = study.model_copy(update={"fleet": rule})
    if not rule.logs and rule.data is None:
        raise InputError(
            f'{root}: [fleet] names no logs: write logs = ["cars/*/logs/*.csv"] or data = "samples"'
        )
    lost: list[tuple[str, Fact]] = []
    if rule.data is None:
        sources = sources_by_pattern(root, rule.logs)
    else:
        sources, lost = sources_by_data(root, rule)
    listed, schedule = _tables(root, rule, study, {s.vehicle for s in sources})
    rule = _as_listed(rule, listed.values(), scheduled=bool(schedule or study.schedule))
    study = study.model_copy(update={"fleet": rule})
    by_vehicle: dict[str, list[Source]] = defaultdict(list)
    for source in sources:
        by_vehicle[source.vehicle].append(source)
    scheduled = () if schedule is None else schedule.days
    names = _Names(*map(by_spelling, (by_vehicle, listed, scheduled)))
    kept: dict[str, tuple[Source, ...]] = {}
    for name, own in by_vehicle.items():
        why = _no_vehicle(name, names, listed, schedule, rule)
        if why is None:
            kept[name] = tuple(own)
        else:
            lost.append((name, why))
    for n in {**dict.fromkeys(listed), **dict.fromkeys(schedule.days if schedule else ())}:
        if n and n not in by_vehicle:
            near = near_name(n, names.logged, "the logs have")
            none = LeftOut.NOTHING_LOGGED(near=near)
            lost.append((n, none if n in listed else LeftOut.NOBODYS_LINES(
                near=near, table=rule.schedule)))  # fmt: skip
    if not kept:
        what, why = lost[0] if lost else ("its data", LeftOut.NO_VEHICLE(n=1))
        raise DesignError(f"no vehicle can be compared: {what}: {why}")
    arms = {n: arms_of(n, listed.get(n), schedule, study, rule.vehicles) for n in kept}
    labels = {n: listed[n].labels if n in listed else {} for n in {**kept, **listed}}
    filled = root / rule.fills
    receipts = read_receipts(filled, labels, study.time.day_first) if filled.is_file() else None
    return Fleet(study, root, rule, listed, arms, kept, receipts, tuple(lost))


def _as_listed(rule: FleetRule, listed: Iterable[Listed], *, scheduled: bool) -> FleetRule:
    """The rule with how the add-on was switched as the table of vehicles has it, if nobody said."""
    if scheduled or "switched" in rule.model_fields_set:
        return rule
    lines = list(listed)
    if any(v.arm is not None for v in lines):
        return rule.model_copy(update={"switched": "vehicle"})
    if any(v.fitted_from for v in lines):
        return rule.model_copy(update={"switched": "rollout"})
    return rule


def _tables(
    root: Path, rule: FleetRule, study: Study, logged: Collection[str]
) -> tuple[dict[str, Listed], Schedule | None]:
    """The tables kept by hand: of the vehicles, and of their days.

    Raises
    ------
    InputError
        If one that was named isn't there, or is wrong.
    """
    named = {"vehicles": rule.vehicles} if "vehicles" in rule.model_fields_set else {}
    if "fills" in rule.model_fields_set:
        named["fills"] = rule.fills
    if rule.schedule is not None:
        named["schedule"] = rule.schedule
    for key, name in named.items():
        if not (root / name).is_file():
            raise InputError(f"{root / name}: no such file: correct {key}, or leave it out")
    table = root / rule.vehicles
    listed = read_vehicles(table, study, logged) if table.is_file() else {}
    return listed, None if rule.schedule is None else read_schedule(root / rule.schedule, study)


class _Names(NamedTuple):
    """What vehicles are called in the logs and in the two tables, by `by_spelling`."""

    logged: Mapping[str, Sequence[str]]
    listed: Mapping[str, Sequence[str]]
    scheduled: Mapping[str, Sequence[str]]


def _no_vehicle(
    name: str,
    names: _Names,
    listed: Mapping[str, Listed],
    schedule: Schedule | None,
    rule: FleetRule,
) -> Fact | None:
    """Why a name of the logs is no vehicle."""
    if (bad := bad_name(name)) is not None:
        return bad
    if listed and name not in listed:
        return LeftOut.UNDECLARED(
            table=rule.vehicles, near=near_name(name, names.listed, f"{rule.vehicles} has")
        )
    others = near_names(name, names.logged)
    if others and not listed:
        return LeftOut.TWO_SPELLINGS(name=name, other=others[0], table=rule.vehicles)
    if schedule and name not in schedule.days and "" not in schedule.days:
        return LeftOut.UNSCHEDULED(
            table=rule.schedule, near=near_name(name, names.scheduled, f"{rule.schedule} has")
        )
    return None


def fleet_tables(
    fleet: Fleet, run: Run, *, out: Path, work: Path, progress: bool = False
) -> Tables:
    """Read every source and make every vehicle's tables.

    Parameters
    ----------
    fleet : Fleet
    run : callable
        Does tasks: of `roadlog.fleet.workers`.
    out : Path
        Where `passes/` and `runs/` go, by vehicle and month.
    work : Path
        Where samples and records are kept between runs; every worker has to see both.

    Raises
    ------
    DesignError
        If no vehicle can be compared.
    """
    out, work = out.resolve(), work.resolve()
    reads, rules, lost = _read_all(fleet, run, work, progress)
    vin_of = _vin_of(fleet, reads)
    twins = _one_car(vin_of, reads)
    lost += twins
    aside = _aside(vin_of, reads)
    names = [n for n in sorted(reads) if reads[n] and n not in {name for name, *_ in twins}]
    beside = _beside(fleet)
    jobs = (_job(fleet, n, reads[n], rules[n], aside.get(n, {}), beside, out, work) for n in names)
    tasks = (Task(job.vehicle, of_vehicle, (job,)) for job in jobs)
    records: list[Record] = []
    anew = sum(r.anew for own in reads.values() for r in own)
    computed = 0
    for done in bar(run(tasks), "vehicles", progress, len(names)):
        if done.lost is None:
            record, fresh = done.result
            records.append(record)
            computed += fresh
        else:
            lost.append((done.task.name, "", done.lost))
    records.sort(key=lambda r: r.vehicle)
    for folder in (PASSES, RUNS):
        remove_strangers(out / folder, fleet.sources)
    table = _left_out(fleet, lost, records)
    tables = Tables(fleet, out, tuple(records), table, {"logs": anew, "vehicles": computed})
    if not tables.compared:
        raise DesignError(f"no vehicle can be compared: {_first(table)}")
    return tables


def _read_all(
    fleet: Fleet, run: Run, work: Path, progress: bool
) -> tuple[dict[str, list[Read]], dict[str, Rules], list[tuple[str, str, Fact]]]:
    """What was read of each vehicle and by which rules, and the sources that can't be read."""
    reads: dict[str, list[Read]] = {}
    rules: dict[str, Rules] = {}
    lost: list[tuple[str, str, Fact]] = []
    first = (
        Task(n, vehicle_rules, (*time_rule(fleet, n), own)) for n, own in fleet.sources.items()
    )
    n = len(fleet.sources)
    for done in bar(in_batches(run, first, n), "dates", progress, n):
        if done.lost is None:
            rules[done.task.name], reads[done.task.name] = done.result, []
        else:
            lost.append((done.task.name, "", done.lost))
    tasks = (
        Task(s.shown, read_source, (s, rules[name], work, i))
        for name in sorted(rules)
        for i, s in enumerate(fleet.sources[name])
    )
    total = sum(len(fleet.sources[n]) for n in rules)
    for done in bar(in_batches(run, tasks, total), "reading", progress, total):
        source: Source = done.task.arguments[0]
        if done.lost is None:
            ours = fleet.sources[source.vehicle][done.task.arguments[3]]
            reads[source.vehicle].append(replace(done.result, source=ours))  # not another's copy
        else:
            lost.append((source.vehicle, source.shown, done.lost))
    for own in reads.values():
        own.sort(key=lambda r: r.source.shown)
    return reads, rules, lost


def time_rule(fleet: Fleet, name: str) -> tuple[Study, TimeRule]:
    """The study, and its clock with the vehicle's own zone."""
    listed, time = fleet.listed.get(name), fleet.study.time
    if listed is not None and listed.zone is not None:
        time = time.model_copy(update={"zone": listed.zone})
    return fleet.study, time


def vehicle_rules(study: Study, time: TimeRule, sources: Sequence[Source]) -> Rules:
    """How a vehicle's logs are read: the study's rules, with the order of dates that they settle.

    Raises
    ------
    InputError
        If two logs contradict each other.
    """
    files = [s.path for s in sources if not s.columnar]
    some = [files[i] for i in {0, len(files) // 2, len(files) - 1}] if files else []
    if some and settle_day_first(some, time, columns=study.columns) != time:
        time = settle_day_first(files, time, columns=study.columns)
    return Rules(study.columns, time, study.road)


def _job(
    fleet: Fleet,
    name: str,
    reads: Sequence[Read],
    rules: Rules,
    aside: Mapping[tuple[str, int], Fact],
    beside: tuple[str, ...],
    out: Path,
    work: Path,
) -> Job:
    listed, study = fleet.listed.get(name), fleet.study
    if listed is not None:
        study = study.model_copy(update={"vehicle": listed.vehicle})
    study = study.model_copy(update={"time": rules.time})
    return Job(
        name, study, rules, fleet.arms[name], tuple(reads), dict(aside), work, out, fleet.root,
        beside,
    )  # fmt: skip


def _beside(fleet: Fleet) -> tuple[str, ...]:
    """Hashes of the files that hold for all vehicles: weather, gates, heights; "" where none is."""
    road = fleet.study.road
    names = (weather_file(fleet.study), road.gates, road.elevation)
    paths = [None if name is None else fleet.root / name for name in names]
    return tuple("" if p is None or not p.is_file() else sha256_of(p) for p in paths)


def _vin_of(fleet: Fleet, reads: Mapping[str, Sequence[Read]]) -> dict[str, str]:
    """Each vehicle's VIN, hidden: as its table has it, else that of most of its logs.

    A number that a logger gives each session, or itself in whatever vehicle it sits, is none.
    """
    found: dict[str, str] = {}
    for name, own in reads.items():
        count = Counter(r.vin for r in own if r.vin)
        top, times = count.most_common(1)[0] if count else ("", 0)
        if times > 1 or 0 < len(count) <= 2:
            found[name] = top
    holders = Counter(found.values())
    found = {n: vin for n, vin in found.items() if holders[vin] <= MOST_NAMES}
    return found | {n: hidden_vin(v.vin) for n, v in fleet.listed.items() if v.vin}


def _one_car(
    vin_of: Mapping[str, str], reads: Mapping[str, Sequence[Read]]
) -> list[tuple[str, str, Fact]]:
    """Names that are another one's car by the VIN; the one with most logs is kept."""
    names: dict[str, list[str]] = defaultdict(list)
    for name in sorted(reads, key=lambda n: (-len(reads[n]), n)):
        if name in vin_of:
            names[vin_of[name]].append(name)
    return [
        (name, "", LeftOut.SAME_VIN(other=own[0])) for own in names.values() for name in own[1:]
    ]


def _aside(
    vin_of: Mapping[str, str], reads: Mapping[str, Sequence[Read]]
) -> dict[str, dict[tuple[str, int], Fact]]:
    """Runs that can't be their vehicle's, by what the logs of all vehicles show together."""
    twice = _seen_twice(b"".join(r.packed for own in reads.values() for r in own))
    owners: dict[bytes, dict[str, str]] = defaultdict(dict)  # mark -> vehicle -> a log of it
    for name, own in reads.items():
        for read in own if twice else ():
            for mark in twice.intersection(read.marks):
                owners[mark].setdefault(name, read.source.shown)
    vehicle_of = {vin: n for n, vin in vin_of.items()}
    aside: dict[str, dict[tuple[str, int], Fact]] = defaultdict(dict)
    for name, own in reads.items():
        for read in own:
            if read.vin and read.vin != vin_of.get(name, read.vin):
                whose = vehicle_of.get(read.vin)
                other = "" if whose is None else f", {whose}"
                for piece in range(len(read.marks)):
                    aside[name][read.key, piece] = LeftOut.OTHER_VIN(other=other)
            elif owners and not read.vin:
                for piece, mark in enumerate(read.marks):
                    others = [log for n, log in owners.get(mark, {}).items() if n != name]
                    if others:
                        aside[name][read.key, piece] = LeftOut.TWO_VEHICLES(other=others[0])
    return aside


def _seen_twice(marks: bytes) -> set[bytes]:
    """The packed marks that are there more than once."""
    every = np.frombuffer(marks, dtype=[("a", "<u8"), ("b", "<u4")])
    order = np.sort(every["a"])
    again = np.unique(order[1:][order[1:] == order[:-1]])
    some = every[np.isin(every["a"], again)] if len(again) else every[:0]
    kinds, times = np.unique(some, return_counts=True)
    return {k.tobytes() for k in kinds[times > 1]} - {NO_MARK}


def _left_out(
    fleet: Fleet, lost: Sequence[tuple[str, str, Fact]], records: Sequence[Record]
) -> pd.DataFrame:
    rows = [(name, "", f.code.name, str(f)) for name, f in fleet.left_out]
    rows += [(name, what, f.code.name, str(f)) for name, what, f in lost]
    for r in records:
        rows += [(r.vehicle, what, code, why) for what, code, why in r.left_out]
        if r.why_not:
            rows.append((r.vehicle, "", r.why_code, r.why_not))
    known = {v for v, what, *_ in rows if not what} | {r.vehicle for r in records}
    none = LeftOut.NO_USABLE_RUN(why="none of its logs could be read")
    rows += [(n, "", none.code.name, str(none)) for n in fleet.sources if n not in known]
    table = pd.DataFrame(rows, columns=["vehicle", "what", "code", "why"])
    return table.sort_values(["vehicle", "what", "code"], kind="stable", ignore_index=True)


def _first(left_out: pd.DataFrame) -> str:
    whole = left_out[left_out["what"] == ""]
    first = (whole if len(whole) else left_out).iloc[0]
    return f"{first['vehicle']}: {first['what']}{': ' if first['what'] else ''}{first['why']}"
