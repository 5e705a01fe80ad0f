"""`roadlog unseal`: after the last drive, the switcher's file tells the arms."""

import argparse
from pathlib import Path

from roadlog.commands.sources import held


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "unseal",
        help="after the last drive: put the arms of a sealed schedule into the study",
        description=(
            "Open the sealed schedule of a STUDY with the FILE that the switcher kept: its hash "
            "has to be the one that was registered, its days those of the study. The arms go into "
            "study.toml, and computed/seal.jsonl says when. From then on no drive is blind."
        ),
        epilog="example:\n  roadlog unseal my_test /media/stick/collar.json\n",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", type=Path, metavar="STUDY", help="folder with study.toml")
    p.add_argument(
        "file",
        type=Path,
        nargs="?",
        metavar="FILE",
        help="the sealed file (default: the encrypted copy in the study)",
    )
    p.add_argument(
        "--early",
        action="store_true",
        help="open it though scheduled days are still to be driven: they won't be blind",
    )
    p.set_defaults(run=held(_unseal, "roadlog unseal"))


def _unseal(a: argparse.Namespace) -> int:
    from roadlog.commands.plan_sealed import ask_passphrase
    from roadlog.plan.seal_log import read_file
    from roadlog.plan.unseal import unseal

    file = None if a.file is None else (read_file(a.file), str(a.file))
    done = unseal(a.study, file, ask_passphrase, early=a.early)
    print("\n".join(done.said))
    if done.changed:
        print(f"The arms are in {a.study / 'study.toml'} now. Next: roadlog analyze {a.study}")
    return 0
