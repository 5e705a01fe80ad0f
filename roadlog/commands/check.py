"""`roadlog check`: what every run's log is worth, before any analysis."""

import argparse
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.commands.sources import add_sources, chosen, held, require_one_source, results_folder

if TYPE_CHECKING:
    from collections.abc import Callable


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "check",
        help="what every run's log is worth: rates, gaps, sensors, clocks, positions",
        description=(
            "Check every run of a STUDY, or of two piles of logs, and say of each whether it is "
            "usable. Computes no effect, so it may be looked at during the study."
        ),
        epilog=(
            "examples:\n  roadlog check my_test\n  roadlog check --baseline out/ --fitted in/\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add_sources(p)
    p.add_argument("--out", type=Path, metavar="DIR", help="where check.html goes (results/)")
    p.set_defaults(run=held(_check, "roadlog check"))


def _check(a: argparse.Namespace) -> int:
    require_one_source(a)
    from functools import partial

    from roadlog.check import check_study
    from roadlog.check.told import keep_verdicts
    from roadlog.report.check_page import check_page
    from roadlog.study.durable import atomic_write

    study, sources = chosen(a)
    out = results_folder(a)
    check = check_study(study, sources, progress=_progress(sys.stderr.isatty()))
    page = check_page(check)
    atomic_write(out / "check.html", partial(Path.write_text, data=page, encoding="utf-8"))
    print("\n".join(check.lines(shutil.get_terminal_size((100, 24)).columns)))
    if a.study is not None:
        keep_verdicts(check, sources)
    print(f"\nEvery drive along its road: {out / 'check.html'}")
    return 0 if any(r.usable for r in check.runs) else 1


def _progress(shown: bool) -> "Callable[[str], None]":
    def tell(name: str) -> None:
        if shown:
            print(f"\r\033[Kreading {name}", end="", file=sys.stderr)

    return tell
