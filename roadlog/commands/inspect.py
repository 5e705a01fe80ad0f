"""`roadlog inspect`: before and after photos, scored by people who can't know which is which."""

import argparse
from pathlib import Path

from roadlog.commands.sources import held, say_saved
from roadlog.errors import InputError


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command and its two steps to the parser."""
    p = commands.add_parser(
        "inspect",
        help="score before and after photos blind",
        description=(
            "Two steps. 'prepare' makes nameless copies of photo pairs, sides shuffled, with a "
            "score sheet for each scorer to copy. 'unblind' takes the filled sheets, opens the key "
            "and tests the difference."
        ),
        epilog=(
            "examples:\n"
            "  roadlog inspect prepare photos/pairs.csv --out blind\n"
            "  roadlog inspect unblind blind --scores anna.csv ben.csv \\\n"
            "      --meaning 'more deposit' --claim 'cleans the valves' --study my_study\n"
            "pairs.csv has the columns pair, before, after.\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    steps = p.add_subparsers(title="steps", metavar="STEP", required=True)
    make = steps.add_parser("prepare", help="make nameless, shuffled copies and a score sheet")
    make.add_argument("pairs", type=Path, metavar="CSV", help="columns pair, before, after")
    make.add_argument("--out", type=Path, required=True, metavar="DIR", help="new folder")
    make.add_argument("--seed", type=int, help="of the shuffling (default: from the clock)")
    make.set_defaults(run=_prepare)
    tell = steps.add_parser("unblind", help="open the key and test the scores")
    tell.add_argument("folder", type=Path, metavar="DIR", help="what 'prepare' made")
    tell.add_argument(
        "--scores", nargs="+", type=Path, required=True, metavar="CSV", help="a sheet a scorer"
    )
    tell.add_argument(
        "--meaning", default="more of it", metavar="TEXT", help="what a higher score means"
    )
    tell.add_argument("--claim", default="", metavar="TEXT", help="the seller's words")
    tell.add_argument(
        "--claim-direction", choices=("lower", "higher"), default="lower",
        help="whether the claim asks for lower or higher scores after (lower)",
    )  # fmt: skip
    tell.add_argument("--study", type=Path, metavar="STUDY", help="save the result there")
    tell.set_defaults(run=held(_unblind, "roadlog inspect"))


def _prepare(a: argparse.Namespace) -> int:
    import secrets

    from roadlog.trials.inspection import PHOTOS, SEALED, SHEET, prepare_photos

    seed = secrets.randbelow(2**31) if a.seed is None else a.seed
    if seed < 0:
        raise InputError(f"--seed {seed} is below zero: give a whole number from 0")
    count = prepare_photos(a.pairs, a.out, seed=seed)
    print(f"{count} pairs are ready in {a.out / PHOTOS}, with {SHEET} for each scorer to copy.")
    print(f"Give scorers that folder only. {a.out / SEALED} holds the key: open it last.")
    print("Look through the copies first: a date or a note in the picture itself gives it away.")
    print("Scores are numbers on any scale that all share, as 0 to 10; x where one can't say.")
    print(f"Then: roadlog inspect unblind {a.out} --scores anna.csv ben.csv --meaning TEXT")
    return 0


def _unblind(a: argparse.Namespace) -> int:
    import datetime as dt

    from roadlog.study.folder import load_study
    from roadlog.trials.inspection import unblind_scores
    from roadlog.trials.result import save, screen

    synthetic = a.study is not None and load_study(a.study).synthetic
    result = unblind_scores(
        a.folder,
        a.scores,
        meaning=a.meaning,
        claim=a.claim,
        wanted=-1 if a.claim_direction == "lower" else 1,
        now=dt.datetime.now(dt.UTC),
    )
    saved = None if a.study is None else save(result, a.study)
    print("\n".join(screen(result, synthetic=synthetic)))
    say_saved(saved)
    return 0
