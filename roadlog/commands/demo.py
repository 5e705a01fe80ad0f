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
        epilog=(
            "examples:\n  roadlog demo my_demo --days 12 --trials\n  roadlog analyze my_demo\n"
            "  roadlog demo my_fleet --fleet 20 --days 12\n"
            "  roadlog demo two_cars --control --order once\n"
            "  roadlog demo other_car --gearbox automatic --meter pressure --accessory loose"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("folder", type=Path, metavar="DIR", help="folder to make")
    p.add_argument("--days", type=int, default=20, help="working days, two drives each (20)")
    p.add_argument("--effect", type=float, default=0.6, help="true change of fuel use, %% (0.6)")
    p.add_argument("--claim-economy", type=float, default=12.0, help="the claim, %% (12)")
    p.add_argument("--seed", type=int, default=20260302, help="random seed (20260302)")
    p.add_argument("--no-positions", action="store_true", help="leave out the GPS columns")
    p.add_argument(
        "--accessory", choices=("off", "loose"), default="off",
        help="air conditioning: off, or loose: on for 0 to 60 %% of the time, by chance each day "
        "(off)",
    )  # fmt: skip
    p.add_argument(
        "--gearbox", choices=("manual", "automatic"), default="manual",
        help="manual, or automatic with a torque converter (manual)",
    )  # fmt: skip
    p.add_argument(
        "--meter", choices=("air", "pressure"), default="air",
        help="what the car meters: air (MAF), or manifold pressure (speed-density) (air)",
    )  # fmt: skip
    p.add_argument(
        "--control", action="store_true",
        help="add a control car: a second car without the add-on on the same drives",
    )  # fmt: skip
    p.add_argument(
        "--order", choices=("drawn", "once", "there-and-back"), default="drawn",
        help="order of arms: drawn by chance, once (without, then with), or there-and-back "
        "(without, with, without again) (drawn)",
    )  # fmt: skip
    p.add_argument(
        "--trials", action="store_true",
        help="add standing starts, run-outs, pictures and a price, for the other commands",
    )  # fmt: skip
    fleet = p.add_argument_group("a fleet, made vehicle by vehicle; what is there isn't made again")
    fleet.add_argument("--fleet", type=int, metavar="N", help="so many vehicles instead of one car")
    fleet.add_argument("--spread", type=float, default=1.0, help="standard deviation of the true "
                       "effects between vehicles, %% (1)")  # fmt: skip
    fleet.add_argument("--rollout", action="store_true", help="each vehicle gets the add-on once, "
                       "at its own time")  # fmt: skip
    fleet.add_argument("--form", choices=("parquet", "csv"), default="parquet",
                       help="of the vehicles' logs (parquet)")  # fmt: skip
    p.set_defaults(run=_demo)


def _demo(a: argparse.Namespace) -> int:
    if a.fleet is not None:
        return _fleet(a)
    from roadlog.demo import make_study
    from roadlog.errors import InputError

    if a.rollout or (a.spread, a.form) != (1.0, "parquet"):
        raise InputError("--spread, --rollout and --form are a fleet's: add --fleet N")
    make_study(
        a.folder,
        seed=a.seed,
        effect_pct=a.effect,
        days=a.days,
        positions=not a.no_positions,
        claim_economy_pct=a.claim_economy,
        accessory=a.accessory,
        gearbox=a.gearbox,
        meter=a.meter,
        trials=a.trials,
        control=a.control,
        order=a.order,
    )
    print("\n".join(_next_trials(a) if a.trials else _next(a)))
    return 0


def _fleet(a: argparse.Namespace) -> int:
    from roadlog.demo.fleet import make_fleet
    from roadlog.errors import InputError

    usual = ("drawn", "off", "manual", "air")
    chosen = (a.order, a.accessory, a.gearbox, a.meter)
    if a.control or a.trials or a.no_positions or chosen != usual:
        raise InputError(
            "--fleet goes with --days, --effect, --spread, --rollout, --claim-economy, --seed and "
            "--form: leave the other options out"
        )
    make_fleet(
        a.folder, vehicles=a.fleet, days=a.days, seed=a.seed, effect_pct=a.effect,
        spread_pct=a.spread, rollout=a.rollout, claim_economy_pct=a.claim_economy, form=a.form,
    )  # fmt: skip
    print(
        f"A synthetic fleet of {a.fleet} vehicles is in {a.folder}. Next: roadlog fleet {a.folder}"
    )
    return 0


def _next(a: argparse.Namespace) -> list[str]:
    return [
        f"A synthetic study of {a.days} days is in {a.folder}. Next: roadlog analyze {a.folder}"
    ]


def _next_trials(a: argparse.Namespace) -> list[str]:
    from roadlog.demo.trials import cell_command, commands

    return [
        f"A synthetic study of {a.days} days is in {a.folder}, with trials of the rest of the "
        "claim.",
        "Next, in this order; the report then has a row for each part of the claim:",
        *(f"  {line}" for line in commands(str(a.folder))),
        "The collar draws no current. To try an energy ceiling, of another invented add-on:",
        f"  {cell_command(str(a.folder))}",
        f"What is true of all this: {a.folder / 'truth.json'}",
    ]
