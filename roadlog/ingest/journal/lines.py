"""The lines of a journal: each carries its checksum, its number, its time and what it says.

In come kind and text of an entry, out comes one line of bytes, and back. A line that was torn by a
loss of power, or damaged on the card, fails its checksum and is left out; its neighbours stand.

A line is `CHECKSUM NUMBER SECONDS KIND TEXT`: CRC-32 (ISO 3309, as `zlib.crc32`) of the rest in
eight hexadecimal digits, the line's number in the file, seconds since boot, and one of the kinds
below. docs/recording.md describes the kinds for other readers.
"""

import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Kind = Literal["part", "obd", "gps", "gap", "clock", "rates", "note", "end"]
FORMAT = "roadlog-journal/1"
REFUSED = "position lines refused: "  # a note that begins so, and then their number
_CHECK = 8


@dataclass(frozen=True)
class Entry:
    """One whole line: `t_s` is seconds since boot [s]."""

    number: int
    t_s: float
    kind: str
    text: str


def encode(number: int, t_s: float, kind: Kind, text: str) -> bytes:
    """One line, its end included.

    >>> encode(7, 12.5, "obd", "speed_kmh=50")
    b'782ff217 7 12.500 obd speed_kmh=50\\n'
    """
    body = f"{number} {t_s:.3f} {kind} {' '.join(text.split())}".encode()
    return b"%08x %s\n" % (zlib.crc32(body), body)


def decode(raw: bytes) -> Entry | None:
    """The line that these bytes (without the line end) hold, or None if they aren't whole."""
    body = raw[_CHECK + 1 :]
    try:
        if raw[_CHECK : _CHECK + 1] != b" " or int(raw[:_CHECK], 16) != zlib.crc32(body):
            return None
        number, t_s, kind, text = body.split(b" ", 3)
        line = Entry(int(number), float(t_s), kind.decode(), text.decode())
        return line if math.isfinite(line.t_s) else None
    except ValueError:
        return None


def values_text(values: Mapping[str, float]) -> str:
    """Signals and values as an entry's text.

    >>> values_text({"speed_kmh": 50.0, "maf_g_s": 13.11})
    'speed_kmh=50 maf_g_s=13.11'
    """
    return " ".join(f"{name}={value:.10g}" for name, value in values.items())
