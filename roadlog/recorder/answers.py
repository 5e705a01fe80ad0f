"""What an adapter's answer is worth: whole data of the PIDs asked for, or a named trouble.

In come the frames that the adapter sent (as text) and the data that the protocol layer joined; out
come data bytes by PID. An answer that is short, long, of another PID, with a wrong checksum or
beside an error message is refused as a whole: no value is ever made from a damaged answer.

References
----------
ISO 9141-2 and ISO 14230-2: the last byte is the sum of the others modulo 256. SAE J1850: CRC-8,
polynomial 0x1D, start 0xFF, complemented. ISO 15765-2: a single frame's first byte is its length.
CAN frames carry their own checksum on the bus, which the adapter checks and doesn't pass on.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from roadlog.recorder.pids import BY_PID

Trouble = Literal["", "no data", "buffer full", "bus error", "damaged", "no answer"]
Checksum = Literal["none", "sum", "crc"]

_NO_DATA = ("NO DATA", "UNABLE TO CONNECT", "STOPPED")
_BUS = ("CAN ERROR", "BUS ERROR", "BUS BUSY", "BUS INIT: ...ERROR", "BUS INIT: ERROR", "FB ERROR",
        "ACT ALERT", "LV RESET", "LP ALERT")  # fmt: skip
_HARMLESS = ("SEARCHING...", "BUS INIT: OK", "BUS INIT: ...OK", "SEARCHING", "")
_CURRENT_DATA = 0x41


@dataclass(frozen=True)
class Answer:
    """Data bytes by PID, and the trouble ("" if none) that left them out."""

    data: dict[int, bytes] = field(default_factory=dict)
    trouble: Trouble = ""


def refused(texts: Sequence[str]) -> Trouble:
    """The trouble that the adapter's own words name, "" if they name none.

    >>> refused(["NO DATA"]), refused(["SEARCHING..."]), refused(["7E80341", "<RX ERROR"])
    ('no data', '', 'damaged')
    """
    for text in texts:
        line = text.strip().upper()
        if line in _HARMLESS:
            continue
        if any(word in line for word in _NO_DATA):
            return "no data"
        if "BUFFER FULL" in line:
            return "buffer full"
        if any(word in line for word in _BUS):
            return "bus error"
        return "damaged"
    return ""


def split(data: bytes, wanted: Sequence[int]) -> Answer:
    """The data of each PID in one answer of service 01.

    Parameters
    ----------
    data : bytes
        The joined message from its service byte on.
    wanted : sequence of int
        The PIDs that were asked for; a vehicle may leave some out, never add one.

    >>> split(bytes.fromhex("410C28F00D4C"), (0x0C, 0x0D)).data
    {12: b'(\\xf0', 13: b'L'}
    >>> split(bytes.fromhex("410C28"), (0x0C,)).trouble
    'damaged'
    """
    if len(data) < 3 or data[0] != _CURRENT_DATA:
        return Answer(trouble="damaged")
    out: dict[int, bytes] = {}
    at = 1
    while at < len(data):
        pid = data[at]
        if pid not in wanted or pid in out:
            return Answer(trouble="damaged")
        end = at + 1 + BY_PID[pid][0].length
        if end > len(data):
            return Answer(trouble="damaged")
        out[pid] = bytes(data[at + 1 : end])
        at = end
    return Answer(out)


def checksum_holds(frame: bytes, kind: Checksum) -> bool:
    """Whether a frame's last byte is the checksum of the others.

    >>> checksum_holds(bytes.fromhex("486B10410D4859"), "sum")
    True
    """
    if kind == "none":
        return True
    if kind == "sum":
        return sum(frame[:-1]) & 0xFF == frame[-1]
    crc = 0xFF
    for byte in frame[:-1]:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D) & 0xFF if crc & 0x80 else crc << 1
    return crc ^ 0xFF == frame[-1]
