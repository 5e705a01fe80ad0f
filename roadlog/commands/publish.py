"""`roadlog publish`: one folder of a study to put before the public."""

import argparse
import sys
from pathlib import Path

from roadlog.commands.sources import held


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "publish",
        help="one folder to put before the public: page, PDF, pictures, archive",
        description=(
            "Make a folder that may be shown: a page, a PDF, pictures for a video, a text to "
            "paste and an archive from which anybody can compute the numbers anew. Starts and ends "
            "of drives, names of files and exact times are left out (docs/privacy.md)."
        ),
        epilog=(
            "examples:\n"
            "  roadlog publish my_test\n"
            "  roadlog publish my_test --out shown --clock shifted --licence CC0-1.0\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", type=Path, metavar="STUDY", help="folder with study.toml")
    p.add_argument(
        "--out", type=Path, metavar="DIR", help="folder to make (default: STUDY/published)"
    )
    p.add_argument(
        "--clock",
        choices=("hours", "shifted"),
        default="hours",
        help="dates with whole hours, or all dates moved by a drawn number of weeks (hours)",
    )
    p.add_argument(
        "--licence", default="CC-BY-4.0", metavar="SPDX", help="of data and pages (CC-BY-4.0)"
    )
    p.add_argument(
        "--author", action="append", default=[], metavar="NAME", help="named only if you say so"
    )
    p.set_defaults(run=held(_publish, "roadlog publish"))


def _publish(a: argparse.Namespace) -> int:
    from roadlog.publish.write import (
        ARCHIVE,
        PDF,
        PICTURES,
        POST,
        difference,
        publish,
        whole_beside,
    )
    from roadlog.wording.screen import paragraph

    def told(step: str) -> None:
        if sys.stderr.isatty():
            print(f"{step} …", file=sys.stderr)

    out = a.out or a.study / "published"
    done = publish(
        a.study,
        out,
        clock=a.clock,
        licence=a.licence,
        authors=tuple(a.author),
        progress=sys.stderr.isatty(),
        told=told,
    )
    rows = [
        ("", done.analysed.study.name),
        ("Answer", f"{done.answer.title}. {done.answer.text}"),
        ("Shown", difference(done.analysed, whole_beside(done.whole))),
        *(("No picture", f"{subject}: {why}.") for subject, why in done.missing.items()),
        *(("Look at", f"{doubt}.") for doubt in done.doubts),
    ]
    for label, text in rows:
        print("\n".join(paragraph(label, text)))
    print(f"\nIn {out}, {done.files} files:")
    for name, what in (
        (
            "index.html",
            "the report, to open or put on the web; objections.html and map.html beside",
        ),
        (PDF, "the same on paper"),
        (f"{PICTURES}/", "wide, square and tall, light and dark, PNG and SVG"),
        (POST, "150 words to paste"),
        (ARCHIVE, "data and results; anybody checks it with: roadlog recheck archive.zip"),
    ):
        print(f"  {name:<14} {what}")
    print(f"SHA-256 of {ARCHIVE}: {done.archive_sha256}")
    return 0
