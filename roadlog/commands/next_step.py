"""`roadlog next`: what is done, what is missing, what to do today, the next command to copy.

No effect is computed or shown.
"""

import argparse
import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.commands.sources import opened
from roadlog.errors import InputError

if TYPE_CHECKING:
    from roadlog.plan.today import Advice


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "next",
        help="what is done, what is missing, what to do today, the next command",
        description=(
            "Say in a few lines what a STUDY has, what it lacks and what to do today, with the "
            "next command to copy. Computes no effect; where the driver isn't to know the arm, "
            "no arm is told."
        ),
        epilog=(
            "examples:\n  roadlog next my_test\n"
            "  roadlog next my_test --date 2026-03-03    # the evening before\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", type=Path, metavar="STUDY", help="folder with study.toml")
    p.add_argument("--date", type=a_date, metavar="DATE", help="another day than today")
    p.set_defaults(run=_next)


def a_date(text: str) -> dt.date:
    """An option's date; a fault is told as argparse tells them."""
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no date: write YYYY-MM-DD") from None


def _next(a: argparse.Namespace) -> int:
    from roadlog.analysis.standing import gather
    from roadlog.plan.today import advice_lines, advise

    there = _nothing_there(a.study)
    if there is not None:
        print("\n".join(advice_lines(there)))
        return 0
    opened(a.study)
    standing = gather(a.study, a.date)
    print("\n".join(advice_lines(advise(standing))))
    return 2 if standing.faults else 0


def _nothing_there(folder: Path) -> "Advice | None":
    from roadlog.plan.today import nothing_there

    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder} is a file: name the study's folder")
    if (folder / "study.toml").exists():
        return None
    logs = (folder / "logs").is_dir() and any((folder / "logs").iterdir())
    return nothing_there(str(folder), exists=folder.exists(), logs=logs)
