"""A scripted vehicle for tests: what it answers to SAE J1979 requests, framed as its bus frames it.

In come requests as bytes, out come the frames of each control unit that answers, as hexadecimal
text. The answers are fixed but for speed and engine speed, which move, so that a test can tell a
reading from a made-up one.

References
----------
SAE J1979: service 01 (current data, with support bits in PIDs 00, 20, 40 …) and service 09 (02 is
the vehicle's number). ISO 15765-2 and -4: single, first and consecutive frames of eight bytes,
requests of up to six PIDs. ISO 9141-2: header 48 6B and the unit's address, then up to seven bytes
and their sum modulo 256. ISO 14230-4: header 80 + length, F1 and the unit's address, the same sum.
"""

import math
import time
from collections.abc import Iterable
from dataclasses import dataclass, field

ENGINE, GEARBOX = 0x10, 0x18  # addresses on ISO 9141-2 and ISO 14230; 7E8 and 7E9 on 11-bit CAN

FIXED = {
    0x01: "00076500",
    0x03: "0200",
    0x04: "80",
    0x05: "7B",  # 83 °C
    0x06: "80",
    0x07: "82",
    0x0B: "30",
    0x0F: "44",
    0x10: "051F",  # 13.11 g/s
    0x11: "40",
    0x1C: "06",
    0x1F: "012C",
    0x33: "65",  # 101 kPa
    0x3C: "1000",
    0x42: "36B0",
    0x44: "8000",
    0x46: "3C",
    0x49: "30",
}


@dataclass
class Vehicle:
    """A vehicle on one protocol ("3" ISO 9141-2, "4" "5" ISO 14230-4, "6" to "9" CAN).

    `gearbox` lets a second control unit answer beside the engine's; `asleep` answers
    nothing; `still` stands with its engine off and its ignition on.
    """

    protocol: str = "6"
    gearbox: bool = False
    asleep: bool = False
    still: bool = False
    vin: str = "1" * 17  # no real vehicle's
    data: dict[int, str] = field(default_factory=lambda: dict(FIXED))

    @property
    def can(self) -> bool:
        return self.protocol in "6789"

    def answer(self, request: bytes) -> list[str]:
        """The frames, each as hexadecimal digits without blanks; none if nobody answers."""
        if self.asleep or not request or (len(request) > 2 and not self.can):
            return []
        frames = self._framed(ENGINE, self._engine(request))
        if self.gearbox and request == b"\x01\x00":
            frames += self._framed(GEARBOX, [bytes.fromhex("410000180001")])
        if self.gearbox and request == b"\x01\x0d":
            frames += self._framed(GEARBOX, [b"\x41\x0d\x63"])
        return frames

    def _engine(self, request: bytes) -> list[bytes]:
        """The messages of the engine's unit: several of one answer only off CAN."""
        service, pids = request[0], request[1:7]
        if service == 0x09 and pids == b"\x02":
            number = self.vin.encode()
            if self.can:
                return [b"\x49\x02\x01" + number]
            padded = number.rjust(20, b"\0")
            return [b"\x49\x02" + bytes([i + 1]) + padded[4 * i : 4 * i + 4] for i in range(5)]
        if service != 0x01:
            return []
        parts = [bytes([pid]) + data for pid in pids if (data := self._current(pid))]
        return [b"\x41" + b"".join(parts)] if parts else []

    def _current(self, pid: int) -> bytes:
        wave = math.sin(time.monotonic() / 3)
        if self.still and pid in (0x0C, 0x0D):
            return bytes(2 if pid == 0x0C else 1)
        if pid == 0x0C:
            return round(4 * (2000 + 500 * wave)).to_bytes(2, "big")
        if pid == 0x0D:
            return bytes([round(50 + 20 * wave)])
        known = {0x0C, 0x0D, *self.data}
        if pid % 0x20 == 0:
            known |= {p for p in (0x20, 0x40, 0x60) if any(k > p for k in known)}
            bits = sum(1 << (0x20 - (k - pid)) for k in known if 0 < k - pid <= 0x20)
            return bits.to_bytes(4, "big") if bits else b""
        return bytes.fromhex(self.data.get(pid, ""))

    def _framed(self, unit: int, messages: Iterable[bytes]) -> list[str]:
        frames: list[bytes] = []
        for message in messages:
            frames += _can(message) if self.can else [self._with_sum(unit, message)]
        head = ""
        if self.can:
            number = (unit - ENGINE) // 8
            head = f"{0x7E8 + number:X}" if self.protocol in "68" else f"18DAF1{unit:X}"
        return [head + frame.hex().upper() for frame in frames]

    def _with_sum(self, unit: int, message: bytes) -> bytes:
        first = b"\x48\x6b" if self.protocol == "3" else bytes([0x80 + len(message), 0xF1])
        frame = first + bytes([unit]) + message
        return frame + bytes([sum(frame) & 0xFF])


def _can(message: bytes) -> list[bytes]:
    """The eight-byte frames of one message (ISO 15765-2), filled up with AA."""
    if len(message) <= 7:
        return [(bytes([len(message)]) + message).ljust(8, b"\xaa")]
    frames = [bytes([0x10 + (len(message) >> 8), len(message) & 0xFF]) + message[:6]]
    for n, at in enumerate(range(6, len(message), 7), 1):
        frames.append((bytes([0x20 + n % 16]) + message[at : at + 7]).ljust(8, b"\xaa"))
    return frames
