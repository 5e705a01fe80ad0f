"""CPU time of reading text logs, from CSV to samples, with a scan by DuckDB as the floor.

`python -m tests.benchmarks.reading [FILES]` reads each log (those of `sample_logs` if none is
named) with `read_log`, puts it on the time base, and prints samples a second of one core and the
peak of the process. `--against TREE` does the same with the roadlog of another tree first and says
whether frames and samples are equal to the bit.
"""

import argparse
import hashlib
import json
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]


def measure(files: Sequence[Path], rounds: int) -> dict[str, Any]:
    """CPU seconds of reading and of the time base, the least of several rounds."""
    from roadlog.ingest import read_log
    from roadlog.ingest.timebase import resample

    told: dict[str, Any] = {"rows": 0, "samples": 0, "read": 0.0, "time base": 0.0}
    digest = hashlib.sha256()
    read_log(sorted((ROOT / "sample_logs" / "logs").glob("*.csv"))[0])  # what is loaded once
    peak = 0.0
    for file in files:
        took, log = _least(rounds, lambda file=file: read_log(file, alone=False))
        told["read"] += took
        frame = log.frame
        took, samples = _least(rounds, lambda frame=frame: resample(frame))
        told["time base"] += took
        told["rows"] += len(frame)
        told["samples"] += len(samples)
        peak = max(peak, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6)
        digest.update(samples.to_numpy().tobytes())
        digest.update(repr((list(frame.columns), str(log.start), log.notes)).encode())
        del log, frame, samples
    return {**told, "peak MB": peak, "digest": digest.hexdigest()}


def scanned(files: Sequence[Path], rounds: int) -> float:
    """CPU seconds of DuckDB for the count of every column, on one thread."""
    import duckdb

    def scan(file: Path) -> None:
        with duckdb.connect() as db:
            db.execute("SET threads = 1")
            db.execute(f"SELECT count(COLUMNS(*)) FROM '{file}'").fetchall()

    return sum(_least(rounds, lambda file=file: scan(file))[0] for file in files)


def _least(rounds: int, work: Callable[[], Any]) -> tuple[float, Any]:
    least, result = float("inf"), None
    for _ in range(rounds):
        result = None
        began = time.process_time()
        result = work()
        least = min(least, time.process_time() - began)
    return least, result


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("files", type=Path, nargs="*")
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--against", type=Path, metavar="TREE")
    parser.add_argument("--measure", action="store_true", help=argparse.SUPPRESS)
    a = parser.parse_args()
    files = a.files or sorted((ROOT / "sample_logs" / "logs").glob("*.csv"))
    if a.measure:
        print(json.dumps(measure(files, a.rounds)))
        return
    told = {}
    for name, tree in [("before", a.against), ("now", ROOT)]:
        if tree is None:
            continue
        command = [sys.executable, __file__, *map(str, files), "--measure", "--rounds"]
        path = os.pathsep.join((str(tree), str(ROOT)))
        said = subprocess.run(
            [*command, str(a.rounds)], env={**os.environ, "PYTHONPATH": path}, check=True,
            stdout=subprocess.PIPE,
        )  # fmt: skip
        told[name] = one = json.loads(said.stdout)
        both = one["read"] + one["time base"]
        print(
            f"{name:7} {one['rows']:,} rows: read {one['read']:.2f} s, time base "
            f"{one['time base']:.2f} s of a core, {one['rows'] / both / 1000:,.0f} thousand rows a "
            f"second, peak {one['peak MB']:.0f} MB"
        )
    print(f"DuckDB  scan {scanned(files, a.rounds):.2f} s of a core")
    if a.against:
        same = told["before"]["digest"] == told["now"]["digest"]
        print("samples, start and notes:", "equal" if same else "differ")


if __name__ == "__main__":
    main()
