"""Time and memory of a fleet's work against the number of samples, with DuckDB's scan as floor.

`python -m tests.benchmarks.scale --samples 1e5 1e6` makes seeded synthetic fleets of vehicles with
100 runs each (about 10^5 samples a vehicle), one vehicle after the other, takes each through
`roadlog fleet`'s own functions, a second time with nothing to do, and prints tables in Markdown:
CPU and wall seconds, peaks of the process that hands out tasks and of those that do them, the share
of each stage, and how each grows. `--some N` takes only N vehicles, evenly spread, through the
tasks, and says so; `--distinct N` makes only N and gives the others their files. `--where cluster
--kill 3` works on a real Dask cluster of two processes, one of which is killed when the third
vehicle is done. All data are invented and labelled so.
"""

import argparse
import dataclasses
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tests.benchmarks.measured import KINDS, Watched, peak_mb

DAYS = 50  # of a vehicle, two runs each: the 100 runs of the issue
SAMPLES_A_VEHICLE = 101_704  # what the demonstration's 50 days hold
SEED = 20260302
MEMORY_KEPT = {  # without it Dask's workers give freed memory back at once, and take it anew
    "MALLOC_TRIM_THRESHOLD_": 268_435_456, "MALLOC_MMAP_THRESHOLD_": 33_554_432,
    "OMP_NUM_THREADS": 1, "OPENBLAS_NUM_THREADS": 1,
}  # fmt: skip


def make(folder: Path, vehicles: int, days: int, form: str, distinct: int) -> dict[str, Any]:
    """Write the fleet, vehicle by vehicle; what it took."""
    from roadlog.demo.fleet import make_fleet

    if 0 < distinct < vehicles:
        few = folder.parent / f"{form}-{distinct}x{days}"
        make(few, distinct, days, form, 0)
        _linked(few, folder, vehicles, distinct)
    make_fleet(folder, vehicles=vehicles, days=days, form=form, seed=SEED)  # type: ignore[arg-type]
    files = [
        p for p in folder.rglob("*") if p.suffix in (".csv", ".parquet") and p.parent != folder
    ]
    return {
        "vehicles": vehicles,
        "files": len(files),
        "megabytes": sum(p.stat().st_size for p in files) / 1e6,
        "cpu_s": time.process_time(),
        "peak_mb": peak_mb(),
    }


def _linked(few: Path, folder: Path, vehicles: int, distinct: int) -> None:
    """Give the vehicles after the first ones the files of those, as links under their own names."""
    (folder / ".made").mkdir(parents=True, exist_ok=True)
    for i in range(vehicles):
        home = f"samples/vehicle=van%20{i % distinct + 1:04d}"
        for path in (few / home).rglob("*.parquet"):
            to = folder / f"samples/vehicle=van%20{i + 1:04d}" / path.relative_to(few / home)
            to.parent.mkdir(parents=True, exist_ok=True)
            to.unlink(missing_ok=True)
            to.hardlink_to(path)
        (folder / ".made" / f"van {i + 1:04d}").touch()


def scan(folder: Path, form: str) -> dict[str, Any]:
    """Every cell of every file through DuckDB on one thread: the mean of each column, the count."""
    import duckdb

    kind = "samples/*/*/*.parquet" if form == "parquet" else "cars/*/logs/*.csv"
    read = f"{'read_parquet' if form == 'parquet' else 'read_csv'}('{folder}/{kind}')"
    with duckdb.connect() as db:
        db.execute("SET threads = 1")
        told = db.execute(f"DESCRIBE SELECT * FROM {read}").fetchall()
        cells = [
            f'avg("{name}")' if kind in ("DOUBLE", "BIGINT", "INTEGER") else f'max("{name}")'
            for name, kind, *_ in told
        ]
        begin, wall = time.process_time(), time.perf_counter()
        (row,) = db.execute(f"SELECT count(*), {', '.join(cells)} FROM {read}").fetchall()
        took = {"cpu_s": time.process_time() - begin, "wall_s": time.perf_counter() - wall}
    return {"samples": row[0], "columns": len(told), **took, "peak_mb": peak_mb()}


@contextmanager
def _workers(where: str, n: int, kill: int) -> Iterator[Watched]:
    """Who does the tasks: here, processes of this computer, or a Dask cluster of them."""
    from roadlog.fleet.cluster import cluster
    from roadlog.fleet.workers import _in_pool, _Pool, serial

    if where == "serial":
        yield Watched(serial)
    elif where == "processes":
        with _Pool(n) as pool:
            yield Watched(partial(_in_pool, pool))
    else:
        import dask
        from distributed import LocalCluster

        with (
            dask.config.set({"distributed.nanny.pre-spawn-environ": MEMORY_KEPT}),
            LocalCluster(n_workers=n, threads_per_worker=1, dashboard_address=None) as local,
            cluster(local.scheduler_address) as run,
        ):
            yield Watched(run, _killing(local, kill) if kill else None)


def _killing(local: Any, at: int) -> Callable[[str, int], None]:
    def seen(kind: str, done: int) -> None:
        if kind == "vehicles" and done == at:
            os.kill(next(iter(local.workers.values())).pid, signal.SIGKILL)

    return seen


@dataclasses.dataclass
class _Clock:
    """Wall and CPU seconds of this process between its calls."""

    wall: float = dataclasses.field(default_factory=time.perf_counter)
    cpu: float = dataclasses.field(default_factory=time.process_time)

    def lap(self) -> dict[str, float]:
        """What it took since the last."""
        wall, cpu = time.perf_counter(), time.process_time()
        took = {"wall_s": wall - self.wall, "client_s": cpu - self.cpu}
        self.wall, self.cpu = wall, cpu
        return took


def work(folder: Path, out: Path, where: str, n: int, kill: int, some: int) -> dict[str, Any]:
    """Take a fleet from its files to its page, and tell what each part took."""
    from roadlog.errors import RoadlogError
    from roadlog.fleet.answer import answer
    from roadlog.fleet.pipeline import find_fleet, fleet_tables
    from roadlog.report.fleet_write import write_fleet
    from roadlog.study.folder import load_study

    clock, parts = _Clock(), {}
    begin = time.perf_counter()
    parts["start"] = clock.lap()
    fleet = find_fleet(load_study(folder), folder)
    parts["finding the files"] = clock.lap()
    whole = len(fleet.sources)
    if some and some < whole:
        names = sorted(fleet.sources)
        chosen = {names[i] for i in np.linspace(0, whole - 1, some).round().astype(int)}
        kept = {k: v for k, v in fleet.sources.items() if k in chosen}
        fleet = dataclasses.replace(fleet, sources=kept)
    with _workers(where, n, kill) as run:
        parts["start of workers"] = clock.lap()
        tables = fleet_tables(fleet, run, out=out, work=out / "computed")
        parts["tables"] = clock.lap()
        found, why = None, ""
        try:
            found = answer(tables, run)
        except RoadlogError as e:
            why = str(e)
        parts["answer"] = clock.lap()
    clock.lap()
    if found is not None:
        write_fleet(found, out)
        parts["pages"] = clock.lap()
    wall_s, client_s = time.perf_counter() - begin, time.process_time()
    return {
        "vehicles": whole, "taken": len(fleet.sources), "why_no_answer": why,
        "samples": sum(r.samples for r in tables.records),
        "runs": sum(r.n_runs for r in tables.records),
        "left_out": len(tables.left_out),
        "parts": parts,
        "rounds": {k: dataclasses.asdict(v) for k, v in run.rounds.items()},
        "wall_s": wall_s, "client_s": client_s,
        "workers_s": sum(s for p, s in run.process_s.items() if p != os.getpid()),
        "client_mb": peak_mb(),
        "worker_mb": max(run.peak_mb.values()),
        "processes": len(run.process_s),
        "files_out": sum(len(r.passes) + len(r.runs) for r in tables.records),
        "page_mb": {p: (out / p).stat().st_size / 1e6 for p in ("fleet.html", "fleet.json")
                    if (out / p).exists()},
        "digest": digest(tables, out) if not some else "",
    }  # fmt: skip


def digest(tables: Any, out: Path) -> str:
    """The same for the same results to the last bit: every pass, run and what was left out."""
    whole = hashlib.sha256()
    for frame in (*tables.passes(), *tables.runs(), tables.left_out):
        whole.update(",".join(map(str, frame.columns)).encode())
        whole.update(pd.util.hash_pandas_object(frame).to_numpy().tobytes())
    if (out / "fleet.json").exists():
        whole.update((out / "fleet.json").read_bytes())
    return whole.hexdigest()[:16]


def overhead(tasks: int, where: str, n: int) -> dict[str, Any]:
    """What handing out tasks that do nothing takes."""
    from roadlog.fleet.workers import Task

    with _workers(where, n, 0) as run:
        list(run.run([Task("first", len, ("",))]))
        clock = _Clock()
        done = sum(1 for _ in run.run(Task(str(i), len, ("",)) for i in range(tasks)))
    return {"tasks": done, **clock.lap()}


def slope(x: Sequence[float], y: Sequence[float]) -> tuple[float, float]:
    """The growth exponent: slope of log y on log x and its standard error (nan for two points)."""
    lx, ly = np.log(np.asarray(x, float)), np.log(np.asarray(y, float))
    if len(lx) < 2:
        return np.nan, np.nan
    dx = lx - lx.mean()
    b = float(dx @ ly / (dx @ dx))
    left = ly - ly.mean() - b * dx
    error = np.sqrt(left @ left / (len(lx) - 2) / (dx @ dx)) if len(lx) > 2 else np.nan
    return b, float(error)


def stages_of(told: dict[str, Any], more: float | None = None) -> dict[str, float]:
    """CPU seconds of each stage, of the whole fleet where only some vehicles were taken."""
    more = more or told["vehicles"] / told["taken"]
    found: dict[str, float] = {"finding the files": told["parts"]["finding the files"]["client_s"]}
    rounds = told["rounds"]
    for kind in KINDS.values():
        for stage, seconds in rounds.get(kind, {}).get("stages_s", {}).items():
            name = f"{kind}: {stage}" if stage.startswith("the rest") else stage
            found[name] = found.get(name, 0.0) + seconds * more
    if "pages" in told["parts"]:
        inside = rounds["model"]["client_s"]
        if told["processes"] == 1 and told["workers_s"] == 0:
            inside = sum(rounds["model"]["stages_s"].values())
        found["model over all vehicles"] = max(told["parts"]["answer"]["client_s"] - inside, 0.0)
        found["pages"] = told["parts"]["pages"]["client_s"]
    return found


def cpu_of(told: dict[str, Any]) -> float:
    """All CPU seconds, of the whole fleet where only some vehicles were taken."""
    stages, taken = (sum(stages_of(told, more).values()) for more in (None, 1.0))
    return float(told["client_s"] + told["workers_s"] + stages - taken)


def _row(cells: Sequence[object]) -> str:
    return "| " + " | ".join(map(str, cells)) + " |"


def tables_of(every: Sequence[dict[str, Any]]) -> str:
    """What was measured, as tables in Markdown: totals and growth, then the stages' shares."""
    lines = []
    for form in sorted({e["form"] for e in every}, reverse=True):
        own = sorted((e for e in every if e["form"] == form), key=lambda e: e["scan"]["samples"])
        lines += [f"\n**From {form}**\n", *_totals(own), "", *_shares(own)]
    return "\n".join(lines)


def _totals(own: Sequence[dict[str, Any]]) -> list[str]:
    n = [e["scan"]["samples"] for e in own]
    values: dict[str, tuple[list[float], str]] = {
        "all, CPU s": ([cpu_of(e["first"]) for e in own], ",.1f"),
        "of it the stages, CPU s": ([sum(stages_of(e["first"]).values()) for e in own], ",.1f"),
        "nothing to do, CPU s": ([cpu_of(e["again"]) for e in own if e["again"]], ",.2f"),
        "DuckDB's scan, CPU s": ([e["scan"]["cpu_s"] for e in own], ",.2f"),
        "peak of a worker, MB": ([e["first"]["worker_mb"] for e in own], ",.0f"),
        "peak of the client, MB": ([e["first"]["client_mb"] for e in own], ",.0f"),
        "files read, MB": ([e["made"]["megabytes"] for e in own], ",.0f"),
        "making the fleet, CPU s": ([e["made"]["cpu_s"] for e in own], ",.1f"),
    }
    lines = [_row(["", *(f"{x:,}" for x in n), "grows with samples to the power"])]
    lines.append(_row(["---"] * (len(n) + 2)))
    taken = [f"{e['first']['taken']} of {e['first']['vehicles']}" for e in own]
    lines.append(_row(["vehicles taken through the tasks", *taken, ""]))
    for name, (y, form) in values.items():
        if len(y) == len(n):
            b, error = slope(n, y)
            said = f"{b:.2f} ± {error:.2f}" if np.isfinite(error) else f"{b:.2f}"
            lines.append(_row([name, *(format(v, form) for v in y), said]))
    rate = [f"{x / cpu_of(e['first']):,.0f}" for x, e in zip(n, own, strict=True)]
    lines.append(_row(["samples a CPU second", *rate, ""]))
    return lines


def _shares(own: Sequence[dict[str, Any]]) -> list[str]:
    n = [e["scan"]["samples"] for e in own]
    found = [stages_of(e["first"]) for e in own]
    sums = [sum(f.values()) for f in found]
    names = sorted({k for f in found for k in f}, key=lambda k: -found[-1].get(k, 0.0))
    lines = [_row(["stage", *(f"{x:,}" for x in n), "µs a sample", "power"])]
    lines.append(_row(["---"] * (len(n) + 3)))
    for name in names:
        y = [f.get(name, 0.0) for f in found]
        some = [(a, b) for a, b in zip(n, y, strict=True) if b > 0.02]
        b, error = slope(*zip(*some, strict=True)) if len(some) > 1 else (np.nan, np.nan)
        said = f"{b:.2f} ± {error:.2f}" if np.isfinite(error) else ""
        cells = [f"{100 * v / s:.1f} %" for v, s in zip(y, sums, strict=True)]
        lines.append(_row([name, *cells, f"{1e6 * y[-1] / n[-1]:.2f}", said]))
    return lines


def _apart(*arguments: str) -> dict[str, Any]:
    """One step in a process of its own, so that peaks are its own."""
    command = [sys.executable, "-m", "tests.benchmarks.scale", *arguments]
    env = {**os.environ, "PYTHONPATH": os.getcwd(), "OMP_NUM_THREADS": "1",
           "OPENBLAS_NUM_THREADS": "1"}  # fmt: skip
    said = subprocess.run(command, check=True, stdout=subprocess.PIPE, env=env)
    told: dict[str, Any] = json.loads(said.stdout.splitlines()[-1])
    return told


def one_size(samples: float, form: str, scratch: Path, a: argparse.Namespace) -> dict[str, Any]:
    """Make, scan and work through one fleet; its files go again unless they are to be kept."""
    vehicles = a.vehicles or max(1, round(samples / SAMPLES_A_VEHICLE))
    folder = scratch / f"{form}-{vehicles}x{a.days}"
    out = scratch / f"out-{form}-{vehicles}x{a.days}-{a.where}{a.kill or ''}"
    common = ["--vehicles", str(vehicles), "--days", str(a.days), "--form", form,
              "--distinct", str(a.distinct)]  # fmt: skip
    made = _apart("--step", "make", "--folder", str(folder), *common)
    told: dict[str, Any] = {"form": form, "days": a.days, "where": a.where, "made": made}
    told["scan"] = _apart("--step", "scan", "--folder", str(folder), *common)
    how = ["--step", "work", "--folder", str(folder), "--out", str(out), "--where", a.where,
           "--workers", str(a.workers), "--kill", str(a.kill), "--some", str(a.some)]  # fmt: skip
    shutil.rmtree(out, ignore_errors=True)
    told["first"] = _apart(*how)
    told["again"] = None if a.once else _apart(*how)
    shutil.rmtree(out)
    if not a.keep:
        shutil.rmtree(folder)
    return told


def _step(a: argparse.Namespace) -> dict[str, Any]:
    if a.step == "make":
        return make(a.folder, a.vehicles, a.days, a.form[0], a.distinct)
    if a.step == "scan":
        return scan(a.folder, a.form[0])
    return work(a.folder, a.out, a.where, a.workers, a.kill, a.some)


def main() -> None:
    """Measure each size and form, then print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--samples", type=float, nargs="+", default=[1e5, 1e6])
    parser.add_argument("--form", nargs="+", choices=("parquet", "csv"), default=["parquet"])
    parser.add_argument("--days", type=int, default=DAYS, help="two runs each")
    parser.add_argument("--vehicles", type=int, default=0, help="instead of --samples")
    parser.add_argument("--where", choices=("serial", "processes", "cluster"), default="processes")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--some", type=int, default=0, metavar="N")
    parser.add_argument("--distinct", type=int, default=0, metavar="N", help="make so many, the "
                        "others of a Parquet fleet are links to them (with --some N)")  # fmt: skip
    parser.add_argument("--kill", type=int, default=0, metavar="N")
    parser.add_argument("--once", action="store_true", help="without a second run")
    parser.add_argument("--keep", action="store_true", help="the fleets' files")
    parser.add_argument("--scratch", type=Path)
    parser.add_argument("--json", type=Path, help="add what was measured to this file, show all")
    parser.add_argument("--overhead", type=int, metavar="N", help="only hand out N empty tasks")
    for hidden in ("--folder", "--out"):
        parser.add_argument(hidden, type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--step", choices=("make", "scan", "work"), help=argparse.SUPPRESS)
    a = parser.parse_args()
    if a.overhead:
        print(json.dumps(overhead(a.overhead, a.where, a.workers)))
        return
    if a.step:
        print(json.dumps(_step(a)))
        return
    every = json.loads(a.json.read_text()) if a.json and a.json.exists() else []
    with tempfile.TemporaryDirectory() as own:
        for form in a.form:
            for samples in [0.0] if a.vehicles else a.samples:
                every.append(one_size(samples, form, a.scratch or Path(own), a))
                if a.json:
                    a.json.write_text(json.dumps(every, indent=1) + "\n")
    print(tables_of(every))


if __name__ == "__main__":
    main()
