"""The other side of the recorder in tests: an emulated adapter and car, and faults in between."""

import os
import random
import select
import socket
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

PROMPT = b">"


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


class Emulator:
    """ELM327-emulator in a process of its own; `place` is what opens it."""

    def __init__(self, *, tcp: bool) -> None:
        self.port = free_port() if tcp else None
        argv = [sys.executable, str(Path(__file__).with_name("emulator_peer.py"))]
        self._process = subprocess.Popen(
            argv + ([str(self.port)] if tcp else []),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            cwd=tempfile.gettempdir(),  # it leaves an empty log where it runs
        )
        assert self._process.stdout is not None
        said = self._process.stdout.readline().strip()
        assert said, "the emulator didn't start"
        self.place = f"socket://127.0.0.1:{self.port}" if tcp else said

    def close(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


class Line:
    """A line with faults between the recorder and the emulator, over TCP or a pseudo-terminal.

    Faults are attributes that a test sets while it runs: `delay_s` before each answer, `drop` and
    `garble` as chances per byte, `noise` the bytes that garbling puts in, `mute` to swallow all,
    `refuse` to accept no connection; `canned` answers a request in the car's place.
    """

    def __init__(self, emulator: Emulator, *, tcp: bool = True, seed: int = 1) -> None:
        self.delay_s = 0.0
        self.drop = 0.0
        self.garble = 0.0
        self.noise = bytes(range(256))
        self.mute = False
        self.refuse = False
        self.k_line = False
        self.canned: Callable[[str], str | None] = lambda request: None
        self.requests: list[tuple[float, str]] = []
        self._random = random.Random(seed)
        self._emulator = emulator
        self._stop = threading.Event()
        self._client: socket.socket | None = None
        self._slave: int | None = None
        if tcp:
            self._server = socket.create_server(("127.0.0.1", 0))
            self._server.settimeout(0.1)
            self.place = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
            serve = self._serve_tcp
        else:
            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            self.place = os.ttyname(self._slave)
            serve = self._serve_pty
        self._thread = threading.Thread(target=serve, daemon=True)
        self._thread.start()

    def cut(self) -> None:
        """Drop the connection, as when an adapter is unplugged."""
        if self._client is not None:
            self._client.close()
            self._client = None

    def close(self) -> None:
        self._stop.set()
        self.cut()
        self._thread.join(3)

    def _upstream(self) -> tuple[Callable[[bytes], object], Callable[[], bytes]]:
        if self._emulator.port is not None:
            s = socket.create_connection(("127.0.0.1", self._emulator.port))
            return s.sendall, lambda: s.recv(4096)
        fd = os.open(self._emulator.place, os.O_RDWR | os.O_NOCTTY)
        return lambda data: os.write(fd, data), lambda: os.read(fd, 4096)

    def _serve_tcp(self) -> None:
        send, receive = self._upstream()
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

            self._talk(read, client.sendall, send, receive)

    def _serve_pty(self) -> None:
        send, receive = self._upstream()

        def read() -> bytes | None:
            if not select.select([self._master], [], [], 0.1)[0]:
                return None
            return os.read(self._master, 4096)

        self._talk(read, lambda data: os.write(self._master, data), send, receive)

    def _talk(
        self,
        read: Callable[[], bytes | None],
        write: Callable[[bytes], object],
        send: Callable[[bytes], object],
        receive: Callable[[], bytes],
    ) -> None:
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
                    request, buffer = buffer.split(b"\r", 1)
                    answer = self._answer(request, send, receive)
                    if not self.mute:
                        time.sleep(self.delay_s)
                        write(self._damaged(answer))
        except OSError:
            return

    def _answer(
        self, request: bytes, send: Callable[[bytes], object], receive: Callable[[], bytes]
    ) -> bytes:
        text = request.decode("latin-1").replace(" ", "").strip().upper()
        if text == "" and self.requests:
            text = self.requests[-1][1]  # an empty line asks the last question again
            request = text.encode()
        self.requests.append((time.monotonic(), text))
        canned = self.canned(text)
        if canned is None and self.k_line and text == "ATDPN":
            canned = "A3"
        if canned is not None:
            return canned.encode() + b"\r\r>"
        send(request + b"\r")
        answer = b""
        while PROMPT not in answer:
            answer += receive()
        return _as_k_line(answer) if self.k_line else answer

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


def _as_k_line(answer: bytes) -> bytes:
    """CAN single frames as ISO 9141-2 sends them: three header bytes, data, sum modulo 256."""
    lines = []
    for line in answer.decode("latin-1").split("\r"):
        digits = line.replace(" ", "")
        if digits.startswith("7E8") and len(digits) > 5:
            frame = bytes.fromhex("486B10") + bytes.fromhex(digits[5:])
            line = (frame + bytes([sum(frame) & 0xFF])).hex().upper()
        lines.append(line)
    return "\r".join(lines).encode("latin-1")
