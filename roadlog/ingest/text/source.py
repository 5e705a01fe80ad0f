"""A text that may be larger than memory is meant to hold: read in pieces that end at line ends.

In come bytes or an open file; out come slices, pieces of whole lines and rewritten texts. A small
text is held in memory, a large one stays in its file, and what is rewritten of it goes to a
temporary file without a name. Part of the ingest stage.
"""

import re
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

MAX_IN_MEMORY = 1 << 24
PIECE = 1 << 22
_ASKED_FOR = (b"\0", b'"')
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")


class Text:
    """Bytes of a text from `start` to `end` of what holds them; slices give bytes.

    >>> text = Text.of(b"a,b\\n1,2\\n")
    >>> len(text), text[4:7]
    (8, b'1,2')
    """

    def __init__(self, held: bytes | BinaryIO, start: int, end: int) -> None:
        self._held, self._start, self._end = held, start, end
        self._has: dict[bytes, bool] = {}
        self._ascii: bool | None = None

    @classmethod
    def of(cls, raw: bytes) -> "Text":
        """The text of these bytes, which stay in memory."""
        return cls(raw, 0, len(raw))

    @classmethod
    def opened(cls, path: Path) -> "Text":
        """The text of a file, in memory if it is small.

        Raises
        ------
        OSError, ValueError
            As `open` does.
        """
        file = path.open("rb")
        size = file.seek(0, 2)
        if size > MAX_IN_MEMORY:
            return cls(file, 0, size)
        with file:
            file.seek(0)
            return cls.of(file.read())

    @classmethod
    def kept(cls, pieces: Iterable[bytes]) -> "Text":
        """The text that these pieces make together."""
        few: list[bytes] = []
        left = iter(pieces)
        for piece in left:
            few.append(piece)
            if sum(map(len, few)) > MAX_IN_MEMORY:
                break
        else:
            return cls.of(b"".join(few))
        file = tempfile.TemporaryFile()  # noqa: SIM115 - it lives as long as the text
        size = 0
        for piece in few:
            size += file.write(piece)
        del few
        for piece in left:
            size += file.write(piece)
        file.flush()
        return cls(file, 0, size)

    def __len__(self) -> int:
        return self._end - self._start

    def __getitem__(self, at: slice) -> bytes:
        a, b, _ = at.indices(len(self))
        a, b = a + self._start, b + self._start
        if isinstance(self._held, bytes):
            return self._held[a:b]
        self._held.seek(a)
        return self._held.read(max(0, b - a))

    def __contains__(self, byte: bytes) -> bool:
        self._look_through()
        return self._has[byte] if byte in self._has else any(byte in p for _, p in self.pieces())

    @property
    def is_ascii(self) -> bool:
        """Whether no byte is beyond ASCII."""
        self._look_through()
        return bool(self._ascii)

    def _look_through(self) -> None:
        """Look once for all that is asked of every text."""
        if self._ascii is not None:
            return
        self._has, self._ascii = dict.fromkeys(_ASKED_FOR, False), True
        for _, piece in self.pieces():
            self._ascii = self._ascii and piece.isascii()
            for byte, found in self._has.items():
                self._has[byte] = found or byte in piece

    def part(self, start: int, end: int | None = None) -> "Text":
        """The text from one place to another."""
        a, b, _ = slice(start, end).indices(len(self))
        if (a, b) == (0, len(self)):
            return self
        return Text(self._held, self._start + a, self._start + b)

    def count(self, byte: bytes, end: int | None = None) -> int:
        """How often a byte is in the text, or in its beginning."""
        return sum(piece.count(byte) for _, piece in self.part(0, end).pieces())

    def pieces(
        self, start: int = 0, size: int | None = None, *, whole_quotes: bool = False
    ) -> Iterator[tuple[int, bytes]]:
        """Offset and bytes of pieces that end at a line's end, about `size` bytes long.

        With `whole_quotes` none ends between two double quotes.
        """
        size = size or PIECE
        while start < len(self):
            piece, end = b"", min(start + size, len(self))
            while True:
                piece += self[start + len(piece) : end]
                cut = len(piece) if end == len(self) else _last_end(piece)
                if whole_quotes:
                    cut = _closed(piece, cut)
                if cut or end == len(self):
                    break
                end = min(end + size, len(self))
            cut = cut or len(piece)
            if not piece:
                return
            yield start, piece[:cut]
            start += cut

    def rewritten(self, change: Callable[[int, bytes], bytes]) -> "Text":
        """The text with each piece (its offset, its bytes) changed; lines are changed alone."""
        return Text.kept(change(start, piece) for start, piece in self.pieces())

    def lines(self, start: int = 0) -> Iterator[str]:
        """Each line with its end."""
        for _, piece in self.pieces(start):
            for line in _LINE.finditer(piece.decode(errors="replace")):
                yield line[0]

    def line_at(self, at: int) -> int:
        """Number, from 1, of the line that a byte stands in."""
        ends = 0
        for _, piece in self.part(0, at).pieces():
            ends += piece.count(b"\n") + piece.count(b"\r") - piece.count(b"\r\n")
        return ends + 1


def _last_end(piece: bytes) -> int:
    """Behind the last end of a line; a CR at the very end may be half of one."""
    return max(piece.rfind(b"\n"), piece.rfind(b"\r", 0, len(piece) - 1)) + 1


def _closed(piece: bytes, cut: int) -> int:
    """The last line's end up to `cut` before which every quote is closed, 0 if there is none."""
    open_ = piece.count(b'"', 0, cut) % 2
    while open_ and cut:
        before = _last_end(piece[: cut - 1])
        open_ ^= piece.count(b'"', before, cut) % 2
        cut = before
    return cut
