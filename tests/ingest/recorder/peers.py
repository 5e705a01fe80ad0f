"""The other side of the recorder in tests: a scripted adapter with its vehicle, and a bad line."""

import os
import random
import re
import select
import socket
import threading
import time
import tty
from collections.abc import Callable

from .vehicle import Vehicle

SEARCHED = "6789345"
SESSION_S = 5.0  # ISO 9141-2 and ISO 14230-4: a session lapses after this long without a request
_SETTING = re.compile(r"(E|H|L|S|AL|AT|M|CAF|ST)[0-9A-F]*")


class ScriptedAdapter:
    """A serial OBD interface with the common AT commands, in front of a `Vehicle`.

    One command line in, the text of its answer out, without the prompt. Like any such interface it
    starts with echo and line feeds on and headers off, searches the protocol when it is told "0",
    takes a digit behind a request for the number of frames to wait for, and answers "?" to what it
    doesn't understand. `Line` repeats the last request on an empty line.
    """

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        self.volts = 13.8
        self._reset()

    def _reset(self) -> None:
        self._on = {"E": True, "H": False, "L": True, "S": True}
        self._asked_for = "0"
        self._found = ""
        self._session_s = -SESSION_S

    def answer(self, line: str) -> str:
        """The whole answer to one line as it stands on the wire, up to the prompt."""
        text = re.sub(r"\s", "", line).upper()
        echo = line + "\r" if self._on["E"] else ""
        body = self._command(text[2:]) if text.startswith("AT") else self._request(text)
        end = "\r\n" if self._on["L"] else "\r"
        return echo + "".join(x + end for x in body) + end

    def _command(self, text: str) -> list[str]:
        if text == "Z":
            self._reset()
            return ["", "SCRIPTED 1.0"]
        if text == "RV":
            return [f"{self.volts:.1f}V"]
        if text == "I":
            return ["SCRIPTED 1.0"]
        if text == "DPN":
            return [("A" if self._asked_for == "0" else "") + (self._found or "0")]
        if text[:2] in ("SP", "TP") and text[2:] and text[-1] in "0123456789ABC":
            self._asked_for, self._found = text[-1], ""
            return ["OK"]
        if _SETTING.fullmatch(text):
            if len(text) == 2 and text[0] in self._on:
                self._on[text[0]] = text[1] == "1"
            return ["OK"]
        return ["?"]

    def _request(self, text: str) -> list[str]:
        digits = text[:-1] if len(text) % 2 else text  # the odd one says how many frames to expect
        if not re.fullmatch(r"([0-9A-F]{2})+", digits):
            return ["?"]
        said = self._begin()
        if not self._found:
            return [*said, "UNABLE TO CONNECT"]
        frames = self.vehicle.answer(bytes.fromhex(digits))
        return said + ([self._shown(f) for f in frames] or ["NO DATA"])

    def _begin(self) -> list[str]:
        """What is said before an answer: the search, or the start of a session off CAN."""
        said: list[str] = []
        speaks = not self.vehicle.asleep
        if not self._found:
            wanted = SEARCHED if self._asked_for == "0" else self._asked_for
            if self._asked_for == "0":
                said.append("SEARCHING...")
            self._found = (
                self.vehicle.protocol if speaks and self.vehicle.protocol in wanted else ""
            )
        now = time.monotonic()
        if self._found and not self.vehicle.can and now - self._session_s >= SESSION_S:
            said.append("BUS INIT: OK")
        self._session_s = now
        return said

    def _shown(self, frame: str) -> str:
        head = {"6": 3, "8": 3, "7": 8, "9": 8}.get(self.vehicle.protocol, 6)
        shown = [frame[:head]] if head == 3 else re.findall("..", frame[:head])
        shown += re.findall("..", frame[head:])
        if not self._on["H"]:
            shown = re.findall("..", frame[head:])
            shown = shown[1:] if self.vehicle.can else shown[:-1]
        return (" " if self._on["S"] else "").join(shown)


class Line:
    """The scripted adapter on a TCP port or a pseudo-terminal, over a line with faults.

    Faults are attributes that a test sets while it runs: `delay_s` before each answer, `drop` and
    `garble` as chances per byte, `noise` the bytes that garbling puts in, `mute` to swallow all,
    `refuse` to accept no connection; `canned` answers a request in the adapter's place.
    """

    def __init__(self, vehicle: Vehicle | None = None, *, tcp: bool = True, seed: int = 1) -> None:
        self.vehicle = Vehicle() if vehicle is None else vehicle
        self.adapter = ScriptedAdapter(self.vehicle)
        self.delay_s = 0.0
        self.drop = 0.0
        self.garble = 0.0
        self.noise = bytes(range(256))
        self.mute = False
        self.refuse = False
        self.canned: Callable[[str], str | None] = lambda request: None
        self.requests: list[tuple[float, str]] = []
        self._random = random.Random(seed)
        self._stop = threading.Event()
        self._client: socket.socket | None = None
        if tcp:
            self._server = socket.create_server(("127.0.0.1", 0))
            self._server.settimeout(0.1)
            self.place = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
            serve = self._serve_tcp
        else:
            self._ours, self._theirs = os.openpty()
            tty.setraw(self._theirs)
            self.place = os.ttyname(self._theirs)
            serve = self._serve_pty
        self._tcp = tcp
        self._thread = threading.Thread(target=serve, daemon=True)
        self._thread.start()

    def cut(self) -> None:
        """Drop the connection, as when an adapter is unplugged."""
        if self._client is not None:
            self._client.close()
            self._client = None
        if not self._tcp and not self._stop.is_set():
            self._stop.set()
            self._thread.join(3)
            os.close(self._theirs)
            os.close(self._ours)

    def close(self) -> None:
        self.cut()
        self._stop.set()
        self._thread.join(3)
        if self._tcp:
            self._server.close()

    def _serve_tcp(self) -> None:
        while not self._stop.is_set():
            if self.refuse:
                time.sleep(0.05)
                continue
            try:
                client, _ = self._server.accept()
            except TimeoutError:
                continue
            client.settimeout(0.1)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._client = client

            def read(client: socket.socket = client) -> bytes | None:
                try:
                    return client.recv(4096)
                except TimeoutError:
                    return None

            self._talk(read, client.sendall)

    def _serve_pty(self) -> None:
        def read() -> bytes | None:
            if not select.select([self._ours], [], [], 0.1)[0]:
                return None
            return os.read(self._ours, 4096)

        self._talk(read, lambda data: os.write(self._ours, data))

    def _talk(self, read: Callable[[], bytes | None], write: Callable[[bytes], object]) -> None:
        buffer = b""
        try:
            while not self._stop.is_set():
                data = read()
                if data is None:
                    continue
                if not data:
                    return
                buffer += data
                while b"\r" in buffer:
                    line, buffer = buffer.split(b"\r", 1)
                    answer = self._answer(line.decode("latin-1"))
                    if not self.mute:
                        time.sleep(self.delay_s)
                        write(self._damaged(answer))
        except OSError:
            return

    def _answer(self, line: str) -> bytes:
        text = line.replace(" ", "").strip().upper()
        if text == "" and self.requests:
            text = self.requests[-1][1]  # an empty line asks the last question again
        self.requests.append((time.monotonic(), text))
        canned = self.canned(text)
        said = canned + "\r\r" if canned is not None else self.adapter.answer(line or text)
        return said.encode("latin-1") + b">"

    def _damaged(self, answer: bytes) -> bytes:
        if not (self.drop or self.garble):
            return answer
        out = bytearray()
        for byte in answer:
            if self._random.random() < self.drop:
                continue
            if self._random.random() < self.garble:
                out.append(self._random.choice(self.noise))
            else:
                out.append(byte)
        return bytes(out)
