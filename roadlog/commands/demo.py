"""`roadlog demo`: write a synthetic study whose true effect is known."""

import argparse
from pathlib import Path


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "demo",
        help="write a synthetic study to try the commands on",
        description=(
            "Write a synthetic study of an invented add-on whose true effect is known, to try "
            "every command without a car."
        ),
        epilog="example:\n  roadlog demo my_demo --days 12\n  roadlog analyze my_demo",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("folder", type=Path, metavar="DIR", help="folder to make")
    p.add_argument("--days", type=int, default=20, help="working days, two drives each (20)")
    p.add_argument("--effect", type=float, default=0.6, help="true change of fuel use, %% (0.6)")
    p.add_argument("--claim-economy", type=float, default=12.0, help="the claim, %% (12)")
    p.add_argument("--seed", type=int, default=20260302, help="random seed (20260302)")
    p.add_argument("--no-positions", action="store_true", help="leave out the GPS columns")
    p.set_defaults(run=_demo)


def _demo(a: argparse.Namespace) -> int:
    from roadlog.demo import make_study

    make_study(
        a.folder,
        seed=a.seed,
        effect_pct=a.effect,
        days=a.days,
        positions=not a.no_positions,
        claim_economy_pct=a.claim_economy,
    )
    print(f"A synthetic study of {a.days} days is in {a.folder}. Next: roadlog analyze {a.folder}")
    return 0
