"""CPU and wall seconds of one command, its second process apart, and of the import floor.

`python -m tests.benchmarks.command analyze STUDY` runs the command in this process and prints what
it took. What the first process takes is what a machine with a free second core waits for.
"""

import resource
import subprocess
import sys
import time
from collections.abc import Sequence

from roadlog.cli import main

FLOOR = "import pandas, scipy.stats"


def measure(arguments: Sequence[str]) -> str:
    """Run the command; what it took, in one line."""
    began = time.time()
    main(list(arguments))
    wall, first, second = time.time() - began, _used(resource.RUSAGE_SELF), _children()
    subprocess.run([sys.executable, "-c", FLOOR], check=True)
    floor = _children() - second
    return (
        f"first process {first:.2f} s CPU, second {second:.2f}, wall {wall:.2f} s; floor "
        f"{floor:.2f} s CPU: {first / floor:.2f} times"
    )


def _used(of: int) -> float:
    told = resource.getrusage(of)
    return told.ru_utime + told.ru_stime


def _children() -> float:
    return _used(resource.RUSAGE_CHILDREN)


if __name__ == "__main__":
    print(measure(sys.argv[1:]), file=sys.stderr)
