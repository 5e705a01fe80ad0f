"""CPU time of every stage from Parquet to pass table, with a scan by DuckDB as the floor.

`python -m tests.benchmarks.stages` makes a seeded synthetic study of 1,000 runs (a million samples)
as one Parquet file a run, takes it through the stages one after the other and prints samples a
second of one core for each. `--against TREE` does the same with the roadlog of another tree first,
and says whether the two pass tables are equal. `--memory N` takes N runs through the stages that
work run by run, none kept, and prints the peak.
"""

import argparse
import dataclasses
import json
import os
import pickle
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq

DAYS = 20  # of the demonstration, two runs a day: the material of which all runs are made
TOLERANCE = 1e-9
FROM_PARQUET, FROM_CSV, SCAN = "reading Parquet", "reading CSV", "scan by DuckDB"


def make_runs(folder: Path, copies: int, seed: int = 1) -> None:
    """Write `copies` times the demonstration's 40 drives, each with receiver noise of its own."""
    from roadlog.demo import make_study
    from roadlog.runs.table import build_runs, open_study, read_logs
    from roadlog.weather.reports import study_weather

    demo = folder / "demo"
    make_study(demo, days=DAYS)
    study, sources = open_study(demo)
    logs = read_logs(study, sources, lambda items: items)
    runs = build_runs(study, sources, logs, "day")
    weather = study_weather(demo, study, runs["start"])
    assert weather is not None
    rng, tables, skies = np.random.default_rng(seed), [], []
    (folder / "runs").mkdir()
    for copy in range(copies):
        later = pd.Timedelta(weeks=4 * copy)
        skies.append(weather.assign(time=weather["time"] + later))
        table = runs.drop(columns="log").assign(run=runs["run"] + copy * len(runs))
        table["start"] += later
        table["switch_unit"] = [f"{u} {copy}" for u in table["switch_unit"]]
        tables.append(table.assign(file=[f"{r:05d}.parquet" for r in table["run"]]))
        for file, log in zip(tables[-1]["file"], runs["log"], strict=True):
            frame = logs[log].frame
            bias, n = rng.normal(0, 2e-5, 2), len(frame)
            for axis, name in enumerate(("lat_deg", "lon_deg")):
                frame = frame.assign(
                    **{
                        name: frame[name]
                        + bias[axis] * bool(copy)
                        + rng.normal(0, 4e-6, n) * bool(copy)
                    }
                )
            frame.to_parquet(folder / "runs" / str(file), index=False)
    with (folder / "study.pickle").open("wb") as out:
        every = pd.concat(tables, ignore_index=True)
        pickle.dump((study, every, pd.concat(skies, ignore_index=True)), out)


@dataclasses.dataclass(frozen=True)
class _Log:
    """What the time base takes of a log."""

    frame: pd.DataFrame
    path: Path
    facts: tuple[Any, ...] = ()


class _Clock:
    """CPU seconds of named stages, the least of several rounds."""

    def __init__(self, rounds: int) -> None:
        self.rounds, self.seconds = rounds, dict[str, float]()

    def __call__(
        self, name: str, stage: Callable[[], Any], before: Callable[[], None] | None = None
    ) -> Any:
        for _ in range(self.rounds):
            if before is not None:
                before()
            begin = time.process_time()
            result = stage()
            took = time.process_time() - begin
            self.seconds[name] = min(took, self.seconds.get(name, np.inf))
        return result


def measure(folder: Path, rounds: int) -> dict[str, float]:
    """Take the runs through every stage; write `passes.parquet` into the folder's `out`."""
    import roadlog
    from roadlog import fuel, road
    from roadlog.analysis import metering
    from roadlog.ingest import read_log
    from roadlog.passes.conditions import usual_level
    from roadlog.passes.table import build_passes

    with (folder / "study.pickle").open("rb") as source:
        study, runs, weather = pickle.load(source)
    files = [folder / "runs" / f for f in runs["file"]]
    clock, stages = _Clock(rounds), _stages()
    raw = clock(FROM_PARQUET, lambda: [stages.read(f) for f in files])
    clock(SCAN, lambda: _scan(folder))
    texts = _texts(folder, len(files))
    clock(FROM_CSV, lambda: [read_log(t, alone=False) for t in texts])
    samples = clock("time base", lambda: stages.sampled(raw))
    n = sum(map(len, samples))

    def anew() -> None:
        """Nothing that the last round reckoned of a run's columns is kept with these."""
        nonlocal samples, tracks
        samples = [s.assign() for s in samples]
        tracks = {r: t.assign() for r, t in tracks.items()}

    tracks: dict[int, Any] = {}
    runs = metering.judged(runs, samples)
    arm = runs["arm"].to_numpy()
    calibration = clock(
        "calibration (once)",
        lambda: fuel.calibrate(
            [s for s, a in zip(samples, arm, strict=True) if a == "baseline"],
            study,
            fitted_samples=[s for s, a in zip(samples, arm, strict=True) if a == "fitted"],
        ),
        anew,
    )
    flows = clock(
        "fuel flow",
        lambda: stages.flow(samples, study, "maf-trims", calibration, [None] * len(samples)),
        anew,
    )
    runs = metering._with_totals(runs, flows, study, [None] * len(flows))
    tracks = {int(r): f for r, f in zip(runs["run"], flows, strict=True)}
    arms = {int(r): str(a) for r, a in zip(runs["run"], arm, strict=True)}
    network = clock("network (once)", lambda: road.find_network(tracks, arms), anew)
    matched = clock("placing on the road", lambda: stages.place_all(tracks, network))
    matched = clock("gaps bridged", lambda: road.bridged(matched, network))
    starts = {int(r): t for r, t in zip(runs["run"], runs["start"], strict=True)}
    usual = usual_level(tracks.values())

    def conditioned() -> dict[int, Any]:
        sky = stages.sky(weather)
        each = stages.conditions(
            list(matched.values()),
            study.vehicle,
            starts=[starts[r] for r in matched],
            weather=sky,
            wind_at_car=0.33,
            usual=usual,
        )
        return dict(zip(matched, each, strict=True))

    tracks = clock("conditions", conditioned)
    passes = clock("pass table", lambda: build_passes(tracks, runs, network, study, None))
    out = folder / "out"
    out.mkdir(exist_ok=True)
    told = {c: passes[c].astype(str) for c in passes if passes[c].dtype == object}
    passes.assign(**told).to_parquet(out / "passes.parquet")
    return {"samples": n, "tree": str(Path(roadlog.__file__).parents[1]), **clock.seconds}


@dataclasses.dataclass(frozen=True)
class _Stages:
    """The stages that work run by run: on plain columns, or on frames in a tree before them."""

    read: Callable[..., Any]
    sampled: Callable[..., Any]
    flow: Callable[..., Any]
    place: Callable[..., Any]
    place_all: Callable[..., Any]
    sky: Callable[..., Any]
    conditions: Callable[..., Any]


def _stages() -> _Stages:
    from roadlog import fuel, road
    from roadlog.passes import conditions

    if not hasattr(road, "placed_each"):
        return _before(fuel.fuel_flow, conditions.add_conditions)
    from roadlog.fuel.flow import flow_of_each
    from roadlog.ingest.timebase import each_on_one_clock
    from roadlog.passes.sky import sky_of
    from roadlog.quantities.columns import Columns, frame_of

    def read(path: Path) -> pd.DataFrame:
        with pq.ParquetFile(path, memory_map=True) as file:
            table = file.reader.read_all(use_threads=False)
        arrays = {
            name: column.combine_chunks().to_numpy(zero_copy_only=False)
            for name, column in zip(table.column_names, table.columns, strict=True)
        }
        return frame_of(Columns(arrays, table.num_rows))

    def sampled(frames: list[pd.DataFrame]) -> list[Any]:
        return [samples for samples, _ in each_on_one_clock(frames)]

    def together(tracks: dict[int, Any], network: Any) -> dict[int, Any]:
        return dict(road.placed_each(tracks.items(), network))

    stages = (read, sampled, flow_of_each, road.placed, together, sky_of)
    return _Stages(*stages, conditions.conditions_of_each)


def _before(flow: Callable[..., Any], conditions: Callable[..., Any]) -> _Stages:
    from roadlog import road

    def each(tracks: dict[int, Any], network: Any) -> dict[int, Any]:
        return {r: road.match(f, network, r) for r, f in tracks.items()}

    def flows(runs: list[Any], study: Any, name: str, calibration: Any, batches: Any) -> list[Any]:
        each = zip(runs, batches, strict=True)
        return [flow(run, study, name, calibration, batch) for run, batch in each]

    def same(table: Any) -> Any:
        return table

    def conditions_of(runs: list[Any], vehicle: Any, *, starts: list[Any], **given: Any) -> Any:
        each = zip(runs, starts, strict=True)
        return [conditions(run, vehicle, start=start, **given) for run, start in each]

    stages = (pd.read_parquet, _sampled, flows, road.match, each, same)
    return _Stages(*stages, conditions_of)


def _sampled(frames: list[pd.DataFrame]) -> list[pd.DataFrame]:
    from roadlog.analysis import metering

    logs = [_Log(frame, Path()) for frame in frames]
    return metering.sampled(logs, False)[0]  # type: ignore[arg-type]


def _texts(folder: Path, runs: int) -> list[Path]:
    """As many logs of text: the drives that all runs are made of, again and again."""
    drives = sorted((folder / "demo" / "logs").glob("*.csv"))
    return [drives[i % len(drives)] for i in range(runs)]


def _scan(folder: Path) -> None:
    """Every cell of every file through DuckDB: the sum of each column, on one thread."""
    import duckdb

    with duckdb.connect() as db:
        db.execute("SET threads = 1")
        db.execute(f"SELECT sum(COLUMNS(*)) FROM '{folder}/runs/*.parquet'").fetchall()


def streamed(folder: Path, runs: int) -> float:
    """Peak memory [MB] of taking `runs` runs through the stages, each forgotten when it is done."""
    from roadlog import fuel, road
    from roadlog.passes.table import build_passes

    with (folder / "study.pickle").open("rb") as source:
        study, table, weather = pickle.load(source)

    def flows(first: int, last: int) -> Iterator[pd.DataFrame]:
        nonlocal calibration
        for file in table["file"][first:last]:
            path = folder / "runs" / file
            samples = stages.sampled([stages.read(path)])[0]
            calibration = calibration or fuel.calibrate([samples], study)
            yield stages.flow([samples], study, "maf-trims", calibration, [None])[0]

    calibration, stages = None, _stages()
    sky = stages.sky(weather)
    some = dict(enumerate(flows(0, 40)))
    network = road.find_network(some, dict(zip(some, table["arm"], strict=False)))
    for run, flow in enumerate(flows(0, runs)):
        placed, starts = [stages.place(flow, network, run)], [table["start"][run]]
        track = stages.conditions(placed, study.vehicle, starts=starts, weather=sky)[0]
        row = table.iloc[[run]].assign(used=True, reason="", km=1.0, run=run)
        build_passes({run: track}, row, network, study, None)
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def differences(one: pd.DataFrame, two: pd.DataFrame) -> list[str]:
    """Columns of two pass tables that differ: numbers by more than `TOLERANCE`, else at all.

    A number near zero is held to the column's usual size.
    """
    if list(one.columns) != list(two.columns) or len(one) != len(two):
        return [f"shape {one.shape} and {two.shape}"]
    found = []
    for name in one.columns:
        a, b = one[name], two[name]
        if pd.api.types.is_float_dtype(a):
            usual = float(np.nanmedian(np.abs(a))) if a.notna().any() else 0.0
            same = np.allclose(a, b, rtol=TOLERANCE, atol=TOLERANCE * usual, equal_nan=True)
        else:
            same = a.equals(b)
        if not same:
            found.append(name)
    return found


def _run(folder: Path, tree: Path | None, *arguments: str) -> dict[str, Any]:
    """Measure in a process of its own, with the roadlog of `tree`."""
    here = Path(__file__).resolve().parents[2]
    path = os.pathsep.join(str(p) for p in (tree, here) if p is not None)
    command = [sys.executable, str(Path(__file__).resolve()), str(folder), *arguments]
    said = subprocess.run(
        command, env={**os.environ, "PYTHONPATH": path}, check=True, stdout=subprocess.PIPE
    )
    return json.loads(said.stdout)  # type: ignore[no-any-return]


def _sum_up(told: dict[str, Any]) -> None:
    """Add what all stages take from either kind of file."""
    rest = sum(
        v for k, v in told.items() if k not in (FROM_PARQUET, FROM_CSV, SCAN, "samples", "tree")
    )
    for name in (FROM_PARQUET, FROM_CSV):
        told[f"all, {name}"] = rest + told[name]


def compare(folder: Path, tree: Path | None, rounds: int) -> None:
    """Print the table of stages, and whether the pass tables are equal."""
    told = {}
    tables = []
    for name, of in [("before", tree), ("now", None)] if tree else [("now", None)]:
        told[name] = _run(folder, of, "--measure", "--rounds", str(rounds))
        tables.append(pd.read_parquet(folder / "out" / "passes.parquet"))
    for of in told.values():
        _sum_up(of)
    now = told["now"]
    n = now["samples"]
    print(f"{n:,} samples; thousand samples a second of one core (CPU s)")
    for stage in [k for k in now if k not in ("samples", "tree")]:
        cells = [f"{n / told[k][stage] / 1000:9,.0f} ({told[k][stage]:6.2f} s)" for k in told]
        ratio = f"{told['before'][stage] / now[stage]:6.1f} times" if tree else ""
        print(f"{stage:22}", *cells, ratio)
    if tree:
        odd = differences(*tables)
        print(f"{len(tables[0])} passes:", "differ in " + ", ".join(odd) if odd else "equal")


def main() -> None:
    """Make the runs if they aren't there, then measure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--copies", type=int, default=25, help="of the demonstration's 40 drives")
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--against", type=Path, metavar="TREE")
    parser.add_argument("--measure", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--memory", type=int, metavar="N")
    a = parser.parse_args()
    if a.measure:
        print(json.dumps(measure(a.folder, a.rounds)))
        return
    with tempfile.TemporaryDirectory() as scratch:
        folder = a.folder or Path(scratch)
        if not (folder / "study.pickle").exists():
            folder.mkdir(parents=True, exist_ok=True)
            make_runs(folder, a.copies)
        if a.memory:
            print(f"{a.memory} runs: peak {streamed(folder, a.memory):.0f} MB")
        else:
            compare(folder, a.against, a.rounds)


if __name__ == "__main__":
    main()
