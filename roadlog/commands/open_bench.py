"""`roadlog open`: everything that the commands do, in a page on this computer."""

import argparse
import sys
from contextlib import suppress
from pathlib import Path

LAN = (
    "The phone comes in by the code on the page 'Phone' (/phone), to notes and recording state "
    "alone. Nothing is encrypted: anyone on this network who reads its traffic could see the "
    "notes. Ctrl-C ends that too."
)


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "open",
        help="do all of it in a page on this computer",
        description=(
            "Open a page in the browser from which a study is planned, recorded, checked, analysed "
            "and published. It answers this computer only, works without a network, and writes the "
            "same files as the commands. Ctrl-C ends it; work that goes on, goes on."
        ),
        epilog="examples:\n  roadlog open\n  roadlog open my_test --no-browser\n",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument(
        "folder",
        nargs="?",
        type=Path,
        default=Path(),
        metavar="FOLDER",
        help="a study, or a folder of studies (default: here)",
    )
    p.add_argument("--port", type=int, metavar="N", help="port (default: the last one, or a free)")
    p.add_argument(
        "--lan",
        action="store_true",
        help="let a phone in this network do the notes and see the recording state, unencrypted",
    )
    p.add_argument("--no-browser", action="store_true", help="print the address, open nothing")
    p.set_defaults(run=_open)


def _open(a: argparse.Namespace) -> int:
    from roadlog.bench.serve import serve
    from roadlog.errors import RoadlogError
    from roadlog.study.folder import load_study, refuse_fleet

    study = None
    with suppress(RoadlogError):  # a study.toml that can't be read is told on its page
        study = load_study(a.folder)
    if study is not None:
        refuse_fleet(a.folder, study)

    def ready(address: str) -> None:
        print(f"Open in your browser: {address}", flush=True)
        print("It works once, for one browser. Ctrl-C ends this.", flush=True)
        if a.lan:
            print(LAN, flush=True)
        if not a.no_browser and sys.stdout.isatty():
            import webbrowser

            webbrowser.open(address)

    serve(a.folder, port=a.port, lan=a.lan, ready=ready)
    return 0
