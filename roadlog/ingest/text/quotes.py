"""Quotes of a delimited text made plain: what they hold, and which line forgot to close one.

In comes a text; out comes one in which a double quote encloses a cell, begins right behind
the delimiter and is closed. A line that opens a quote and never closes it would swallow the lines
after it: it is blanked and counted, and refused where there are many. Part of the ingest stage.
"""

import re
from bisect import bisect_left
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import takewhile
from pathlib import Path

import numpy as np

from roadlog.errors import InputError
from roadlog.ingest.facts import Repair
from roadlog.ingest.text.source import Text
from roadlog.quantities.facts import Fact

_HEAD_BYTES = 1 << 16
_MAX_TORN = 0.05
_DELIMITERS = b",;\t|"
_EDGE = rb"[,;\t|\r\n]"
_OPENING = re.compile(rb'(?:^|[,;\t|]) *"')
_CLOSING = re.compile(rb'(?:[^"]|"")*"(?!")')
_WHOLE_LINE = re.compile(rb'"(?:[^"\r\n]|"")*"')
_WHOLE_LINES = re.compile(rb'(?:(?<=[\r\n])|\A)"((?:[^"\r\n]|"")*)"(?=[\r\n]|\Z)')
_SINGLE_QUOTED = re.compile(rb"'[^\r\n]*'")
_UNUSUAL = re.compile(rb'\\"|' + _EDGE + rb' +"|" +' + _EDGE)
_NUMERIC = re.compile(rb'\s*"?\s*[+-]?[\d.,:TZ/ -]*\d[\d.,:TZ/ -]*\s*"?\s*')


@dataclass(frozen=True)
class Quoted:
    """A text with plain quotes; whether a cell runs over a line's end; the lines left out."""

    data: Text
    over_lines: bool
    notes: tuple[Fact, ...] = ()


def plain_quotes(data: Text, path: Path) -> Quoted:
    """The text with every quote closed and right at a cell's edge.

    Lines keep their numbers and, but for spaces at quotes, their cells.

    Raises
    ------
    InputError
        If a line of the header opens a quote and doesn't close it, or many lines do.
    """
    data = _without_outer_quotes(data)
    if b'"' not in data:
        return Quoted(data, False)
    if any(_UNUSUAL.search(piece) for _, piece in data.pieces()):
        data = data.rewritten(lambda _, piece: _usual(piece))
    odd = list(_odd_lines(data))
    if not odd:
        return Quoted(data, False)
    torn, over_lines = _unclosed(data, odd)
    if not torn:
        return Quoted(data, over_lines)
    total = data.count(b"\n") or data.count(b"\r")
    first = data.line_at(torn[0].start)
    if len(torn) > max(1, _MAX_TORN * total) or torn[0].start < _first_row(data):
        raise InputError(
            f"{path}: line {first}: a quote opens here and isn't closed"
            f"{f' ({len(torn)} such lines)' if len(torn) > 1 else ''}: close it or take it out"
        )
    last = not data[max(torn[-1].end, len(data) - _HEAD_BYTES) :].strip(b"\r\n\x1a ")
    notes = [Repair.TORN_END()] if last else []
    if len(torn) > last:
        notes.append(Repair.OPEN_QUOTE(n=len(torn) - last, line=first))
    return Quoted(data.rewritten(partial(_blanked, torn)), over_lines, tuple(notes))


def _usual(piece: bytes) -> bytes:
    """Quotes that a backslash escapes, doubled; no spaces between a quote and its cell's edge."""
    piece = re.sub(rb'\\"(?!' + _EDGE + rb"|\Z)", b'""', piece)
    piece = re.sub(rb"(" + _EDGE + rb'|\A) +"', rb'\1"', piece)
    return re.sub(rb'" +(?=' + _EDGE + rb"|\Z)", b'"', piece)


def _blanked(torn: Sequence["_Line"], start: int, piece: bytes) -> bytes:
    out = bytearray(piece)
    first = bisect_left(torn, start, key=lambda line: line.start)
    for line in takewhile(lambda line: line.start < start + len(piece), torn[first:]):
        out[line.start - start : line.end - start] = b" " * (line.end - line.start)
    return bytes(out)


@dataclass(frozen=True)
class _Line:
    start: int
    end: int


def _without_outer_quotes(data: Text) -> Text:
    """Lines that are quoted whole, unwrapped; cells in single quotes, in double ones."""
    raw = data[:_HEAD_BYTES]
    first = next((m[0] for m in re.finditer(rb"[^\r\n]+", raw) if m[0].strip()), b"")
    if not first.startswith((b'"', b"'")):
        return data
    head = [x for x in re.split(rb"[\r\n]+", raw) if x.strip()]
    if len(data) > _HEAD_BYTES:
        head = head[:-1]
    if len(head) < 2:
        return data
    if all(_WHOLE_LINE.fullmatch(x) for x in head) and any(
        d in head[0] for d in (b",", b";", b"\t", b"|")
    ):
        return data.rewritten(
            lambda _, piece: _WHOLE_LINES.sub(lambda m: m[1].replace(b'""', b'"'), piece)
        )
    if all(_SINGLE_QUOTED.fullmatch(x) for x in head) and re.search(rb"'[,;\t|] *'", head[0]):
        return data.rewritten(lambda _, piece: _double_quoted(piece))
    return data


def _double_quoted(piece: bytes) -> bytes:
    piece = piece.replace(b'"', b'""')
    piece = re.sub(rb"((?:" + _EDGE + rb"|\A) *)'", rb'\1"', piece)
    return re.sub(rb"'(?= *(?:" + _EDGE + rb"|\Z))", b'"', piece)


def _odd_lines(data: Text) -> Iterator[_Line]:
    """Lines with an odd number of quotes."""
    for start, piece in data.pieces():
        if b'"' in piece:
            yield from _odd_in(piece, start)


def _odd_in(piece: bytes, start: int) -> Iterator[_Line]:
    block = np.frombuffer(piece, np.uint8)
    quotes = np.flatnonzero(block == ord('"'))
    ends = np.flatnonzero((block == ord("\n")) | (block == ord("\r")))
    ends = np.append(ends, len(block)) if not len(ends) or ends[-1] < len(block) - 1 else ends
    in_line = np.bincount(np.searchsorted(ends, quotes), minlength=len(ends))
    for line in np.flatnonzero(in_line % 2):
        first = int(ends[line - 1]) + 1 if line else 0
        yield _Line(start + first, start + int(ends[line]))


def _unclosed(data: Text, odd: Sequence[_Line]) -> tuple[list[_Line], bool]:
    """The lines that open a quote that isn't closed, and whether others close theirs later.

    Two lines with an odd number of quotes enclose a cell of several lines, unless a line that
    is a row by itself lies between them or is the second of them.
    """
    usual = _usual_counts(_outside(data, odd))
    torn: list[_Line] = []
    over_lines = False
    i = 0
    while i < len(odd):
        opener = odd[i]
        i += 1
        if not _opens(data[opener.start : opener.end]):
            continue
        closer = odd[i] if i < len(odd) else None
        if closer is None or _holds_a_row(data, opener, closer, usual):
            torn.append(opener)
            continue
        over_lines = True
        i += 1
    return torn, over_lines


def _opens(line: bytes) -> bool:
    """Whether a quote is open at the line's end."""
    at = 0
    while opening := _OPENING.search(line, at):
        closing = _CLOSING.match(line, opening.end())
        if closing is None:
            return True
        at = closing.end()
    return False


def _holds_a_row(data: Text, opener: _Line, closer: _Line, usual: dict[bytes, int]) -> bool:
    between = data.part(opener.end, closer.start)
    if any(_is_row(x, usual) for _, p in between.pieces() for x in re.split(rb"[\r\n]+", p)):
        return True
    last = data[closer.start : closer.end]
    if not _is_row(last, usual):
        return False
    first = data[opener.start : opener.end]
    return _is_row(first, usual) or not any(
        first.partition(b'"')[0].count(d) + last.rpartition(b'"')[2].count(d) == n
        for d, n in usual.items()
    )


def _is_row(line: bytes, usual: dict[bytes, int]) -> bool:
    for delimiter, n in usual.items():
        if line.count(delimiter) == n:
            filled = [c for c in line.split(delimiter) if c.strip(b' "')]
            if filled and 2 * sum(map(bool, map(_NUMERIC.fullmatch, filled))) >= len(filled):
                return True
    return False


def _outside(data: Text, odd: Sequence[_Line]) -> bytes:
    """The head without what lies between the first and second odd line, the third and fourth …"""
    pairs = [p for p in zip(odd[::2], odd[1::2], strict=False) if p[0].start < _HEAD_BYTES]
    edges = [0, *(at for a, b in pairs for at in (a.start, b.end)), _HEAD_BYTES]
    return b"".join(data[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True))


def _usual_counts(data: bytes) -> dict[bytes, int]:
    """Delimiter -> how often it stands in most of the lines that have it."""
    lines = [x for x in re.split(rb"[\r\n]+", data[:_HEAD_BYTES]) if x.count(b'"') % 2 == 0]
    usual = {}
    for code in _DELIMITERS:
        delimiter = bytes([code])
        found = Counter(n for x in lines if (n := x.count(delimiter)))
        if found:
            usual[delimiter] = found.most_common(1)[0][0]
    return usual


def _first_row(data: Text) -> int:
    """Where the first line begins that holds mostly numbers."""
    usual = _usual_counts(data[:_HEAD_BYTES])
    for line in re.finditer(rb"[^\r\n]+", data[:_HEAD_BYTES]):
        if _is_row(line[0], usual):
            return line.start()
    return 0
