"""The adapter: asks the vehicle through python-OBD and takes only answers that are whole.

In come names of signals, out come their values in canonical units, or a named trouble. This is the
only file that imports python-OBD (GPL-2.0-only, optional extra `adapter`), used unmodified through
its public interface: own commands with own checks, its decoders, its protocol search.
"""

import logging
import re
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from roadlog.errors import InputError
from roadlog.quantities.signals import SIGNALS
from roadlog.recorder.answers import Answer, Checksum, checksum_holds, refused, split
from roadlog.recorder.pids import ASKED, BY_PID, OWN_DECODERS, supported_by

CAN_PROTOCOLS = frozenset("6789")
K_LINE_PROTOCOLS = frozenset("345")
SHORT_HEADERS = frozenset("68")  # 11 bits, three digits; the other CAN ones have 29, eight digits
CAN_BYTES = 8
MAX_PIDS_PER_REQUEST = 6  # SAE J1979 on ISO 15765-4

_CONNECT_SILENCE_S = 15.0  # a search over all protocols is silent for long
_POLL_SILENCE_S = {True: (3.0, 1.0), False: (8.0, 5.0)}  # not on CAN: a lapsed session is renewed
_VIN_TRIES = 3
_VIN = re.compile(r"^[\x00-\x1f]*([A-HJ-NPR-Z0-9]{17})\x00*$")  # ISO 3779: no I, O or Q
_VOLTS = re.compile(r"^\s*(\d{1,2}(?:\.\d{1,3})?)\s*[Vv]?\s*$")
_UNITS = {"°c": "degree_Celsius", "rpm": "revolutions_per_minute", "%": "percent", "g/s": "gps",
          "l/h": "lph", "ratio": "ratio"}  # fmt: skip


class AdapterLost(Exception):
    """The adapter can't be reached any more; say why in a few words."""


@dataclass(frozen=True)
class Reading:
    """Values by signal in canonical units, and what left signals out ("" if nothing)."""

    values: dict[str, float] = field(default_factory=dict)
    trouble: str = ""


def require_library() -> Any:
    """python-OBD.

    Raises
    ------
    InputError
        If the extra isn't installed, with how to install it.
    """
    try:
        import obd
    except ImportError as e:
        raise InputError(
            "recording needs the adapter extra, which isn't installed: "
            "run  pip install 'roadlog[adapter]'"
        ) from e
    obd.logger.setLevel(logging.CRITICAL + 1)  # it prints to the screen; troubles are recorded here
    return obd


class Adapter:
    """One open connection to an adapter.

    Parameters
    ----------
    port : str
        A device such as `/dev/ttyUSB0` or `/dev/rfcomm0`, or `socket://HOST:PORT`.
    baud : int, optional
        By default the library tries the usual ones.
    protocol : str, optional
        The protocol that worked the last time ("1" … "9"); by default the adapter searches.

    Raises
    ------
    AdapterLost
        If the adapter doesn't answer. A vehicle that doesn't is no error: see `vehicle_answers`.
    """

    def __init__(self, port: str, baud: int | None = None, protocol: str | None = None) -> None:
        obd = require_library()
        import serial

        from roadlog.recorder.links import protocol_patient as patient

        self._obd = obd
        self._patience = patient.Patience(_CONNECT_SILENCE_S, _CONNECT_SILENCE_S)
        key = uuid.uuid4().hex
        patient.PATIENCE[key] = self._patience
        package = "roadlog.recorder.links"
        if package not in serial.protocol_handler_packages:
            serial.protocol_handler_packages.append(package)
        if baud is None and _has_no_baud(port):
            baud = 38400
        try:
            self._connection = obd.OBD(
                patient.address(port, key), baudrate=baud, protocol=protocol, check_voltage=False
            )
        except Exception as e:  # the library lets errors of the port and of garbage through
            raise AdapterLost(f"{port}: {e or type(e).__name__}") from e
        finally:
            patient.PATIENCE.pop(key, None)
        if self._connection.status() == obd.OBDStatus.NOT_CONNECTED:
            raise AdapterLost(f"{port}: no adapter answers")
        self._patience.silence_s, self._patience.pause_s = _POLL_SILENCE_S[self.can]
        self._commands: dict[tuple[int, ...], Any] = {}
        self._filled = False  # whether the engine's frames were seen to be filled up
        try:
            connected = bool(self._connection.is_connected())
            self._answers = connected and self._ask((0x00,), 4) is not None
        except AdapterLost:
            self.close()
            raise

    @property
    def vehicle_answers(self) -> bool:
        """Whether the vehicle answered when the connection was made.

        The library calls any protocol connected that doesn't fail; with the ignition off many
        adapters say only that there is no data.
        """
        return self._answers

    @property
    def protocol(self) -> str:
        """The protocol's one-character id, "" before the vehicle has answered."""
        return str(self._connection.protocol_id()) if self._connection.is_connected() else ""

    @property
    def protocol_name(self) -> str:
        """The protocol's name."""
        return str(self._connection.protocol_name())

    @property
    def can(self) -> bool:
        """Whether the vehicle speaks CAN (ISO 15765-4)."""
        return self.protocol in CAN_PROTOCOLS

    def supported(self) -> tuple[str, ...]:
        """The signals that the vehicle says it has, in the order of the table of signals."""
        found: set[int] = set()
        first = 0x00
        while True:
            data = self._ask((first,), 4)
            if data is None:
                break
            found |= supported_by(first, data)
            first += 0x20
            if first not in found:
                break
        return tuple(a.signal for a in ASKED.values() if a.pid in found)

    def read(self, signals: Sequence[str]) -> Reading:
        """Ask for up to six signals (one, unless on CAN) in one request.

        Raises
        ------
        AdapterLost
        """
        pids = tuple(dict.fromkeys(ASKED[s].pid for s in signals))
        answer = self._request(pids)
        values: dict[str, float] = {}
        trouble: str = answer.trouble
        for pid, data in answer.data.items():
            for name in (a.signal for a in BY_PID[pid]):
                value = self._decode(name, data)
                if SIGNALS[name].low <= value <= SIGNALS[name].high:
                    values[name] = value
                else:
                    trouble = trouble or "damaged"
        return Reading(values, trouble)

    def voltage(self) -> float | None:
        """The supply voltage at the adapter's plug [V]: it needs no answer of the vehicle.

        Raises
        ------
        AdapterLost
        """
        command = self._obd.OBDCommand("ROADLOG_SUPPLY", "", b"ATRV", 0, _keep, self._obd.ECU.ALL)
        said = [_VOLTS.match(m.raw()) for m in self._query(command).messages]
        volts = [float(found[1]) for found in said if found is not None]
        return volts[0] if len(volts) == 1 and 5.0 <= volts[0] <= 36.0 else None

    def vin(self) -> str | None:
        """The vehicle's number, None if it doesn't tell.

        Raises
        ------
        AdapterLost
        """
        command = self._obd.OBDCommand("ROADLOG_VIN", "", b"0902", 0, _keep, self._obd.ECU.ALL)
        for _ in range(_VIN_TRIES):
            data = self._engine_data(self._query(command).messages)
            vin = None if data is None else _VIN.search(data[2:].decode("latin-1"))
            if vin is not None:
                return vin[1]
        return None

    def close(self) -> None:
        """Close the port; an adapter that is gone is no error."""
        try:
            self._connection.close()
        except Exception:  # the other side is gone: nothing is left to close
            logging.getLogger(__name__).debug("adapter gone while closing", exc_info=True)

    def _query(self, command: Any) -> Any:
        try:
            response = self._connection.query(command, force=True)
        except Exception as e:  # garbage on the line raises many types inside the library
            raise AdapterLost(f"unreadable answer ({type(e).__name__})") from e
        if self._connection.status() == self._obd.OBDStatus.NOT_CONNECTED:
            raise AdapterLost("the adapter stopped answering")
        return response

    def _request(self, pids: tuple[int, ...]) -> Answer:
        first = pids not in self._commands
        command = self._command(pids)
        answer = self._judge(self._query(command).messages, pids)
        if first and answer.trouble:
            command.fast = False  # the library would wait for as many frames as this answer had
        return answer

    def _judge(self, messages: Sequence[Any], pids: tuple[int, ...]) -> Answer:
        if not messages:
            return Answer(trouble="no answer")
        trouble = refused([m.raw() for m in messages if not m.parsed()])
        if trouble:
            return Answer(trouble=trouble)
        data = self._engine_data(messages)
        return Answer(trouble="damaged") if data is None else split(data, pids)

    def _ask(self, pids: tuple[int, ...], length: int) -> bytes | None:
        """Data of a support PID, tried three times."""
        for _ in range(3):
            data = self._engine_data(self._query(self._command(pids)).messages)
            if data is not None and len(data) == 2 + length and data[:2] == bytes([0x41, *pids]):
                return data[2:]
        return None

    def _engine_data(self, messages: Sequence[Any]) -> bytes | None:
        ours = [m for m in messages if m.parsed() and m.ecu == self._obd.ECU.ENGINE]
        if len(ours) != 1:
            return None
        kind = self._checksum()
        for frame in ours[0].frames:
            if kind != "none" and not checksum_holds(bytes.fromhex(frame.raw), kind):
                return None
        data = bytes(ours[0].data)
        whole = ours[0].frames[0].data_len  # set on CAN only
        if whole is None:
            return data
        single = len(ours[0].frames) == 1
        return data if len(data) == whole and (not single or self._fills(ours[0], whole)) else None

    def _fills(self, message: Any, whole: int) -> bool:
        """Whether a single CAN frame is as long as it has to be for this many bytes of data.

        It has eight bytes, of which filling follows the data (ISO 15765-4), or as many as it needs;
        from an engine that fills its frames, a shorter one has lost digits.
        """
        header = 3 if self.protocol in SHORT_HEADERS else 8
        n = (len(message.frames[0].raw) - header) / 2
        self._filled = self._filled or n == CAN_BYTES > whole + 1
        return n == CAN_BYTES or (n == whole + 1 and not self._filled)

    def _checksum(self) -> Checksum:
        if self.protocol in K_LINE_PROTOCOLS:
            return "sum"
        return "crc" if self.protocol in ("1", "2") else "none"

    def _command(self, pids: tuple[int, ...]) -> Any:
        if pids not in self._commands:
            text = b"01" + b"".join(b"%02X" % p for p in pids)
            # No length: the library then neither pads nor cuts an answer. One PID's answer is one
            # frame or so, and the library may say how many to wait for, which saves a time-out.
            self._commands[pids] = self._obd.OBDCommand(
                f"ROADLOG_{text.decode()}", "", text, 0, _keep, self._obd.ECU.ALL, len(pids) == 1
            )
        return self._commands[pids]

    def _decode(self, signal: str, data: bytes) -> float:
        if signal in OWN_DECODERS:
            return OWN_DECODERS[signal](data)
        pid = ASKED[signal].pid
        message = self._obd.protocols.protocol.Message([])
        message.data = bytearray([0x41, pid]) + data
        quantity = self._obd.commands[1][pid].decode([message])
        unit = SIGNALS[signal].unit
        return float(quantity.to(_UNITS[unit]).magnitude if unit in _UNITS else quantity.magnitude)


def _keep(messages: Any) -> Any:
    return messages


def _has_no_baud(port: str) -> bool:
    return "://" in port or port.startswith(("/dev/pts/", "/dev/rfcomm"))
