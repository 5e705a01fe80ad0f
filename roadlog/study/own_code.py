"""Roadlog's own code as one hash: two states of one version differ in it."""

import hashlib
from functools import cache
from pathlib import Path


@cache
def code_sha256() -> str:
    """SHA-256 of roadlog's own code, file by file."""
    digest = hashlib.sha256()
    home = Path(__file__).resolve().parents[1]
    for path in sorted(home.rglob("*.py"), key=lambda p: p.relative_to(home).as_posix()):
        digest.update(path.relative_to(home).as_posix().encode())
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()
