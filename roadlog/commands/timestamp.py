"""`roadlog timestamp`: an authority's word that the plan existed before the first mile."""

import argparse
from pathlib import Path

from roadlog.commands.sources import held
from roadlog.errors import InputError


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "timestamp",
        help="prove by a time-stamp (RFC 3161) that the plan existed before the first mile",
        description=(
            "Write a request over the fingerprint of the STUDY's last registration, to be sent to "
            "any time-stamp authority by any means; attach the answer, which is verified offline "
            "and kept in computed/timestamps.json. roadlog sends nothing anywhere."
        ),
        epilog=(
            "examples:\n"
            "  roadlog timestamp my_test --request plan.tsq\n"
            "  roadlog timestamp my_test --attach plan.tsr --roots authority.pem\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", type=Path, metavar="STUDY", help="folder with study.toml")
    what = p.add_mutually_exclusive_group(required=True)
    what.add_argument("--request", type=Path, metavar="FILE", help="where to write the request")
    what.add_argument("--attach", type=Path, metavar="FILE", help="the authority's answer (.tsr)")
    p.add_argument(
        "--roots",
        type=Path,
        metavar="FILE",
        help="the authority's root certificate, PEM, from its own pages (default: the one that "
        "came with the token, for which then nothing vouches)",
    )
    p.set_defaults(run=held(_timestamp, "roadlog timestamp"))


def _timestamp(a: argparse.Namespace) -> int:
    from roadlog.plan.register import read_register
    from roadlog.plan.stamp import roots_of
    from roadlog.plan.stamp_file import attach, new_request
    from roadlog.study.durable import atomic_write
    from roadlog.study.folder import load_study

    load_study(a.study)
    entries = read_register(a.study)
    if not entries:
        raise InputError(f"{a.study} registered nothing yet: roadlog plan does it")
    if a.request is not None:
        if a.request.exists():
            raise InputError(f"--request {a.request} is there already: name another file")
        request = new_request(a.study, entries[-1])
        atomic_write(a.request, lambda p: p.write_bytes(request))
        print(f"Written: {a.request}, over the fingerprint {entries[-1].sha256[:16]}…")
        print("Send it to an authority (HTTP POST, Content-Type application/timestamp-query), then")
        print(f"roadlog timestamp {a.study} --attach ANSWER --roots ITS_ROOT.pem")
        return 0
    roots = [] if a.roots is None else roots_of(_read(a.roots, "--roots"), str(a.roots))
    stamp = attach(a.study, entries, _read(a.attach, "--attach"), roots, str(a.attach))
    print(f"The plan {stamp.sha256[:16]}… existed at {stamp.at} (UTC) according to")
    print(f"{stamp.authority}; root: {stamp.root}, SHA-256 {stamp.root_sha256}.")
    if stamp.root_from == "embedded":
        print("That root came with the token, so nothing here vouches for it: hold its SHA-256")
        print("against the authority's own pages, or attach again with --roots.")
    if stamp.sha256 != entries[-1].sha256:
        print("It isn't of the last registration: the report tells it only if that one counts.")
    print("Not checked: whether a certificate was revoked, which takes a network.")
    return 0


def _read(path: Path, option: str) -> bytes:
    if not path.is_file():
        raise InputError(f"{option} {path} doesn't exist: correct the name")
    return path.read_bytes()
