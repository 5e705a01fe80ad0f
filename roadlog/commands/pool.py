"""`roadlog pool`: what many testers' archives tell of one add-on together."""

import argparse
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.errors import InputError

if TYPE_CHECKING:
    from roadlog.wording.answer import Claimed


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "pool",
        help="what many testers' archives tell of one add-on together",
        description=(
            "Recheck archives of roadlog publish, combine those that hold, and write a page that "
            "says what is known of the add-on so far. An archive that doesn't give its numbers "
            "again, comes twice, isn't over or has no range isn't pooled, and is listed with why."
        ),
        epilog=(
            "examples:\n"
            "  roadlog pool anna.zip ben.zip carla.zip --out known/\n"
            "  roadlog pool archives/*.zip --device 'Bramble collar' --claim-economy 12\n"
            "  roadlog pool *.zip --fingerprint 3f1c... --fingerprint 77a0...\n"
            "exit code: 0 pooled, 1 too few can be pooled, 2 several add-ons or claims"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("archives", type=Path, nargs="+", metavar="ARCHIVE", help="archive.zip")
    p.add_argument(
        "--out", type=Path, default=Path("known"), metavar="DIR",
        help="where to write what-is-known.html, pool.json and studies.csv (known/)",
    )  # fmt: skip
    p.add_argument(
        "--device", metavar="NAME", help="all are of this add-on, whatever each calls it"
    )
    claim = p.add_mutually_exclusive_group()
    claim.add_argument(
        "--claim-economy", type=float, metavar="PCT",
        help="claimed gain in distance per fuel, %%, where the studies test several claims",
    )  # fmt: skip
    claim.add_argument(
        "--claim-fuel", type=float, metavar="PCT", help="claimed saving of fuel, likewise, %%"
    )
    p.add_argument(
        "--fingerprint", action="append", default=[], metavar="HEX",
        help="of a plan that was shown in public before its test; those without a result are named",
    )  # fmt: skip
    p.add_argument(
        "--root", action="append", default=[], metavar="HEX",
        help="SHA-256 of a time-stamp authority's root that you trust",
    )  # fmt: skip
    p.set_defaults(run=_run)


def _run(a: argparse.Namespace) -> int:
    from roadlog.errors import DesignError
    from roadlog.publish.pool.told import not_pooled, screen
    from roadlog.publish.pool.write import PAGE, pool_archives, require_place, write_known

    def told(step: str) -> None:
        if sys.stderr.isatty():
            print(f"{step} …", file=sys.stderr)

    require_place(a.out)
    try:
        found = pool_archives(
            a.archives,
            device=a.device,
            claim=_claim(a),
            roots=[_hash("root", h) for h in a.root],
            plans=[_hash("fingerprint", h) for h in a.fingerprint],
            told=told,
            refused=lambda out: print("\n".join(not_pooled(out))),
        )
    except DesignError as e:
        page = a.out / PAGE
        if not page.is_file():
            raise
        raise DesignError(f"{e}; {page} is an earlier pool's, and says nothing of these") from e
    written = write_known(found, a.out)
    print("\n".join(screen(found)))
    print(f"\nWritten: {', '.join(map(str, written))}")
    return 0


def _claim(a: argparse.Namespace) -> "Claimed | None":
    from roadlog.analysis.answered import claimed
    from roadlog.study.settings import Study, override

    given = {"economy_pct": a.claim_economy, "fuel_pct": a.claim_fuel}
    named = {k: v for k, v in given.items() if v is not None}
    claim = override(Study(), vehicle={}, device={}, claim=named or None).claim
    return None if claim is None else claimed(claim)


def _hash(option: str, given: str) -> str:
    plain = re.sub(r"[\s:]", "", given).lower()
    if not re.fullmatch(r"[0-9a-f]{64}", plain):
        raise InputError(f"--{option} '{given}': a SHA-256 has 64 digits from 0 to f")
    return plain
