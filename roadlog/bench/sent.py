"""What a browser's form sent, with files: read as it comes, within limits, by python-multipart.

One reader for every form of `multipart/form-data`. No file is ever in memory: its bytes go piece
by piece to the place that `begin` gives for its name. Fields are short and few.
"""

import shutil
import tempfile
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Protocol

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request

from roadlog.bench.forms import remember
from roadlog.errors import InputError

MOST_FIELD_BYTES = 1 << 16  # of all fields together
MOST_PARTS = 1000
NO_FORM = "this is no form with files: load the page anew and send it again"
DAMAGED = "the form came in broken: send it again"
CUT_OFF = "'{name}' was cut off on its way: nothing of it was kept, send it again"
CUT_OFF_BETWEEN = "the form was cut off on its way: send it again"
TOO_MUCH = "the form is too large: write less"


class Place(Protocol):
    """Where one file's bytes go; `keep` is called once all came, `drop` where they didn't."""

    def write(self, piece: bytes) -> None:
        """Take the next bytes."""

    def keep(self) -> object:
        """Keep the file: it is whole."""

    def drop(self) -> None:
        """Keep nothing of it."""


@dataclass
class Form:
    """Fields by name, of two with one name the last; the files' own names in their order."""

    fields: dict[str, str] = field(default_factory=dict)
    files: list[str] = field(default_factory=list)


async def read_form(request: Request, begin: Callable[[str], Place]) -> Form:
    """Read a form; `begin` takes each file's name. On a fault those before it are kept, whole.

    Raises
    ------
    InputError
        If it is no such form, damaged, cut off, or has too many or too long fields; and what a
        place raises.
    """
    from python_multipart.exceptions import FormParserError
    from python_multipart.multipart import MultipartParser, parse_options_header

    kind, options = parse_options_header(request.headers.get("content-type", ""))
    if kind != b"multipart/form-data" or not options.get(b"boundary"):
        raise InputError(NO_FORM)
    parts = _Parts(begin)
    try:
        parser = MultipartParser(options[b"boundary"], parts.callbacks())
        async for piece in request.stream():
            await run_in_threadpool(parser.write, piece)
        await run_in_threadpool(parser.finalize)
    except FormParserError as e:
        raise InputError(DAMAGED) from e
    except ClientDisconnect as e:
        raise InputError(parts.cut_off) from e
    finally:
        open_file, parts.place = parts.place, None
        if open_file is not None:
            open_file.drop()
        remember(request, parts.form.fields)
    if not parts.whole:
        raise InputError(parts.cut_off)
    return parts.form


class _Parts:
    """What the parser calls at each turn."""

    def __init__(self, begin: Callable[[str], Place]) -> None:
        self.begin, self.form = begin, Form()
        self.place: Place | None = None
        self.whole = False
        self._count = self._size = 0
        self._header, self._value, self._said = bytearray(), bytearray(), bytearray()
        self._field: str | None = None
        self._file: str | None = None

    @property
    def cut_off(self) -> str:
        """That the form ended too early, with the file on which it did."""
        return CUT_OFF.format(name=self._file) if self._file else CUT_OFF_BETWEEN

    def callbacks(self) -> Any:
        """The parser's calls by name."""
        return {
            "on_part_begin": self._part,
            "on_header_field": lambda data, a, b: self._header.extend(data[a:b]),
            "on_header_value": lambda data, a, b: self._value.extend(data[a:b]),
            "on_header_end": self._header_end,
            "on_headers_finished": self._begin,
            "on_part_data": self._data,
            "on_part_end": self._end,
            "on_end": self._all,
        }

    def _part(self) -> None:
        self._count += 1
        if self._count > MOST_PARTS:
            raise InputError(TOO_MUCH)
        self._field = self._file = None
        self._said.clear()

    def _header_end(self) -> None:
        from python_multipart.multipart import parse_options_header

        if bytes(self._header).lower() == b"content-disposition":
            _, options = parse_options_header(bytes(self._value))
            name, file = options.get(b"name"), options.get(b"filename")
            self._field = None if name is None else name.decode("utf-8", "replace")
            self._file = None if file is None else file.decode("utf-8", "replace")
        self._header.clear()
        self._value.clear()

    def _begin(self) -> None:
        if self._file:  # an empty name is a chooser in which nothing was chosen
            self.place = self.begin(self._file)

    def _data(self, data: bytes, start: int, end: int) -> None:
        if self.place is not None:
            self.place.write(data[start:end])
        elif self._file is None:
            self._size += end - start
            if self._size > MOST_FIELD_BYTES:
                raise InputError(TOO_MUCH)
            self._said += data[start:end]

    def _end(self) -> None:
        if self.place is not None:
            self.place.keep()
            self.place = None
            self.form.files.append(self._file or "")
        elif self._file is None and self._field is not None:
            self.form.fields[self._field] = self._said.decode("utf-8", "replace")
        self._field = self._file = None

    def _all(self) -> None:
        self.whole = True


@dataclass(frozen=True)
class Sent:
    """Fields by name; the one file's own name ("" if none was sent) and its bytes."""

    fields: dict[str, str]
    name: str
    body: IO[bytes]

    def read(self) -> bytes:
        """The file's bytes."""
        self.body.seek(0)
        return self.body.read()

    def write(self, path: Path) -> None:
        """Put the file's bytes where they are wanted."""
        self.body.seek(0)
        with path.open("wb") as out:
            shutil.copyfileobj(self.body, out, 1 << 20)


class _One:
    """A place for one file on the disk, of at most so many bytes."""

    def __init__(self, body: IO[bytes], most_bytes: int) -> None:
        self.body, self.most_bytes, self.size, self.begun = body, most_bytes, 0, False

    def begin(self, _name: str) -> "_One":
        if self.begun:
            raise InputError("two files came where one is asked for: send one")
        self.begun = True
        return self

    def write(self, piece: bytes) -> None:
        self.size += len(piece)
        if self.size > self.most_bytes:
            raise InputError(f"the file is larger than {self.most_bytes >> 20} MB: choose another")
        try:
            self.body.write(piece)
        except OSError as e:
            raise InputError(f"the file wasn't kept ({e.strerror}): make room on the disk") from e

    def keep(self) -> None:
        self.body.flush()

    def drop(self) -> None:
        pass  # the temporary file goes with its form


@asynccontextmanager
async def sent(request: Request, most_bytes: int, folder: Path) -> AsyncIterator[Sent]:
    """A form with at most one file, whose bytes lie in a nameless file of `folder` meanwhile.

    Raises
    ------
    InputError
        If the file is larger than `most_bytes`, or as in `read_form`.
    """
    with tempfile.TemporaryFile(dir=folder) as body:
        form = await read_form(request, _One(body, most_bytes).begin)
        yield Sent(form.fields, form.files[0] if form.files else "", body)
