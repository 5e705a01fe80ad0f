"""A position receiver for tests: NMEA 0183 sentences of a steady drive, over TCP."""

import datetime as dt
import math
import socket
import threading
import time

START = dt.datetime(2026, 3, 2, 7, 45, 0, tzinfo=dt.UTC)


def sentence(body: str) -> str:
    check = 0
    for c in body.encode():
        check ^= c
    return f"${body}*{check:02X}\r\n"


def instant(t: dt.datetime, lat: float, lon: float, speed_kn: float = 43.2) -> str:
    """RMC and GGA of one fix."""

    def angle(value: float, width: int) -> str:
        degrees = math.floor(abs(value))
        return f"{degrees:0{width}d}{(abs(value) - degrees) * 60:08.5f}"

    ns, ew = "N" if lat >= 0 else "S", "E" if lon >= 0 else "W"
    clock = f"{t:%H%M%S}.{t.microsecond // 10000:02d}"
    place = f"{angle(lat, 2)},{ns},{angle(lon, 3)},{ew}"
    return sentence(f"GPRMC,{clock},A,{place},{speed_kn:.1f},90.0,{t:%d%m%y},,,A") + sentence(
        f"GPGGA,{clock},{place},1,09,0.9,312.0,M,48.0,M,,"
    )


class TcpReceiver:
    """Sends one fix every `step_s`, to one client after another, silent for the first `after_s`."""

    def __init__(self, *, step_s: float = 0.2, after_s: float = 0.0, utc: dt.datetime = START):
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.2)
        self.place = f"tcp://127.0.0.1:{self._server.getsockname()[1]}"
        self._stop = threading.Event()
        self._begun = time.monotonic()
        self._step_s, self._after_s, self._utc = step_s, after_s, utc
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._stop.set()
        self._thread.join(2)
        self._server.close()

    def _serve(self) -> None:
        while not self._stop.is_set():
            try:
                client, _ = self._server.accept()
            except TimeoutError:
                continue
            with client:
                try:
                    self._send(client)
                except OSError:
                    continue

    def _send(self, client: socket.socket) -> None:
        while not self._stop.is_set():
            passed = time.monotonic() - self._begun
            if passed >= self._after_s:
                now = self._utc + dt.timedelta(seconds=round(passed, 2))
                client.sendall(instant(now, 45.0, 7.0 + passed * 2e-4).encode())
            self._stop.wait(self._step_s)
