"""Time-stamps of a study's registrations, kept in `computed/timestamps.json`.

Requests with their nonces and the authorities' answers with the roots that were given go in; what
comes out is verified anew each time it is read, so that a changed byte proves nothing.
"""

import base64
import binascii
import json
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from roadlog.errors import InputError
from roadlog.plan.register import Entry
from roadlog.plan.result import Stamped
from roadlog.plan.stamp import Token, read_token, request_for, roots_of, verified
from roadlog.study.durable import atomic_write

STAMPS = "computed/timestamps.json"


def new_request(folder: Path, entry: Entry) -> bytes:
    """A request over a registration, its nonce noted.

    Raises
    ------
    InputError
        If the record was damaged.
    """
    kept = _kept(folder)
    request, nonce = request_for(entry.choices)
    kept["requests"].append({"sha256": entry.sha256, "nonce": str(nonce)})
    _write(folder, kept)
    return request


def attach(
    folder: Path,
    entries: Sequence[Entry],
    data: bytes,
    roots: Sequence[x509.Certificate],
    name: str,
) -> Stamped:
    """Verify an authority's answer and keep it.

    Raises
    ------
    InputError
        If it doesn't hold, is of no registration of this study, or answers another request.
    """
    token = read_token(data, name)
    ours = [e.sha256 for e in entries]
    stamp = verified(token, token.sha256 if token.sha256 in ours else ours[-1], roots, name)
    kept = _kept(folder)
    _refuse_nonce(token, kept["requests"], name)
    row = {
        "sha256": stamp.sha256,
        "token": base64.b64encode(data).decode("ascii"),
        "roots": [c.public_bytes(Encoding.PEM).decode("ascii") for c in roots],
    }
    if row not in kept["stamps"]:
        kept["stamps"].append(row)
        _write(folder, kept)
    return stamp


def stamp_of(folder: Path, sha256: str) -> Stamped | None:
    """The earliest time-stamp of a fingerprint, verified anew; None without one.

    Raises
    ------
    InputError
        If the record was damaged, or a token in it doesn't hold.
    """
    found = []
    for row in _kept(folder)["stamps"]:
        if row["sha256"] != sha256:
            continue
        name = str(folder / STAMPS)
        data = base64.b64decode(row["token"])
        roots = [c for pem in row["roots"] for c in roots_of(pem.encode(), name)]
        found.append(verified(read_token(data, name), sha256, roots, name))
    return min(found, key=lambda s: s.at) if found else None


def _refuse_nonce(token: Token, requests: Sequence[dict[str, str]], name: str) -> None:
    """An answer to a request of ours repeats its nonce; one without any of ours may have any."""
    nonces = {r["nonce"] for r in requests if r["sha256"] == token.sha256}
    if nonces and str(token.nonce) not in nonces:
        raise InputError(
            f"{name}: its nonce isn't that of a request that roadlog wrote for this plan, so it "
            "answers another one: attach the answer to yours, or delete the requests in "
            f"{STAMPS} if you made it by other means"
        )


def _kept(folder: Path) -> dict[str, Any]:
    path = folder / STAMPS
    if not path.is_file():
        return {"requests": [], "stamps": []}
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        for row in kept["stamps"]:
            base64.b64decode(row["token"], validate=True)
            if not isinstance(row["sha256"], str) or not all(
                isinstance(pem, str) for pem in row["roots"]
            ):
                raise TypeError
        if not all(isinstance(r["sha256"], str) and "nonce" in r for r in kept["requests"]):
            raise TypeError
    except (ValueError, KeyError, TypeError, binascii.Error) as e:
        raise InputError(f"{path}: can't be read: put back the copy that roadlog wrote") from e
    return dict(kept)


def _write(folder: Path, kept: dict[str, Any]) -> None:
    text = json.dumps(kept, indent=1) + "\n"
    atomic_write(folder / STAMPS, partial(Path.write_text, data=text, encoding="utf-8"))
