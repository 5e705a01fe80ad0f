"""`roadlog recheck`: a published archive computed anew, and what is the same."""

import argparse
import sys
import tempfile
from pathlib import Path

from roadlog.errors import InputError


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "recheck",
        help="compute a published archive anew and compare every number",
        description=(
            "Unpack an archive of roadlog publish in a temporary folder, hold every file against "
            "its manifest, analyse its study anew as of the day of publication, and say number by "
            "number what is the same. The archive isn't trusted, and not changed."
        ),
        epilog=(
            "examples:\n"
            "  roadlog recheck archive.zip\n"
            "  roadlog recheck archive.zip --all --out again/\n"
            "  roadlog recheck archive.zip --fingerprint 3f1c... --sha256 9b02...\n"
            "exit code: 0 all the same, 1 something differs, 2 the archive can't be read"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("archive", type=Path, metavar="ARCHIVE", help="archive.zip")
    p.add_argument("--all", action="store_true", help="print every value, not only what differs")
    p.add_argument(
        "--out", type=Path, metavar="DIR",
        help="also write what was computed: results, report, map, and recheck.csv with every value",
    )  # fmt: skip
    p.add_argument(
        "--fingerprint", metavar="HEX",
        help="of the registered plan, as it was shown in public: is it this archive's?",
    )  # fmt: skip
    p.add_argument(
        "--sha256", metavar="HEX",
        help="of the archive, as it was shown in public: is it this one?",
    )  # fmt: skip
    p.set_defaults(run=_run)


def _run(a: argparse.Namespace) -> int:
    from roadlog.publish.recheck import recheck
    from roadlog.publish.told import screen, table
    from roadlog.publish.unpack import open_archive
    from roadlog.report import write_results

    if a.out is not None and a.out.exists() and not a.out.is_dir():
        raise InputError(f"--out {a.out} is a file: name a folder")
    with tempfile.TemporaryDirectory(prefix="roadlog-recheck-") as folder:
        done = recheck(
            open_archive(a.archive, Path(folder)),
            fingerprint=a.fingerprint,
            sha256=a.sha256,
            progress=sys.stderr.isatty(),
        )
        if a.out is not None:
            if done.analysed is not None:
                write_results(done.analysed, a.out)
            a.out.mkdir(parents=True, exist_ok=True)
            (a.out / "recheck.csv").write_text(table(done), encoding="utf-8")
    print("\n".join(screen(done, everything=a.all)))
    return 0 if done.same else 1
