"""`roadlog record`: from an OBD-II adapter and a position receiver to the study's logs."""

import argparse
from pathlib import Path

from roadlog.errors import InputError

CAUTION = (
    "Set it up and read it only while parked. The driver never operates it or looks at it while "
    "moving; it needs nobody."
)


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "record",
        help="record drives from an OBD-II adapter and a position receiver",
        description=(
            "Record every drive of a study by itself: a run begins when the engine turns, ends "
            "when the ignition is off, and survives a loss of power. Needs the adapter extra: "
            "pip install 'roadlog[adapter]'."
        ),
        epilog=(
            "examples:\n"
            "  roadlog record my_study --adapter /dev/ttyUSB0 --check\n"
            "  roadlog record my_study --adapter /dev/rfcomm0 --gps gpsd://localhost\n"
            "  roadlog record my_study --adapter socket://ADDRESS:PORT --gps /dev/ttyACM0\n\n"
            + CAUTION
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", type=Path, metavar="STUDY", help="folder with study.toml")
    p.add_argument(
        "--adapter",
        required=True,
        metavar="PORT",
        help="serial, USB or Bluetooth serial device, or socket://HOST:PORT",
    )
    p.add_argument("--baud", type=int, metavar="N", help="speed of a serial adapter (searched)")
    p.add_argument(
        "--gps",
        metavar="PLACE",
        help="device[@BAUD], tcp://HOST:PORT (NMEA 0183) or gpsd://HOST[:PORT]",
    )
    p.add_argument(
        "--arm", choices=("baseline", "fitted"), help="arm of the drives (the schedule's day)"
    )
    p.add_argument(
        "--standing-start", action="store_true", help="poll speed alone, for timed accelerations"
    )
    p.add_argument(
        "--max-hz", type=float, default=10.0, metavar="HZ", help="most requests a second (10)"
    )
    p.add_argument(
        "--check", action="store_true", help="only show what is read and how often, while parked"
    )
    p.add_argument("--once", action="store_true", help="stop after one run")
    p.add_argument("--bell", action="store_true", help="sound the bell with each message")
    vin = p.add_mutually_exclusive_group()
    vin.add_argument(
        "--store-vin", action="store_true", help="keep the vehicle's number itself, not its hash"
    )
    vin.add_argument("--no-vin", action="store_true", help="don't ask for the vehicle's number")
    p.set_defaults(run=_record)


def _record(a: argparse.Namespace) -> int:
    from roadlog.recorder import run
    from roadlog.recorder.adapter import require_library
    from roadlog.recorder.gps import receiver_at
    from roadlog.recorder.poller import Settings
    from roadlog.recorder.polling import Purpose
    from roadlog.recorder.session import Setup
    from roadlog.study.folder import load_study

    study = load_study(a.study)
    if not 0 < a.max_hz <= 100:
        raise InputError(f"--max-hz {a.max_hz:g} is out of range: give up to 100 requests a second")
    if study.shut and a.arm is not None:
        raise InputError("--arm: the schedule is sealed, so the arm isn't to be said: leave it out")
    require_library()
    purpose: Purpose = "standing-start" if a.standing_start else "road"
    end = "\a" if a.bell else ""

    def say(text: str) -> None:
        print(text + end, flush=True)

    say(CAUTION)
    return run.record(
        Setup(a.study, study, a.arm, purpose, a.store_vin),
        Settings(purpose, a.max_hz, not a.no_vin),
        port=a.adapter,
        baud=a.baud,
        receiver=receiver_at(a.gps) if a.gps else None,
        say=say,
        once=a.once,
        check=a.check,
    )
