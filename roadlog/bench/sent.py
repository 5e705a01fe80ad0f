"""What a browser's form sent, with one file: read as it comes, within limits, to a file on disk.

The form's short fields stand before its file. The file's bytes are never all in memory.
"""

import re
import tempfile
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from email.message import Message
from pathlib import Path
from typing import IO

from starlette.requests import Request

from roadlog.errors import InputError

HEAD_BYTES = 1 << 16
PIECE_BYTES = 1 << 20
_NOT_SO = "the form came in broken: send it again"


@dataclass(frozen=True)
class Sent:
    """Fields by name; the file's own name and where its bytes lie in `body`."""

    fields: dict[str, str]
    name: str
    body: IO[bytes]
    start: int
    end: int

    def pieces(self) -> Iterator[bytes]:
        """The file's bytes."""
        self.body.seek(self.start)
        left = self.end - self.start
        while left > 0:
            piece = self.body.read(min(PIECE_BYTES, left))
            if not piece:
                raise InputError(_NOT_SO)
            left -= len(piece)
            yield piece

    def write(self, path: Path) -> None:
        """Put the file's bytes where they are wanted."""
        with path.open("wb") as out:
            for piece in self.pieces():
                out.write(piece)


@asynccontextmanager
async def sent(request: Request, most_bytes: int, folder: Path) -> AsyncIterator[Sent]:
    """A form of `multipart/form-data` with one file as its last field.

    Raises
    ------
    InputError
        If it is larger than `most_bytes`, or no such form.
    """
    said = Message()
    said["content-type"] = request.headers.get("content-type", "")
    boundary = said.get_boundary()
    if said.get_content_type() != "multipart/form-data" or not boundary:
        raise InputError(_NOT_SO)
    with tempfile.TemporaryFile(dir=folder) as body:
        size = 0
        async for piece in request.stream():
            size += len(piece)
            if size > most_bytes + HEAD_BYTES:
                raise InputError(f"the file is larger than {most_bytes >> 20} MB: choose another")
            body.write(piece)
        yield read_form(body, size, boundary.encode())


def read_form(body: IO[bytes], size: int, boundary: bytes) -> Sent:
    """Fields and file of a form that lies in `body`."""
    body.seek(0)
    head = body.read(HEAD_BYTES)
    fields: dict[str, str] = {}
    at = 0
    mark = b"--" + boundary + b"\r\n"
    while head.startswith(mark, at):
        begin = at + len(mark)
        stop = head.find(b"\r\n\r\n", begin)
        if stop < 0:
            raise InputError(_NOT_SO)
        name, file = _names(head[begin:stop])
        start = stop + 4
        if file is not None:
            return Sent(fields, file, body, start, _end(body, size, boundary, start))
        after = head.find(b"\r\n--" + boundary, start)
        if after < 0:
            raise InputError(_NOT_SO)
        fields[name] = head[start:after].decode("utf-8", "replace")
        at = after + 2
    return Sent(fields, "", body, 0, 0)


def _names(header: bytes) -> tuple[str, str | None]:
    """The name of a field, and of its file if it is one."""
    text = header.decode("utf-8", "replace")
    name = re.search(r'[;\s]name="([^"]*)"', text)
    file = re.search(r'[;\s]filename="([^"]*)"', text)
    if name is None:
        raise InputError(_NOT_SO)
    return name.group(1), None if file is None else file.group(1)


def _end(body: IO[bytes], size: int, boundary: bytes, start: int) -> int:
    last = b"\r\n--" + boundary + b"--"
    reach = len(last) + 64
    body.seek(max(size - reach, 0))
    tail = body.read()
    found = tail.rfind(last)
    end = max(size - reach, 0) + found
    if found < 0 or end < start:
        raise InputError(_NOT_SO)
    return end
