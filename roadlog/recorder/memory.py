"""What the recorder remembers between starts: the protocol that worked and which vehicle it was.

In comes a study's folder, out comes and goes `recorder.json` in it. A vehicle is told apart by a
salted hash of its number; the number itself is kept only when that was asked for.
"""

import hashlib
import json
import secrets
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from roadlog.study.durable import atomic_write

_NAME = "recorder.json"
_MARK_LENGTH = 16


@dataclass(frozen=True)
class Memory:
    """Protocol id ("" if none worked yet), the salt of this study, the vehicle's mark."""

    protocol: str = ""
    salt: str = ""
    vehicle: str = ""


def recall(folder: Path) -> Memory:
    """The memory of a study; a new one, with a new salt, if there is none that can be read."""
    try:
        data = json.loads((folder / _NAME).read_text(encoding="utf-8"))
        known = {k: str(data[k]) for k in ("protocol", "salt", "vehicle") if k in data}
    except (OSError, ValueError, TypeError):
        known = {}
    memory = Memory(**known)
    return memory if memory.salt else replace(memory, salt=secrets.token_hex(16), vehicle="")


def remember(folder: Path, memory: Memory) -> None:
    """Keep the memory, readable by its owner only."""

    def write(path: Path) -> None:
        path.write_text(json.dumps(asdict(memory), indent=1) + "\n", encoding="utf-8")

    atomic_write(folder / _NAME, write)
    (folder / _NAME).chmod(0o600)


def vehicle_mark(vin: str, salt: str) -> str:
    """A mark that tells vehicles apart and gives no number away without the salt.

    >>> vehicle_mark("1M8GDM9AXKP042788", "salt") == vehicle_mark("1M8GDM9AXKP042788", "pepper")
    False
    """
    return hashlib.scrypt(
        vin.encode(), salt=salt.encode(), n=1 << 12, r=8, p=1, dklen=_MARK_LENGTH // 2
    ).hex()
