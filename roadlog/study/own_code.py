"""Roadlog's own code as one hash: two states of one version differ in it.

A program that began before its code was replaced runs the old code, whatever the files say.
"""

import hashlib
from functools import cache
from pathlib import Path

from roadlog import _BEGAN

_HOME = Path(__file__).resolve().parents[1]


@cache
def code_sha256() -> str:
    """SHA-256 of roadlog's own code, file by file."""
    digest = hashlib.sha256()
    for path in sorted(_HOME.rglob("*.py"), key=lambda p: p.relative_to(_HOME).as_posix()):
        digest.update(path.relative_to(_HOME).as_posix().encode())
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def replaced() -> bool:
    """Whether some of the code was written since this program began, so that its hash may be that
    of code which isn't running."""
    return any(path.stat().st_ctime > _BEGAN for path in _HOME.rglob("*.py"))
