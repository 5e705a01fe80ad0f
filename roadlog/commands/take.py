"""`roadlog take`: copy drive logs into a study, unchanged and read-only."""

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.commands.sources import held, opened

if TYPE_CHECKING:
    from roadlog.ingest import Log


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "take",
        help="copy drive logs into a study, unchanged and read-only",
        description=(
            "Copy logs and position tracks into a STUDY folder: unchanged, read-only, each once, "
            "listed with its SHA-256 in logs/taken.json. Shows first what every column is taken "
            "for, which arm each log belongs to and which drives it holds."
        ),
        epilog=(
            "examples:\n"
            "  roadlog take my_test phone/*.csv --dry-run\n"
            "  roadlog take my_test phone/monday.csv --arm baseline\n"
            "  roadlog take my_test whole_day.csv --split\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", type=Path, metavar="STUDY", help="folder with study.toml")
    p.add_argument("files", nargs="+", type=Path, metavar="FILE", help="logs, or folders of them")
    p.add_argument(
        "--arm",
        choices=("baseline", "fitted"),
        help="the arm of these logs (default: the schedule's, by date)",
    )
    p.add_argument("--split", action="store_true", help="make each drive of a log a run of its own")
    p.add_argument("--dry-run", action="store_true", help="show it, and write nothing")
    p.set_defaults(run=held(_take, "roadlog take"))


def _take(a: argparse.Namespace) -> int:
    from roadlog.errors import InputError
    from roadlog.ingest.clock.localday import zone_warning
    from roadlog.runs.intake import propose, take_in
    from roadlog.runs.proposed import alike, proposal_lines

    study = opened(a.study)
    proposals = propose(a.study, study, a.files, arm=a.arm, split=a.split)
    good = [p for p in proposals if not p.refused and not p.already]
    logs = [p.log for p in good if p.log is not None]
    for group in alike(logs):
        print("\n".join(_column_table(group)) + "\n")
    for p in proposals:
        print("\n".join(proposal_lines(p)))
    if warning := zone_warning([p.log for p in good if p.log and p.kind == "run"], study.time):
        print(f"\nWarning: {warning}.")
    repeats = [p for p in proposals if p.already]
    if not good and len(repeats) == len(proposals):
        raise InputError("every one of these logs is in the study already: nothing was taken")
    refused = len(proposals) - len(good) - len(repeats)
    if a.dry_run:
        print(f"\nA dry run: nothing was written; {len(good)} of {len(proposals)} can be taken.")
        return 2 if refused else 0
    if good:
        take_in(a.study, good)
    print(f"\n{len(good)} of {len(proposals)} taken into {a.study}. Next: roadlog check {a.study}")
    return 2 if refused else 0


def _column_table(logs: Sequence["Log"]) -> list[str]:
    from roadlog.runs.proposed import columns_said

    rows = columns_said(logs)
    heads = ("header", "taken for", "unit", "filled", "")
    widths = [max(len(r[i]) for r in [heads, *rows]) for i in range(4)]
    many = f" and {len(logs) - 1} more" if len(logs) > 1 else ""
    lines = [f"Columns of {logs[0].path.name}{many}:"]
    for row in [heads, *rows]:
        cells = [
            x.rjust(w) if i == 3 else x.ljust(w)
            for i, (x, w) in enumerate(zip(row, widths, strict=False))
        ]
        lines.append(("  " + "  ".join([*cells, row[4]])).rstrip())
    return lines
