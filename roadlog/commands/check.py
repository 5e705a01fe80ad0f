"""`roadlog check`: what every run's log is worth, before any analysis."""

import argparse
import shutil
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.commands.sources import add_sources, chosen, require_one_source, results_folder

if TYPE_CHECKING:
    from collections.abc import Callable

    from roadlog.check import StudyCheck


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
    p.set_defaults(run=_check)


def _check(a: argparse.Namespace) -> int:
    require_one_source(a)
    from functools import partial

    from roadlog.check import check_study
    from roadlog.report.check_page import check_page
    from roadlog.study.durable import atomic_write

    study, sources = chosen(a)
    out = results_folder(a)
    check = check_study(study, sources, progress=_progress(sys.stderr.isatty()))
    page = check_page(check)
    atomic_write(out / "check.html", partial(Path.write_text, data=page, encoding="utf-8"))
    print("\n".join(_lines(check, shutil.get_terminal_size((100, 24)).columns)))
    print(f"\nEvery drive along its road: {out / 'check.html'}")
    return 0 if any(r.usable for r in check.runs) else 1


def _progress(shown: bool) -> "Callable[[str], None]":
    def tell(name: str) -> None:
        if shown:
            print(f"\r\033[Kreading {name}", end="", file=sys.stderr)

    return tell


def _lines(check: "StudyCheck", width: int) -> list[str]:
    from roadlog.ingest.datum import datum_counts
    from roadlog.report.check_page import start_text
    from roadlog.wording.numbers import number

    wide = min(max((len(r.file) for r in check.runs), default=4), 40)
    heads = f"{'run':<{wide}}  {'start':<16}  {'arm':<8}  {'min':>4}  {'km':>5}  {'1/s':>4}  known"
    lines = ["SYNTHETIC DATA", ""] if check.study.synthetic else []
    lines.append(heads + "  verdict")
    for r in check.runs:
        file = r.file if len(r.file) <= wide else "…" + r.file[1 - wide :]
        rate = number(r.rate_of("speed_kmh"), 1) if r.signals else ""
        known = f"{100 * r.known:.0f} %" if r.signals else ""
        minutes, km = (number(r.minutes, 0), number(r.km, 1)) if r.signals else ("", "")
        row = (
            f"{file:<{wide}}  {start_text(r):<16}  {r.arm or '?':<8}  {minutes:>4}  {km:>5}  "
            f"{rate:>4}  {known:>5}"
        )
        if r.verdict == "usable":
            lines.append(f"{row}  usable")
        else:
            lines.append(row)
            indent = "    "
            lines += textwrap.wrap(
                r.verdict, max(60, width), initial_indent=indent, subsequent_indent=indent
            )
    usable = sum(r.usable for r in check.runs)
    lines += ["", f"{usable} of {len(check.runs)} runs can be used."]
    if check.estimator:
        lines.append(f"Fuel estimate that all usable runs allow: {check.estimator}.")
    if above := datum_counts([r.altitude_datum for r in check.runs]):
        lines.append(f"Altitudes: {above}.")
    lines += [f"Warning: {w}." for w in check.warnings]
    return lines
