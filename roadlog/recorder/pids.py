"""Which signal is asked for by which PID, and how long its answer is.

In comes nothing but the table of signals; out come `ASKED`, the signals that the recorder can ask a
vehicle for, and the decoders of the PIDs whose numbers python-OBD doesn't give.

References
----------
SAE J1979 service 01: number of data bytes and scaling a PID (those that python-OBD decodes are held
to it in the tests; 24, 9D and A6 are from memory of J1979-DA).
"""

from collections.abc import Callable
from dataclasses import dataclass

from roadlog.quantities.signals import SIGNALS

_LENGTHS = {
    "01": 4, "03": 2,
    "04": 1, "05": 1, "06": 1, "07": 1, "08": 1, "09": 1, "0B": 1, "0C": 2, "0D": 1,
    "0F": 1, "10": 2, "11": 1, "14": 2, "15": 2, "1F": 2,
    "24": 4, "28": 4, "2F": 1, "33": 1, "3C": 2, "42": 2, "43": 2,
    "44": 2, "46": 1, "49": 1, "4E": 2, "52": 1, "5C": 1, "5E": 2, "9D": 4, "A6": 4,
}  # fmt: skip


@dataclass(frozen=True)
class Asked:
    """A signal's PID and the number of data bytes in its answer."""

    signal: str
    pid: int
    length: int


ASKED: dict[str, Asked] = {
    s.name: Asked(s.name, int(s.pid, 16), _LENGTHS[s.pid])
    for s in SIGNALS.values()
    if s.pid in _LENGTHS
}
BY_PID: dict[int, tuple[Asked, ...]] = {
    a.pid: tuple(b for b in ASKED.values() if b.pid == a.pid) for a in ASKED.values()
}


def _lamp(data: bytes) -> float:
    return float(data[0] >> 7)


def _codes(data: bytes) -> float:
    return float(data[0] & 0x7F)


def _fuel_status(data: bytes) -> float:
    return float(data[0])


def _equivalence_ratio(data: bytes) -> float:
    return (data[0] << 8 | data[1]) * 2 / 65536


def _fuel_rate(data: bytes) -> float:
    return (data[0] << 8 | data[1]) / 50


def _odometer(data: bytes) -> float:
    return int.from_bytes(data, "big") / 10


OWN_DECODERS: dict[str, Callable[[bytes], float]] = {
    "mil_on": _lamp,
    "dtc_count": _codes,
    "fuel_status": _fuel_status,
    "lambda_measured": _equivalence_ratio,
    "lambda_measured2": _equivalence_ratio,
    "fuel_rate_g_s": _fuel_rate,
    "odometer_km": _odometer,
}


def supported_by(first_pid: int, data: bytes) -> set[int]:
    """The PIDs that a support answer names: bit 1 of byte A is the PID after `first_pid`.

    >>> sorted(supported_by(0x00, bytes.fromhex("00180001")))
    [12, 13, 32]
    """
    bits = int.from_bytes(data, "big")
    return {first_pid + i + 1 for i in range(32) if bits >> (31 - i) & 1}
