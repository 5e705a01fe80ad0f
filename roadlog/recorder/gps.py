"""Position at the same time: a receiver's sentences, or gpsd's JSON, to fixes on the common clock.

In comes where the receiver is (a serial or USB device, a TCP port that sends NMEA 0183, or gpsd);
out come fixes, stamped in seconds since boot. A receiver that falls silent or is unplugged is
opened again; meanwhile there are no positions, never old ones repeated.

References
----------
gpsd's JSON protocol, https://gpsd.io/gpsd_json.html (WATCH, TPV: mode, time, lat, lon, altMSL or
altHAE, speed in m/s, track, eph).
"""

import datetime as dt
import json
import logging
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from roadlog.errors import InputError
from roadlog.ingest.journal.clock import now_s
from roadlog.ingest.positions.nmea import PositionFix, SentenceReader, fields_of, possible
from roadlog.quantities.units import convert
from roadlog.recorder.events import Event, PositionLinesRefused, PositionTrouble

SILENCE_S = 10.0
BACK_OFF_S = (1.0, 2.0, 5.0, 10.0)
REFUSED_EVERY_S = 60.0
_TICK_S = 0.5
_PORTS = range(1, 65536)
_MAX_BUFFER = 1 << 16
_GPSD_PORT = 2947
_BAUD = 9600


@dataclass(frozen=True)
class Receiver:
    """Where positions come from."""

    kind: Literal["serial", "tcp", "gpsd"]
    where: str
    number: int  # baud rate or TCP port


def receiver_at(text: str) -> Receiver:
    """The receiver that an option names.

    Raises
    ------
    InputError

    >>> receiver_at("/dev/ttyACM0"), receiver_at("gpsd://localhost")
    (Receiver(kind='serial', where='/dev/ttyACM0', number=9600), \
Receiver(kind='gpsd', where='localhost', number=2947))
    """
    try:
        if text.startswith("gpsd://"):
            host, _, port = text.removeprefix("gpsd://").partition(":")
            return Receiver("gpsd", host or "localhost", _port(port or _GPSD_PORT))
        if text.startswith("tcp://"):
            host, _, port = text.removeprefix("tcp://").partition(":")
            return Receiver("tcp", host, _port(port))
        device, _, baud = text.partition("@")
        if device and "://" not in device:
            return Receiver("serial", device, int(baud or _BAUD))
    except ValueError:
        pass
    raise InputError(
        f"--gps {text} is no receiver: give a device such as /dev/ttyACM0@9600, tcp://HOST:PORT "
        "or gpsd://HOST:PORT"
    )


def _port(text: str | int) -> int:
    number = int(text)
    if number not in _PORTS:
        raise ValueError(text)
    return number


def follow(receiver: Receiver, emit: Callable[[Event], None], stop: threading.Event) -> None:
    """Emit fixes until `stop` is set; connect again whenever the receiver is gone.

    Nothing that a receiver sends ends it: a bad line is counted, whatever else goes wrong is told.
    """
    tries = 0
    while not stop.is_set():
        refused = _Refused(emit)
        try:
            for fix in _fixes(receiver, stop, refused):
                tries = 0
                emit(fix)
        except OSError as e:  # pyserial's errors are OSErrors
            emit(PositionTrouble(now_s(), e.strerror or str(e)))
        except InputError as e:
            emit(PositionTrouble(now_s(), str(e)))
        except Exception as e:  # whatever it is, positions are tried again
            logging.getLogger(__name__).exception("following the receiver failed")
            emit(PositionTrouble(now_s(), f"unexpected trouble ({type(e).__name__})"))
        finally:
            refused.tell()
        stop.wait(BACK_OFF_S[min(tries, len(BACK_OFF_S) - 1)])
        tries += 1


def first_word(receiver: Receiver, within_s: float) -> PositionFix | bool:
    """The first fix that comes within that time; else whether whole sentences of a receiver do.

    A receiver under a roof sends sentences without a position; another device sends none.
    """
    stop = threading.Event()
    timer = threading.Timer(within_s, stop.set)
    timer.daemon = True
    timer.start()
    reader, speaks = SentenceReader(), False
    try:
        lines = _serial_lines if receiver.kind == "serial" else _lines
        for t_s, line in lines(receiver, stop):
            if receiver.kind == "gpsd":
                speaks = speaks or '"class"' in line
                fix = _quiet_fix(line, t_s)
            else:
                speaks = speaks or fields_of(line) is not None
                fix = reader.feed(line, t_s)
            if fix is not None and possible(fix) is not None:
                return fix
    except (OSError, InputError):
        return speaks
    finally:
        timer.cancel()
    return speaks


def _quiet_fix(line: str, t_s: float) -> PositionFix | None:
    try:
        return gpsd_fix(line, t_s)
    except ValueError:
        return None


class _Refused:
    """Counts refused lines, and tells of them at once and then once a minute."""

    def __init__(self, emit: Callable[[Event], None]) -> None:
        self._emit = emit
        self._lines = 0
        self._told_s: float | None = None

    def add(self, lines: int, t_s: float) -> None:
        """Count lines refused at `t_s`."""
        self._lines += lines
        if self._lines and (self._told_s is None or t_s - self._told_s >= REFUSED_EVERY_S):
            self._told_s = t_s
            self.tell()

    def tell(self) -> None:
        """Emit what wasn't told yet."""
        if self._lines:
            self._emit(PositionLinesRefused(now_s(), self._lines))
            self._lines = 0


def _fixes(receiver: Receiver, stop: threading.Event, refused: _Refused) -> Iterator[PositionFix]:
    lines = _serial_lines(receiver, stop) if receiver.kind == "serial" else _lines(receiver, stop)
    reader = SentenceReader()
    for t_s, line in lines:
        bad = 0
        if receiver.kind == "gpsd":
            try:
                fix = gpsd_fix(line, t_s)
            except ValueError:
                fix, bad = None, 1
        else:
            before = reader.rejected
            fix = reader.feed(line, t_s)
            bad = reader.rejected - before
        told = None if fix is None else possible(fix)
        if fix is not None and (told is None or len(told.values) < len(fix.values)):
            bad += 1
        refused.add(bad, t_s)
        if told is not None:
            yield told


def _lines(receiver: Receiver, stop: threading.Event) -> Iterator[tuple[float, str]]:
    with socket.create_connection((receiver.where, receiver.number), timeout=SILENCE_S) as link:
        link.settimeout(_TICK_S)
        if receiver.kind == "gpsd":
            link.sendall(b'?WATCH={"enable":true,"json":true};\n')

        def read() -> bytes | None:
            try:
                data = link.recv(4096)
            except TimeoutError:
                return None
            if not data:
                raise OSError("the receiver closed the connection")
            return data

        yield from _split(read, stop)


def _serial_lines(receiver: Receiver, stop: threading.Event) -> Iterator[tuple[float, str]]:
    try:
        import serial
    except ImportError as e:
        raise InputError(
            "a receiver on a serial port needs the adapter extra: run  pip install "
            "'roadlog[adapter]'"
        ) from e
    with serial.Serial(receiver.where, receiver.number, timeout=_TICK_S) as link:
        yield from _split(lambda: link.read(link.in_waiting or 1) or None, stop)


def _split(read: Callable[[], bytes | None], stop: threading.Event) -> Iterator[tuple[float, str]]:
    """Lines with the time at which their first byte came in; OSError after long silence."""
    buffer = b""
    begun_s = heard_s = now_s()
    while not stop.is_set():
        data = read()
        t_s = now_s()
        if data is None:
            if t_s - heard_s > SILENCE_S:
                raise OSError(f"silent for {SILENCE_S:.0f} s")
            continue
        heard_s = t_s
        if not buffer:
            begun_s = t_s
        *whole, buffer = (buffer + data).split(b"\n")
        for line in whole:
            yield begun_s, line.decode("latin-1")
            begun_s = t_s
        if len(buffer) > _MAX_BUFFER:
            raise OSError("it sends no lines: check its baud rate")


def gpsd_fix(line: str, t_s: float) -> PositionFix | None:
    """The fix that one report of gpsd holds, None if it holds none.

    Raises
    ------
    ValueError
        If the line isn't one that gpsd may send.

    >>> gpsd_fix('{"class":"TPV","mode":2,"lat":45.0,"lon":7.0,"speed":10}', 5.0).values
    {'lat_deg': 45.0, 'lon_deg': 7.0, 'gps_speed_kmh': 36.0}
    """
    if not line.strip():
        return None
    try:
        report = json.loads(line)
    except RecursionError:
        raise ValueError("JSON nested too deeply") from None
    if not isinstance(report, dict) or not isinstance(report.get("class"), str):
        raise ValueError("a line of gpsd is a JSON object that names its class")
    if report["class"] != "TPV":
        return None
    mode = report.get("mode", 0)
    if isinstance(mode, bool) or not isinstance(mode, int):
        raise ValueError("a fix's mode is a number")
    if mode < 2:
        return None
    lat, lon = _number(report, "lat"), _number(report, "lon")
    if lat is None or lon is None:
        return None
    values = {"lat_deg": lat, "lon_deg": lon}
    altitude = _number(report, "altMSL")
    if altitude is not None and mode == 3:
        values["altitude_m"] = altitude
    speed = _number(report, "speed")
    if speed is not None:
        values["gps_speed_kmh"] = convert(speed, "m/s", "km/h")
    for key, signal in (("track", "heading_deg"), ("eph", "gps_accuracy_m")):
        number = _number(report, key)
        if number is not None:
            values[signal] = number
    return PositionFix(t_s, values, _gpsd_utc(report.get("time")))


def _number(report: Mapping[str, object], key: str) -> float | None:
    """A number of the report, infinite where no float holds it; None if there is none."""
    value = report.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{key} is no number")
    try:
        return float(value)
    except OverflowError:
        return float("inf")


def _gpsd_utc(text: object) -> float | None:
    try:
        return dt.datetime.fromisoformat(str(text).replace("Z", "+00:00")).timestamp()
    except (ValueError, OverflowError, OSError):
        return None
