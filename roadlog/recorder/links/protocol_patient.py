"""A serial port that gives up: `patient://KEY/PORT` for pyserial's `serial_for_url`.

In comes any port that pyserial opens (a device, `socket://HOST:PORT`), out comes the same,
whose reads end once the other side is silent for longer than its `Patience`, or babbles without
end. python-OBD waits 10 s at a time and up to ten times over; with this port a dropped adapter is
known within seconds, through pyserial's documented extension point and with python-OBD unmodified.
"""

import time
from dataclasses import dataclass
from typing import Any

import serial
from serial.urlhandler import protocol_socket

SCHEME = "patient"
_READ_S = 0.25
_MAX_ANSWER_BYTES = 8192
_MAX_ANSWER_S = 30.0


@dataclass
class Patience:
    """How long the other side may be silent [s].

    Before the first byte of an answer `silence_s`: then it counts as gone. Within one `pause_s`:
    then the answer ends as it is, since a lost prompt is no lost adapter.
    """

    silence_s: float
    pause_s: float


PATIENCE: dict[str, Patience] = {}


class _GivesUp:
    """Mixed into a pyserial class: bounds the answer to each command in silence, time and bytes."""

    patience: Patience

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{**kwargs, "timeout": _READ_S})
        self._begun_s = time.monotonic()
        self._received = 0

    def write(self, data: bytes) -> int:
        self._begun_s = time.monotonic()
        self._received = 0
        return int(super().write(data))  # type: ignore[misc]

    def read(self, size: int = 1) -> bytes:
        begun = time.monotonic()
        while True:
            data: bytes = super().read(size)  # type: ignore[misc]
            self._received += len(data)
            now = time.monotonic()
            if self._received > _MAX_ANSWER_BYTES or now - self._begun_s > _MAX_ANSWER_S:
                raise serial.SerialException("the answer has no end")
            if data or self.timeout != _READ_S:  # type: ignore[attr-defined]
                return data  # a caller that set its own time-out keeps it
            if self._received and now - begun > self.patience.pause_s:
                return b""
            if now - begun > self.patience.silence_s:
                raise serial.SerialException(f"silent for {now - begun:.1f} s")


def address(port: str, key: str) -> str:
    """The URL that opens `port` with the patience kept under `key`."""
    return f"{SCHEME}://{key}/{port}"


def serial_class_for_url(url: str) -> tuple[str, type]:
    """What pyserial asks a handler for: the port's own address and the class that opens it."""
    key, port = url.removeprefix(f"{SCHEME}://").split("/", 1)
    base = protocol_socket.Serial if port.startswith("socket://") else serial.Serial
    return port, type("PatientSerial", (_GivesUp, base), {"patience": PATIENCE[key]})
