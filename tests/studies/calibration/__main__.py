"""Command line of the calibration study: cells in parallel, then the tables and the plot."""

import argparse
import os
import sys
from collections.abc import Sequence
from fnmatch import fnmatch
from pathlib import Path


def main(argv: Sequence[str] | None = None) -> int:
    """Run the cells that match, or write the report from what is there."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.studies.calibration",
        description="Simulate studies with a known effect and count how often the printed "
        "interval holds it. A rerun does only the cells that are missing.",
    )
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="where records go")
    parser.add_argument("--replicates", type=int, default=10_000, metavar="N", help="per cell")
    parser.add_argument("--cells", default="*", metavar="PATTERN", help="names, such as 'A/4-*'")
    parser.add_argument("--jobs", type=int, default=2, metavar="N", help="processes (2)")
    parser.add_argument("--list", action="store_true", help="name the cells and stop")
    parser.add_argument(
        "--report", action="store_true", help="write the tables and the plot of the cells in DIR"
    )
    parser.add_argument("--results", type=Path, metavar="DIR", help="where the report goes")
    a = parser.parse_args(argv)
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # read by the worker processes when they start
    from tests.studies.calibration.cells import all_cells

    cells = [c for c in all_cells() if fnmatch(c.name, a.cells)]
    if not cells:
        print(f"no cell is called {a.cells}: see --list", file=sys.stderr)
        return 2
    if a.list:
        print("\n".join(c.name for c in cells))
        return 0
    if a.report:
        from tests.studies.calibration.report import RESULTS, write_report

        print(write_report(a.out, a.results or RESULTS))
        return 0
    from tests.studies.calibration.study import run_cells

    done = run_cells(cells, a.out, replicates=a.replicates, jobs=a.jobs, progress=True)
    print(f"{len(done)} cells run, {len(cells) - len(done)} were there already, in {a.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
