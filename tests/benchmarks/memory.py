"""Peak memory of reading one large log.

`python tests/benchmarks/memory.py FILE` reads the log and prints the frame's size and the peak of
the process; `--write MB` writes the log first (`tests.benchmarks.ingest.write_log`).
"""

import argparse
import resource
from pathlib import Path

from roadlog.ingest import read_log
from tests.benchmarks.ingest import FORMS, write_log


def main() -> None:
    """Write if asked, read, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", type=Path)
    parser.add_argument("--write", type=float, metavar="MB")
    parser.add_argument("--form", choices=FORMS, default="iso")
    a = parser.parse_args()
    if a.write:
        print(f"{write_log(a.file, a.write, a.form)} rows written: run again without --write")
        return
    frame = read_log(a.file).frame
    size = frame.memory_usage(index=False).sum() / 1e6
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6
    print(f"{len(frame)} rows, frame {size:.0f} MB, peak {peak:.0f} MB: {peak / size:.2f} times")


if __name__ == "__main__":
    main()
