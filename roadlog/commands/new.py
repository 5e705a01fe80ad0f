"""`roadlog new`: a study folder to start from, by flags or by a few questions."""

import argparse
import shlex
import sys
from pathlib import Path

from roadlog.errors import InputError
from roadlog.quantities.fuelnames import FUEL_NAMES


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "new",
        help="start a study: a folder with a commented study.toml",
        description=(
            "Make a study folder with a study.toml that explains itself. At a terminal, what no "
            "option tells is asked; elsewhere, defaults are used."
        ),
        epilog=(
            "examples:\n"
            "  roadlog new my_test\n"
            '  roadlog new my_test --device "intake collar" --claim-economy 12 --days 12\n'
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("folder", type=Path, metavar="DIR", help="folder to make")
    p.add_argument("--name", help="name of the study")
    p.add_argument("--units", help="of pages and questions: metric, us or imperial")
    p.add_argument("--device", metavar="NAME", help="name of the add-on")
    p.add_argument("--acts-on", metavar="WHERE", help="intake, fuel, electrical …")
    p.add_argument("--carry-over", metavar="HOW", help='none, "washes out" or permanent')
    p.add_argument("--washout-km", metavar="KM", help="distance over which it washes out")
    claim = p.add_mutually_exclusive_group()
    claim.add_argument("--claim-economy", metavar="PCT", help="claimed gain in distance per fuel")
    claim.add_argument("--claim-fuel", metavar="PCT", help="claimed saving of fuel per distance")
    p.add_argument("--fuel", help=" ".join(FUEL_NAMES))
    p.add_argument("--displacement", metavar="L", help="engine displacement, litres")
    p.add_argument("--mass", metavar="KG", help="mass of the car as driven")
    p.add_argument("--days", metavar="N", help="driving days available")
    p.add_argument("--runs-per-day", metavar="N", help="drives a day")
    p.add_argument("--km-per-run", metavar="KM", help="length of a drive")
    p.add_argument("--road", help="motorway, mixed or town")
    p.add_argument("--switched-by-other", choices=("yes", "no"), help="so the driver stays blind")
    p.set_defaults(run=_new)


def _new(a: argparse.Namespace) -> int:
    from roadlog.plan.questions import QUESTIONS, ask, study_text
    from roadlog.study.durable import atomic_write, make_folder
    from roadlog.study.lock import one_writer

    path: Path = a.folder / "study.toml"
    if path.exists():
        raise InputError(f"{path} is there already: edit it, or name another folder")
    if a.folder.exists() and not a.folder.is_dir():
        raise InputError(f"{a.folder} is a file: name a folder")
    given = {q.name: v for q in QUESTIONS if (v := getattr(a, q.name)) is not None}
    if "claim_economy" in given:
        given["claim_fuel"] = ""
    elif "claim_fuel" in given:
        given["claim_economy"] = ""
    at_terminal = sys.stdin.isatty() and sys.stdout.isatty()
    kept: dict[str, str] = {}
    try:
        text = study_text(ask(given, input if at_terminal else None, kept=kept))
    except (EOFError, KeyboardInterrupt):
        print()
        raise InputError(
            f"the answers ended early and nothing was written: go on with  {_again(a.folder, kept)}"
        ) from None
    make_folder(a.folder)
    try:
        with one_writer(a.folder, "roadlog new"):
            if path.exists():  # it came while the questions were answered
                raise InputError(f"{path} is there meanwhile: name another folder")
            atomic_write(path, lambda p: p.write_text(text, encoding="utf-8"))
            (a.folder / "logs").mkdir(exist_ok=True)
    except InputError as e:
        raise InputError(f"{e}; nothing was written: go on with  {_again(a.folder, kept)}") from e
    print(f"Written: {path} (read it through: its remarks explain every line)")
    print(f"Next: roadlog plan {a.folder} --dry-run")
    return 0


def _again(folder: Path, answers: dict[str, str]) -> str:
    """The command that goes on with the answers given so far."""
    flags = [
        f"--{name.replace('_', '-')}={shlex.quote(answer)}"
        for name, answer in answers.items()
        if answer
    ]
    return " ".join(["roadlog new", shlex.quote(str(folder)), *flags])
