"""What files hold as text: archives, streams and images opened for the leak test.

A folder goes in; the text of each file in it comes out, and of each file in those files, in the
spellings in which a word can hide.
"""

import base64
import binascii
import hashlib
import html
import io
import re
import urllib.parse
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

_DEEPEST = 4
_MOST_BYTES = 1 << 28
_EMBEDDED = re.compile(r"data:[\w/+.;=-]*?;base64,([A-Za-z0-9+/=\s]{16,})")
_STREAM = re.compile(rb"stream\r?\n(.*?)\r?\nendstream", re.DOTALL)
_ESCAPE = re.compile(r"\\u([0-9a-fA-F]{4})")
_BF_PAIR = re.compile(r"<([0-9A-Fa-f]{2,8})>\s*<([0-9A-Fa-f]{4,16})>")
_BF_RANGE = re.compile(r"<([0-9A-Fa-f]{2,8})>\s*<([0-9A-Fa-f]{2,8})>\s*<([0-9A-Fa-f]{4,8})>")
_SHOWN_HEX = re.compile(r"<([0-9A-Fa-f]{4,})>")
_TABLES = (".csv", ".tsv", ".parquet")


@dataclass(frozen=True)
class Content:
    """One file, or one within another: name, texts, and what its metadata hold against it.

    `same_as` tells contents apart; one that was read before is named again, without its texts.
    """

    name: str
    texts: tuple[str, ...]
    metadata: str = ""
    is_table: bool = False
    same_as: str = ""
    read_before: bool = False


def contents(folder: Path) -> Iterator[Content]:
    """Every file of a folder (or one file), and every file in an archive among them.

    The same bytes are read once: archives come last, since they hold the files beside them.
    """
    files = sorted(p for p in folder.rglob("*") if p.is_file()) if folder.is_dir() else [folder]
    read: dict[str, int] = {}
    for path in sorted(files, key=lambda p: p.suffix.casefold() == ".zip"):
        name = path.relative_to(folder).as_posix() if folder.is_dir() else path.name
        yield from _of_bytes(name, path.read_bytes(), 0, read)


def _of_bytes(name: str, data: bytes, depth: int, read: dict[str, int]) -> Iterator[Content]:
    """`read` has, by what tells contents apart, how deep in other files they lay when read."""
    kind = "table" if name.casefold().endswith(_TABLES) else "text"
    same_as = f"{kind} {hashlib.sha256(data).hexdigest()}"
    if read.get(same_as, depth + 1) <= depth:
        yield Content(name, (), same_as=same_as, read_before=True)
        return
    read[same_as] = depth
    for content in _opened(name, data, depth, read):
        yield content if content.same_as else replace(content, same_as=same_as)


def _opened(name: str, data: bytes, depth: int, read: dict[str, int]) -> Iterator[Content]:
    if data[:4] == b"PK\x03\x04" and depth < _DEEPEST:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            yield Content(name, (archive.comment.decode("utf-8", "replace"),))
            for entry in archive.infolist():
                if not entry.is_dir() and entry.file_size <= _MOST_BYTES:
                    yield from _of_bytes(
                        f"{name}/{entry.filename}", archive.read(entry), depth + 1, read
                    )
        return
    if data[:2] == b"\x1f\x8b" and depth < _DEEPEST:
        yield from _of_bytes(f"{name} (unpacked)", _inflated(data, 31), depth + 1, read)
        return
    table = name.casefold().endswith(_TABLES)
    if data[:5] == b"%PDF-":
        yield Content(name, tuple(_of_pdf(data)))
    elif data[:8] == b"\x89PNG\r\n\x1a\n":
        texts, fault = _of_png(data)
        yield Content(name, texts, fault)
    elif data[:3] == b"\xff\xd8\xff":
        fault = "it carries EXIF or other metadata of a camera" if _jpeg_has_exif(data) else ""
        yield Content(name, (_plain(data),), fault)
    elif data[:4] == b"PAR1":
        yield Content(name, (_of_parquet(data),), is_table=True)
    else:
        text = _plain(data)
        yield Content(name, _spellings(text), is_table=table)
        if depth < _DEEPEST:
            for i, found in enumerate(_EMBEDDED.finditer(text), 1):
                try:
                    inner = base64.b64decode(found[1], validate=False)
                except binascii.Error:
                    continue
                yield from _of_bytes(f"{name} (embedded {i})", inner, depth + 1, read)


def _plain(data: bytes) -> str:
    for mark, coding in ((b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if data.startswith(mark):
            return data.decode(coding, "replace")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _spellings(text: str) -> tuple[str, ...]:
    """The text, and as it reads once entities, escapes and percent signs are undone."""
    without = _EMBEDDED.sub("", text)
    found = [without]
    for undo in (html.unescape, _unescaped, urllib.parse.unquote):
        other = undo(without)
        if other != without:
            found.append(other)
    return tuple(found)


def _unescaped(text: str) -> str:
    return _ESCAPE.sub(lambda m: chr(int(m[1], 16)), text).replace("\\/", "/")


def _inflated(data: bytes, wbits: int = 15) -> bytes:
    try:
        return zlib.decompressobj(wbits).decompress(data, _MOST_BYTES)
    except zlib.error:
        return b""


def _of_pdf(data: bytes) -> Iterator[str]:
    """The file's own bytes, its streams unpacked, and the text that its fonts' tables tell."""
    yield _plain(data)
    streams = [_inflated(m[1]) or m[1] for m in _STREAM.finditer(data)]
    texts = [s.decode("latin-1") for s in streams]
    yield from texts
    for table in (t for t in texts if "begincmap" in t):
        letters = _letters(table)
        for text in texts:
            if "BT" in text:
                yield _spelled(text, letters)


def _letters(table: str) -> dict[int, str]:
    out: dict[int, str] = {}
    for part in re.findall(r"beginbfchar(.*?)endbfchar", table, re.DOTALL):
        for code, letter in _BF_PAIR.findall(part):
            out[int(code, 16)] = bytes.fromhex(letter).decode("utf-16-be", "replace")
    for part in re.findall(r"beginbfrange(.*?)endbfrange", table, re.DOTALL):
        for first, last, letter in _BF_RANGE.findall(part):
            for i in range(int(first, 16), min(int(last, 16), int(first, 16) + 65535) + 1):
                out[i] = chr(int(letter, 16) + i - int(first, 16))
    return out


def _spelled(text: str, letters: dict[int, str]) -> str:
    def one(shown: str) -> str:
        codes = [int(shown[i : i + 4], 16) for i in range(0, len(shown) - 3, 4)]
        return "".join(letters.get(c, "") for c in codes)

    lines = re.split(r"\bT[jJ]\b", text)
    return "\n".join("".join(one(s) for s in _SHOWN_HEX.findall(line)) for line in lines)


def _of_png(data: bytes) -> tuple[tuple[str, ...], str]:
    """Texts of a PNG, and whether it carries EXIF."""
    texts, at, exif = [], 8, False
    while at + 8 <= len(data):
        size, kind = int.from_bytes(data[at : at + 4]), data[at + 4 : at + 8]
        body = data[at + 8 : at + 8 + size]
        if kind in (b"tEXt", b"iTXt"):
            texts.append(body.decode("utf-8", "replace"))
        elif kind == b"zTXt":
            head, _, packed = body.partition(b"\0")
            texts.append((head + b" " + _inflated(packed[1:])).decode("utf-8", "replace"))
        exif |= kind == b"eXIf"
        at += 12 + size
    return tuple(texts), "it carries EXIF" if exif else ""


def _jpeg_has_exif(data: bytes) -> bool:
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF and data[at + 1] != 0xDA:
        size = int.from_bytes(data[at + 2 : at + 4])
        body = data[at + 4 : at + 2 + size]
        if data[at + 1] == 0xE1 or (data[at + 1] == 0xED and body):
            return True
        at += 2 + size
    return False


def _of_parquet(data: bytes) -> str:
    return pd.read_parquet(io.BytesIO(data)).to_csv(index=False)
