"""The pass table: one row for each time that a run drove a segment.

Matched tracks, the runs table, notes and weather go in; the rows that the effect model sees come
out (method section 4), with the passes that a rule set beforehand leaves out listed with why.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.errors import InputError
from roadlog.ingest.text.handtable import split_unit
from roadlog.passes.facts import Lost
from roadlog.quantities.arrays import Floats, steps_of_each
from roadlog.quantities.columns import Columns, Table, Words, columns_of, in_groups, joined, strings
from roadlog.quantities.facts import Fact
from roadlog.quantities.fuels import FUELS
from roadlog.quantities.tables import NOTE, PASSES, REMARK
from roadlog.quantities.warm import WARM_COOLANT_C
from roadlog.road.network import Network
from roadlog.road.trace import travelled
from roadlog.runs.deviations import is_deviation
from roadlog.runs.guesses import GUESS
from roadlog.runs.notes import NOTE_KEYS, note_headings, noted
from roadlog.runs.order import since_switch
from roadlog.study.settings import Analysis, Study

MIN_LENGTH_SHARE = 0.9  # a pass has to cover this share of its segment
MAX_DISTANCE_ERROR = 0.10  # wheel distance against the segment's length
IDLE_BELOW_KMH = 1.0
AT_ONCE = 40_000  # samples whose sums are made together
YES_NO = {"yes": "1", "no": "0", "true": "1", "false": "0", "on": "1", "off": "0"}

_MEANS = {  # pass column: track column, averaged over time
    "mean_vsp_kw_t": "vsp_kw_t", "ambient_c": "ambient_c", "pressure_kpa": "pressure_kpa",
    "air_density_kg_m3": "air_density_kg_m3", "headwind_m_s": "headwind_m_s",
    "wet_road": "wet_road", "supply_voltage_v": "supply_voltage_v",
}  # fmt: skip
_TAKEN = (
    "t_s", "dt_s", "speed_kmh", "fuel_flow_g_s", "fuel_flow_low_g_s", "fuel_flow_high_g_s",
    "coolant_temp_c", "engine_runtime_s", "traction_w", "s_m", *_MEANS.values(),
)  # fmt: skip


def build_passes(
    tracks: Mapping[int, Table],
    runs: pd.DataFrame,
    network: Network,
    study: Study,
    notes: pd.DataFrame | None,
    usual_ratio: float | None = None,
) -> pd.DataFrame:
    """Build the pass table.

    Parameters
    ----------
    tracks : mapping of run to DataFrame
        `tables.TRACK` with its conditions (`roadlog.passes.conditions.add_conditions`).
    runs : DataFrame
        `tables.RUNS`.
    network : Network
    study : Study
        Vehicle, fuel, `analysis.min_coverage`, `device.washout_km`.
    notes : DataFrame, optional
        One row a day (column `date`) or a run (column `run` or `file`); every other column
        becomes `note_…` if `[analysis]` names it, else `remark_…`, as numbers where all its
        entries are numbers or yes/no.
    usual_ratio : float, optional
        Wheel distance over a segment's length as this car's speedometer has it; by default the
        median over these passes.

    Returns
    -------
    DataFrame
        `tables.PASSES`, ordered by run and entry, with `ambient_source`, `pressure_source`,
        `length_share` (of the segment that was driven) and `km_since_switch` beside them. A run
        that made no pass has one row without segment, not used, that says why.

    Raises
    ------
    InputError
        If a track has no conditions; if notes name no known key, have two rows for the same day or
        run, or lack a column that `[analysis] noted_covariates` names.

    Notes
    -----
    A pass isn't used when its run isn't; when it covers < 90 % of the segment; when fuel and speed
    are known for less than `min_coverage` of its time; when its wheel distance differs from the
    segment's length by > 10 % (after the study's median ratio, which is the speedometer's); or
    when it begins within `washout_km` of its switch unit's start, switched or not (of one of a few
    periods beside a control car: of the period's start, unless it is the first). Distance, fuel
    and time are sums over the same samples: those where both fuel and speed are known.

    >>> import roadlog
    >>> result = roadlog.analyse(*roadlog.open_study("sample_logs"))
    >>> result.passes.groupby("arm")["used"].sum().to_dict()
    {'baseline': 200, 'fitted': 199}
    """
    runs = runs.sort_values("run", ignore_index=True)
    driven = {r: columns_of(tracks[r]) for r in runs["run"] if r in tracks and len(tracks[r])}
    if bare := [r for r, track in driven.items() if "ambient_source" not in track]:
        raise InputError(f"run {bare[0]} has no conditions: give its track through add_conditions")
    table = _sums(driven, _ml_per_g(runs, study))
    table["why"] = pd.Series("", table.index, dtype=object)
    absent = _without_pass(runs, driven, network, set(table["run"]))
    if len(absent):
        table = pd.concat([table, absent]) if len(table) else absent.reindex(columns=table.columns)
    table = table.sort_values(["run", "traversal"], kind="stable", ignore_index=True)
    of_run = _of_run(runs, driven)
    mine = of_run.iloc[np.searchsorted(runs["run"], table["run"].astype(int))].drop(columns="run")
    table = pd.concat([table, mine.set_axis(table.index)], axis=1)
    table = _placed(table, network)
    table["reason"] = _reasons(table, network, study, usual_ratio)
    table["used"] = table["reason"] == ""
    table = _with_notes(table, runs, notes, study.analysis)
    first = [c for c in PASSES.columns if c in table.columns]
    dropped = {
        "traversal",
        "entry_s",
        "entry_km",
        "before_km",
        "never_switched",
        "file",
        "run_used",
        "run_reason",
        "why",
    }
    rest = [c for c in table.columns if c not in PASSES.columns and c not in dropped]
    return PASSES.check(table[first + rest])


@dataclass(frozen=True)
class _Samples:
    """Samples on the network, run after run; the first one, run and segment of each pass."""

    columns: dict[str, Floats]
    first: NDArray[np.int64]
    run: NDArray[np.int64]
    traversal: NDArray[np.int64]
    segment: NDArray[np.object_]
    elapsed_s: Floats
    d_m: Floats
    step_m: Floats


def _on_network(group: Columns, numbers: Sequence[int]) -> _Samples:
    """What of some runs, which have these numbers, lies on the network."""
    entries = group["traversal"].astype(np.int64)
    on = np.flatnonzero(entries >= 0)
    last = group.ends - 1
    run = np.repeat(np.array(numbers, np.int64), last + 1 - group.starts)[on]
    t = group.floats("t_s")
    d = np.concatenate([_distance(track) for track, _ in group.runs])
    elapsed, step = np.diff(t, append=np.nan), np.diff(d, append=np.nan)
    one = group.starts == last
    elapsed[last] = np.where(one, 0.0, steps_of_each(t, group.starts, group.ends))
    step[last] = 0.0
    entries = entries[on]
    new = np.append(True, (run[1:] != run[:-1]) | (entries[1:] != entries[:-1]))[: len(on)]
    first = np.flatnonzero(new)
    parts = _parts(group, on)

    def taken(name: str) -> Floats:
        if name not in group:
            return np.full(len(on), np.nan)
        return np.concatenate([track.floats(name)[rows] for track, rows in parts])

    return _Samples(
        {name: taken(name) for name in _TAKEN}, first, run[first], entries[first],
        _words([track for track, _ in group.runs], on[first]), elapsed[on], d[on], step[on],
    )  # fmt: skip


def _parts(
    group: Columns, on: NDArray[np.int64]
) -> list[tuple[Columns, slice | NDArray[np.int64]]]:
    """Each run with its rows `on` the network: a slice, which copies nothing, if none between."""
    cut = np.searchsorted(on, [*group.starts, len(group)]).tolist()
    found: list[tuple[Columns, slice | NDArray[np.int64]]] = []
    for (track, rows), a, b in zip(group.runs, cut[:-1], cut[1:], strict=True):
        mine = on[a:b] - rows.start
        whole = b > a and mine[-1] - mine[0] == b - a - 1
        found.append((track, slice(int(mine[0]), int(mine[-1]) + 1) if whole else mine))
    return found


def _words(tracks: Sequence[Columns], at: NDArray[np.int64]) -> NDArray[np.object_]:
    """The segments of some of the samples of all tracks, one after another."""
    begin = np.cumsum([0, *(len(t) for t in tracks)])
    found = np.empty(len(at), dtype=object)
    cut = np.searchsorted(at, begin)
    for track, start, a, b in zip(tracks, begin[:-1], cut[:-1], cut[1:], strict=True):
        column, mine = track.column("segment"), at[a:b] - start
        if isinstance(column, Words):
            found[a:b] = np.array(column.words, dtype=object)[column.codes[mine]]
        else:
            found[a:b] = np.asarray(column[mine], object)
    return found


def _first_word(track: Columns, name: str) -> str:
    column = track.column(name)
    return str(column.words[column.codes[0]] if isinstance(column, Words) else column[0])


def _distance(track: Columns) -> Floats:
    if "d_m" in track:
        return track.floats("d_m")
    return travelled(track, track.floats("x_m"), track.floats("y_m"))


def _ml_per_g(runs: pd.DataFrame, study: Study) -> dict[int, float]:
    """Millilitres of the declared fuel that hold the energy of a gram of each run's fuel."""
    declared = 1000 / FUELS[study.vehicle.fuel].density_kg_m3
    own = 1000 * runs["l_per_g"] if "l_per_g" in runs.columns else [declared] * len(runs)
    return {int(r): float(x) for r, x in zip(runs["run"], own, strict=True)}


def _sums(driven: Mapping[int, Columns], ml_per_g: Mapping[int, float]) -> pd.DataFrame:
    """One row a pass: sums and means over its samples."""
    numbers, each = iter(driven), []
    for group in in_groups(list(driven.values()), AT_ONCE):
        each.append(_summed(_on_network(group, list(islice(numbers, len(group.runs)))), ml_per_g))
    each = each or [_summed(_on_network(joined([]), []), ml_per_g)]
    sums = {name: np.concatenate([part[name] for part in each]) for name in each[0]}
    place = np.searchsorted(list(driven), sums["run"])
    sources = {
        name: Words(np.arange(len(driven)), tuple(_first_word(t, name) for t in driven.values()))
        for name in ("ambient_source", "pressure_source")
    }
    told = {
        name: strings(Words(words.codes[place], words.words)) for name, words in sources.items()
    }
    segment = pd.array(sums["segment"], dtype="str")
    return pd.DataFrame({**sums, "segment": segment, **told})


def _summed(samples: _Samples, ml_per_g: Mapping[int, float]) -> dict[str, NDArray[Any]]:
    """The columns of `_sums`, for some runs."""
    c, first = samples.columns, samples.first
    n = len(first)
    known = np.isfinite(c["fuel_flow_g_s"]) & np.isfinite(c["speed_kmh"])
    dt = np.where(known, c["dt_s"], 0.0)
    stands_for = np.maximum(samples.elapsed_s, 0.0)
    lasting = _added(stands_for, first)

    def total(value: Floats) -> Floats:
        return _added(np.where(dt > 0, value, 0.0) * dt, first)

    def mean(value: Floats) -> Floats:
        there = np.isfinite(value)
        if there.all():
            return _ratio(_added(value * stands_for, first), lasting)
        weight = np.where(there, stands_for, 0.0)
        return _ratio(_added(np.where(there, value, 0.0) * weight, first), _added(weight, first))

    time, elapsed = _added(dt, first), _added(samples.elapsed_s, first)
    km = total(c["speed_kmh"]) / 3600
    own_ml_per_g = np.array([ml_per_g[r] for r in samples.run.tolist()], dtype=float)
    fuel = {
        name: own_ml_per_g * total(c[column])
        for name, column in (
            ("fuel_ml", "fuel_flow_g_s"),
            ("fuel_low_ml", "fuel_flow_low_g_s"),
            ("fuel_high_ml", "fuel_flow_high_g_s"),
        )
    }
    per_km = _ratio(np.ones(n), km)
    work = total(np.fmax(c["traction_w"], 0.0)) / 1000
    coolant = c["coolant_temp_c"]
    cold = np.where(np.isfinite(coolant), (coolant < WARM_COOLANT_C).astype(float), np.nan)
    runtime = c["engine_runtime_s"][first]
    ends = np.append(first[1:], len(dt))[:n] - 1
    return {
        "run": samples.run,
        "traversal": samples.traversal,
        "segment": samples.segment,
        "entry_s": c["t_s"][first],
        "entry_km": samples.d_m[first] / 1000,
        "distance_km": km,
        "duration_s": time,
        **fuel,
        "ml_per_km": fuel["fuel_ml"] * per_km,
        "mean_speed_kmh": _ratio(3600 * km, time),
        "idle_s_per_km": total((c["speed_kmh"] < IDLE_BELOW_KMH).astype(float)) * per_km,
        "demand_kj_per_km": work * per_km,
        "cold_share": mean(cold),
        "since_start_s": np.where(np.isfinite(runtime), runtime, c["t_s"][first]),
        **{name: mean(c[column]) for name, column in _MEANS.items()},
        "coverage": np.minimum(_ratio(time, elapsed), 1.0),
        "wheel_km": _added(samples.step_m, first) / 1000,
        "driven_m": c["s_m"][ends] - c["s_m"][first] + samples.step_m[ends],
    }


def _added(value: Floats, first: NDArray[np.int64]) -> Floats:
    """The sum over each pass, whose samples lie together, from the first one on."""
    return np.asarray(np.add.reduceat(value, first), float) if len(first) else np.empty(0)


def _ratio(a: Floats, b: Floats) -> Floats:
    out: Floats = np.divide(a, b, out=np.full(len(a), np.nan), where=b > 0)
    return out


def _without_pass(
    runs: pd.DataFrame, driven: Mapping[int, Columns], network: Network, passed: set[int]
) -> pd.DataFrame:
    """One row for each run that made no pass, so that it is listed with why."""
    rows = []
    for run, km in zip(runs["run"], runs["km"], strict=True):
        if run in passed:
            continue
        track = driven.get(run)
        if track is None:
            why = Lost.NO_SAMPLES()
        elif run in network.off:
            why = network.off[run]
        elif network.kind == "road" and run not in network.lines:
            why = Lost.NO_POSITIONS()
        else:
            why = Lost.NEVER_SHARED()
        rows.append({"run": run, "traversal": 0, "segment": "", "distance_km": km, "why": why})
    return pd.DataFrame(rows)


def _of_run(runs: pd.DataFrame, driven: Mapping[int, Columns]) -> pd.DataFrame:
    """What a run lends to its passes, with the distance driven in its switch unit before it."""
    columns = ["run", "file", "arm", "day", "switch_unit", "block"]
    out = runs[columns].assign(
        run_start=runs["start"], run_used=runs["used"], run_reason=runs["reason"]
    )
    if "lhv_mj_kg" in runs:
        out["fuel_lhv_mj_kg"] = runs["lhv_mj_kg"]
    length = [
        _distance(driven[r])[-1] / 1000 if r in driven else float(km)
        for r, km in zip(runs["run"], runs["km"], strict=True)
    ]
    km = pd.Series(length, index=out.index, dtype=float).fillna(0.0)
    before = km.groupby(since_switch(runs)).cumsum() - km
    cool = [
        _first_known(driven[r], "coolant_temp_c") if r in driven else np.nan for r in runs["run"]
    ]
    return out.assign(
        never_switched=runs["period"] == 1 if "period" in runs else False,
        before_km=_told(runs, "before_km", before),
        coolant_start_c=_told(runs, "coolant_start_c", pd.Series(cool, out.index, dtype=float)),
    )


def _told(runs: pd.DataFrame, column: str, else_: pd.Series) -> pd.Series:
    """What the list of runs tells of how each began, or another figure where it doesn't."""
    return runs[column].astype(float).fillna(else_) if column in runs else else_


def _first_known(track: Columns, column: str) -> float:
    values = track.floats(column)
    known = values[np.isfinite(values)]
    return float(known[0]) if len(known) else float("nan")


def _placed(table: pd.DataFrame, network: Network) -> pd.DataFrame:
    """Add start, share of the segment driven, and distance since the switch."""
    lengths = {s.id: s.length_m for s in network.segments}
    length = np.array([lengths.get(name, np.nan) for name in table["segment"].tolist()], float)
    whole = network.kind == "run"
    placed = table.assign(
        length_share=1.0 if whole else np.minimum(table["driven_m"] / length, 1.0),
        length_ratio=1.0 if whole else 1000 * table["wheel_km"] / table["driven_m"],
        start=table["run_start"] + pd.to_timedelta(table["entry_s"], unit="s"),
        km_since_switch=table["before_km"] + table["entry_km"],
    )
    return placed.drop(columns=["run_start", "driven_m", "wheel_km"])


def usual_length_ratio(table: pd.DataFrame) -> float:
    """The median of wheel distance over length of the passes that cover their segment."""
    return float(table.loc[table["length_share"] >= MIN_LENGTH_SHARE, "length_ratio"].median())


def _reasons(
    table: pd.DataFrame, network: Network, study: Study, usual_ratio: float | None
) -> pd.Series:
    """Why each pass isn't used; empty where it is. The first rule that applies speaks."""
    usual = usual_length_ratio(table) if usual_ratio is None else usual_ratio
    error = table["length_ratio"] / usual - 1
    least, washout = study.analysis.min_coverage, study.device.washout_km
    share, coverage = 100 * table["length_share"], 100 * table["coverage"]
    why, km = table["why"], table["km_since_switch"]
    switched = ~table["never_switched"].astype(bool)
    rules: list[tuple[pd.Series, Callable[[int], Fact]]] = [
        (~table["run_used"].astype(bool), lambda i: Lost.RUN(why=table["run_reason"].iloc[i])),
        (why != "", lambda i: why.iloc[i]),
        (table["length_share"] < MIN_LENGTH_SHARE, lambda i: Lost.SHORT(pct=share.iloc[i])),
        (~(table["coverage"] >= least), lambda i: Lost.LITTLE_KNOWN(pct=coverage.iloc[i])),
        (~(table["distance_km"] > 0), lambda i: Lost.NO_DISTANCE()),
        (error.abs() > MAX_DISTANCE_ERROR, lambda i: Lost.OTHER_LENGTH(pct=100 * error.iloc[i])),
        ((km < washout) & switched, lambda i: Lost.WASHOUT(km=km.iloc[i])),
    ]
    reason = np.full(len(table), "", dtype=object)
    for applies, fact in rules:
        for i in np.flatnonzero(applies.to_numpy(bool) & (reason == "")).tolist():
            reason[i] = fact(i)
    return pd.Series(reason, index=table.index, dtype=object)


def _with_notes(
    table: pd.DataFrame, runs: pd.DataFrame, notes: pd.DataFrame | None, rule: Analysis
) -> pd.DataFrame:
    """Join notes by run, file or day: `NOTE` before those that the study named, or `REMARK`.

    Deviations decide which runs are used (`roadlog.runs.deviations`) and are no covariate; nor are
    the number on a seal, which is no condition of a drive, and the driver's guess of the arm.
    """
    names = {} if notes is None else note_headings(notes)
    wanted = {w.casefold() for w in (*rule.noted_covariates, *(rule.covariates or ()))}
    spelled = {c: _spellings(c) for c in names.values()}
    for word in rule.noted_covariates:
        if not any(word.casefold() in s for s in spelled.values()):
            raise InputError(
                f"notes.csv has no column '{word}', which noted_covariates in [analysis] names "
                f"(it has {', '.join(names) or 'none'}): correct one of them"
            )
    out = table.copy()
    if notes is None or notes.empty:
        return out
    for name, column in names.items():
        if name in (*NOTE_KEYS, "arm", "seal", GUESS) or is_deviation(column):
            continue
        entry = noted(notes, runs, _numeric(notes[column]))
        prefix = NOTE if wanted & spelled[column] else REMARK
        out[prefix + _slug(name)] = out["run"].map(entry)
    return out


def _spellings(heading: str) -> set[str]:
    """What study.toml may call a column of the notes: its heading, with or without the unit."""
    plain = heading.strip().casefold()
    return {plain, split_unit(heading)[0], _slug(plain), NOTE + _slug(plain)}


def _slug(heading: str) -> str:
    return re.sub(r"\W+", "_", heading).strip("_")


def _numeric(values: pd.Series) -> pd.Series:
    """Numbers where every entry is one (yes/no counts as 1/0), else text as it is."""
    text = values.astype(str).str.strip().str.lower()
    empty = values.isna() | (text == "")
    number = pd.to_numeric(text.replace(YES_NO).where(~empty), errors="coerce")
    return number if bool((number.notna() | empty).all()) else values
