"""The switcher's files until they are saved: on the disk, encrypted by a key that one browser has.

They are written before the study has its sealed schedule, so that no crash leaves one whose arms
nobody knows; and whoever reads the folder, the driver too, learns no arm from them.
"""

import base64
import hashlib
import io
import json
import os
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from roadlog.errors import InputError
from roadlog.study.durable import atomic_write, make_folder
from roadlog.study.folder import load_study

Answer = dict[str, Any]
FOLDER = "switcher"  # below the bench's hidden folder
_NONCE = 12
_ASSOCIATED = b"roadlog switcher"
GONE = "the switcher's files aren't here (any more), or another browser has their key"


def put(hidden: Path, key: str, called: str, sealed: str, files: Mapping[str, bytes]) -> Path:
    """Keep the files of a sealed schedule, whose SHA-256 is `sealed`; returns where they are.

    Raises
    ------
    InputError
        If they can't be written.
    """
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    plain = {n: base64.b64encode(b).decode() for n, b in files.items()}
    text = json.dumps({"sealed": sealed, "files": plain}).encode()
    nonce = os.urandom(_NONCE)
    secret = nonce + AESGCM(_secret(key)).encrypt(nonce, text, _ASSOCIATED)
    path = _path(hidden, key, called)
    try:
        make_folder(path.parent)
        atomic_write(path, lambda p: p.write_bytes(secret), 0o600)
    except OSError as e:
        raise InputError(f"{path.parent}: {e.strerror}: nothing was drawn, mend that first") from e
    return path


def _read(hidden: Path, key: str, called: str) -> tuple[str, dict[str, bytes]] | None:
    from cryptography.exceptions import InvalidTag
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    try:
        secret = _path(hidden, key, called).read_bytes()
        text = AESGCM(_secret(key)).decrypt(secret[:_NONCE], secret[_NONCE:], _ASSOCIATED)
        told = json.loads(text)
        return told["sealed"], {n: base64.b64decode(b) for n, b in told["files"].items()}
    except (OSError, InvalidTag, ValueError, KeyError):
        return None


def _secret(key: str) -> bytes:
    return hashlib.sha256(b"key " + key.encode()).digest()


def _path(hidden: Path, key: str, called: str) -> Path:
    return hidden / FOLDER / hashlib.sha256(f"file {key} {called}".encode()).hexdigest()[:32]


def switcher_waits(*, hidden: str, folder: str, called: str, key: str) -> Answer:
    """Where the files of the study's present schedule wait for this browser, "" if they don't."""
    found = _read(Path(hidden), key, called) if key else None
    schedule = load_study(Path(folder)).schedule
    mine = found is not None and schedule is not None and schedule.sealed == found[0]
    return {"at": str(_path(Path(hidden), key, called).parent) if mine else ""}


def switcher_files(*, hidden: str, called: str, key: str) -> Answer:
    """All files in one archive, base64.

    Raises
    ------
    InputError
        If none are here for this key.
    """
    found = _read(Path(hidden), key, called) if key else None
    if found is None:
        raise InputError(GONE)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for file, content in found[1].items():
            archive.writestr(file, content)
    return {"zip": base64.b64encode(out.getvalue()).decode()}


def switcher_saved(*, hidden: str, called: str, key: str) -> Answer:
    """Take the files away: whoever has the key says that they are saved."""
    if not key or _read(Path(hidden), key, called) is None:
        raise InputError(GONE)
    _path(Path(hidden), key, called).unlink(missing_ok=True)
    return {}


HANDING: dict[str, Callable[..., Answer]] = {
    "switcher_waits": switcher_waits,
    "switcher_files": switcher_files,
    "switcher_saved": switcher_saved,
}
