"""`roadlog runout`: does a small engine run longer on the same fuel with the add-on?"""

import argparse
from pathlib import Path

from roadlog.commands.sources import given, held, say_saved
from roadlog.quantities.fuelnames import FUEL_NAMES


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "runout",
        help="compare run times of a small engine on a fixed amount of fuel",
        description=(
            "Compare run-out trials of a small engine under load. The table has a row a trial: "
            "arm, fuel_g or volume_ml (with fuel_temp_c), and load_file (time_s, voltage_v, "
            "current_a or power_w) or load_w with run_time_s; block, addon_w and addon_fed_by "
            "(engine or outside) where they apply. Outdoors only: exhaust gas kills."
        ),
        epilog=(
            "examples:\n"
            "  roadlog runout my_study --claim-fuel 10\n"
            "  roadlog runout trials.csv --randomised --fuel E0\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument(
        "table", type=Path, metavar="STUDY_OR_CSV", help="study folder with runout.csv, or a CSV"
    )
    p.add_argument("--claim-fuel", type=float, metavar="PCT", help="claimed: %% less fuel")
    p.add_argument(
        "--claim-run-time", type=float, metavar="PCT", help="claimed: %% longer run time"
    )
    p.add_argument("--fuel", choices=FUEL_NAMES, help="fuel (E10)")
    p.add_argument("--randomised", action="store_true", help="chance decided each trial's arm")
    p.add_argument(
        "--fixed-end-state",
        action="store_true",
        help="line and bowl were as empty at each start as at the end",
    )
    p.set_defaults(run=held(_run, "roadlog runout", "table"))


def _run(a: argparse.Namespace) -> int:
    from roadlog.analysis.trial_runout import Given, reckon_runout
    from roadlog.trials.result import screen

    done = reckon_runout(given(Given, a))
    print("\n".join(screen(done.result, synthetic=done.synthetic)))
    say_saved(done.saved)
    return 0 if done.result.low is not None else 1
