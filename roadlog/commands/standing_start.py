"""`roadlog standing-start`: is the car quicker off the line with the add-on fitted?"""

import argparse
from pathlib import Path

from roadlog.commands.sources import add_sources, chosen, given, held, require_one_source, say_saved


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "standing-start",
        help="time full-throttle starts with the add-on in and out",
        description=(
            "Find full-throttle starts in logs, time them from 10 km/h to a target speed and "
            "compare the arms. For a closed course only, never a public road. Give a STUDY folder "
            "or two piles of logs."
        ),
        epilog=(
            "examples:\n"
            "  roadlog standing-start my_study --target 100 --claim-power 10\n"
            "  roadlog standing-start --baseline out1.csv out2.csv --fitted in1.csv in2.csv\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add_sources(p)
    p.add_argument("--target", type=float, metavar="KMH", help="speed to reach, km/h (100)")
    claim = p.add_mutually_exclusive_group()
    claim.add_argument("--claim-quicker", type=float, metavar="PCT", help="claimed: %% less time")
    claim.add_argument("--claim-seconds", type=float, metavar="S", help="claimed: seconds less")
    claim.add_argument("--claim-power", type=float, metavar="PCT", help="claimed: %% more power")
    p.add_argument(
        "--switched-by",
        choices=("day", "run", "stretch"),
        help="what was assigned to an arm independently (a run is one log)",
    )
    p.add_argument(
        "--randomised", action="store_true", default=None, help="chance decided the order of arms"
    )
    p.add_argument(
        "--alternating",
        action="store_true",
        help="without positions: every second start of a log was driven the other way",
    )
    p.add_argument(
        "--starts", type=Path, metavar="CSV",
        help="without pedal or throttle: the starts that count, columns file and at_s",
    )  # fmt: skip
    p.add_argument(
        "--only-starts",
        action="store_true",
        help="without pedal or throttle: the logs hold nothing but full-throttle starts",
    )
    p.add_argument("--grade", type=float, metavar="PCT", help="grade of the first direction, %%")
    p.add_argument("--mass", type=float, metavar="KG", help="test mass of the car, kg")
    p.add_argument("--turbo", action="store_true", help="not naturally aspirated: no power factor")
    p.add_argument("--each", action="store_true", help="list every start")
    p.set_defaults(run=held(_run, "roadlog standing-start"))


def _run(a: argparse.Namespace) -> int:
    require_one_source(a)
    from roadlog.analysis.trial_standing_start import Given, start_sources, time_starts
    from roadlog.trials.result import screen

    done = time_starts(given(Given, a), *chosen(a, start_sources))
    print("\n".join(screen(done.result, synthetic=done.synthetic)))
    if a.each:
        print("\n" + "\n".join(_each(done.result.details["starts"])))
    say_saved(done.saved)
    return 0 if done.result.low is not None else 1


def _each(rows: object) -> list[str]:
    from roadlog.wording.screen import grid

    assert isinstance(rows, list)
    headings = ("log", "arm", "way", "at s", "s", "±", "at std air", "kW")
    return grid(
        headings,
        [
            (
                str(r["file"]), str(r["arm"]), str(r["direction"]), f"{r['at_s']:.1f}",
                f"{r['time_s']:.2f}", f"{r['u_time_s']:.2f}", f"{r['std_time_s']:.2f}",
                f"{r['power_kw']:.1f}",
            )
            for r in rows
        ],
    )  # fmt: skip
