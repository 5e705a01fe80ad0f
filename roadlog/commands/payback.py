"""`roadlog payback`: years until the add-on has paid for itself, or never."""

import argparse
from pathlib import Path

from roadlog.commands.sources import given, held, say_saved


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "payback",
        help="years until the add-on has paid for itself, with the road test's interval",
        description=(
            "From the price, the yearly distance and the fuel price, the years until the add-on "
            "has paid for itself at the measured effect and at both ends of its interval. 'Never' "
            "is a result. Run 'roadlog analyze STUDY' first."
        ),
        epilog=(
            "example:\n"
            "  roadlog payback my_study --price 89 --fuel-price 1.75 --km-per-year 14000\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", type=Path, metavar="STUDY", help="folder with study.toml")
    p.add_argument("--price", type=float, metavar="MONEY", help="of the add-on, fitted")
    p.add_argument(
        "--fuel-price", type=float, metavar="MONEY", help="a litre (the latest fill's, if known)"
    )
    p.add_argument("--km-per-year", type=float, metavar="KM", help="driven in a year")
    p.add_argument("--currency", metavar="TEXT", help="shown beside amounts")
    p.add_argument("--claim-years", type=float, metavar="YEARS", help="claimed payback time")
    p.add_argument(
        "--draw-not-in-test", type=float, metavar="W",
        help="power that the add-on took from elsewhere during the road test, W",
    )  # fmt: skip
    p.add_argument("--results", type=Path, metavar="JSON", help="(STUDY/results/results.json)")
    p.set_defaults(run=held(_run, "roadlog payback"))


def _run(a: argparse.Namespace) -> int:
    from roadlog.analysis.trial_payback import Given, reckon_payback
    from roadlog.trials.result import screen

    done = reckon_payback(given(Given, a))
    print("\n".join(screen(done.result, synthetic=done.synthetic)))
    say_saved(done.saved)
    return 0
