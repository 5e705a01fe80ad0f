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
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from roadlog.errors import InputError
from roadlog.ingest.recorder.clock import now_s
from roadlog.ingest.recorder.events import Event, PositionTrouble
from roadlog.ingest.recorder.nmea import PositionFix, SentenceReader
from roadlog.units import convert

SILENCE_S = 10.0
BACK_OFF_S = (1.0, 2.0, 5.0, 10.0)
_TICK_S = 0.5
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
            return Receiver("gpsd", host or "localhost", int(port or _GPSD_PORT))
        if text.startswith("tcp://"):
            host, _, port = text.removeprefix("tcp://").partition(":")
            return Receiver("tcp", host, int(port))
        device, _, baud = text.partition("@")
        if device and "://" not in device:
            return Receiver("serial", device, int(baud or _BAUD))
    except ValueError:
        pass
    raise InputError(
        f"--gps {text} is no receiver: give a device such as /dev/ttyACM0@9600, tcp://HOST:PORT "
        "or gpsd://HOST:PORT"
    )


def follow(receiver: Receiver, emit: Callable[[Event], None], stop: threading.Event) -> None:
    """Emit fixes until `stop` is set; connect again whenever the receiver is gone."""
    tries = 0
    while not stop.is_set():
        try:
            for fix in _fixes(receiver, stop):
                tries = 0
                emit(fix)
        except OSError as e:  # pyserial's errors are OSErrors
            emit(PositionTrouble(now_s(), e.strerror or str(e)))
        stop.wait(BACK_OFF_S[min(tries, len(BACK_OFF_S) - 1)])
        tries += 1


def _fixes(receiver: Receiver, stop: threading.Event) -> Iterator[PositionFix]:
    lines = _serial_lines(receiver, stop) if receiver.kind == "serial" else _lines(receiver, stop)
    if receiver.kind == "gpsd":
        for t_s, line in lines:
            fix = gpsd_fix(line, t_s)
            if fix is not None:
                yield fix
        return
    reader = SentenceReader()
    for t_s, line in lines:
        fix = reader.feed(line, t_s)
        if fix is not None:
            yield fix


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

    >>> gpsd_fix('{"class":"TPV","mode":2,"lat":45.0,"lon":7.0,"speed":10}', 5.0).values
    {'lat_deg': 45.0, 'lon_deg': 7.0, 'gps_speed_kmh': 36.0}
    """
    try:
        report = json.loads(line)
    except ValueError:
        return None
    if not isinstance(report, dict) or report.get("class") != "TPV" or report.get("mode", 0) < 2:
        return None
    lat, lon = _number(report, "lat"), _number(report, "lon")
    if lat is None or lon is None:
        return None
    values = {"lat_deg": lat, "lon_deg": lon}
    altitude = _number(report, "altMSL")
    if altitude is not None and report["mode"] == 3:
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
    value = report.get(key)
    return float(value) if isinstance(value, int | float) else None


def _gpsd_utc(text: object) -> float | None:
    try:
        return dt.datetime.fromisoformat(str(text).replace("Z", "+00:00")).timestamp()
    except ValueError:
        return None
