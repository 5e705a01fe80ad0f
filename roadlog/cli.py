"""The command line: arguments in, files and a short text out, errors to exit codes in one place.

Exit codes: 0 ok; 1 the data can't answer, with why; 2 wrong use or a file that can't be read.
Heavy libraries are imported by the command that needs them.
"""

import argparse
import atexit
import gc
import os
import sys
from collections.abc import Sequence
from contextvars import copy_context

from roadlog import __version__
from roadlog.commands import COMMANDS
from roadlog.errors import RoadlogError

CAUTION = (
    "Never operate a logger or read a screen while driving. Fit and remove the add-on with the "
    "engine off and cool. Check local emissions law before fitting anything to a car on the road."
)

GARBAGE_AFTER = 20_000  # new objects, 700 by default: a tenth of an analysis went into looking


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; return its exit code."""
    # A study's matrices are small: a second BLAS thread only waits, ten times longer than it works.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Imports and tables make many objects and few that are thrown away in circles.
    gc.set_threshold(GARBAGE_AFTER, 10, 10)
    atexit.register(gc.freeze)  # at the end all goes anyway: without looking through it first
    parser = _parser()
    arguments = parser.parse_args(argv)
    if not hasattr(arguments, "run"):
        parser.print_help()
        return 2
    try:
        # in a context of its own: the units that a command prints in end with it
        return int(copy_context().run(arguments.run, arguments))
    except RoadlogError as e:
        print(f"roadlog: {e}{_without_a_study(arguments, str(e))}", file=sys.stderr)
        return e.exit_code
    except BrokenPipeError:
        return 0
    except OSError as e:
        where = f"{e.filename}: " if e.filename else ""
        print(f"roadlog: {where}{e.strerror or e}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("roadlog: stopped; no result was written", file=sys.stderr)
        return 1


def _without_a_study(arguments: argparse.Namespace, message: str) -> str:
    """What stands for `[columns]` where two piles of logs have no study file."""
    piles = getattr(arguments, "baseline", None) and getattr(arguments, "study", None) is None
    if not piles or "[columns]" not in message or "--column" in message:
        return ""
    return " (without a study file: --column 'HEADER=signal[unit]')"


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="roadlog",
        description="Settle a road fuel-economy claim from drive logs with the add-on in and out.",
        epilog=CAUTION,
    )
    parser.add_argument("--version", action="version", version=f"roadlog {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")
    for command in COMMANDS:
        command.add(commands)
    return parser
