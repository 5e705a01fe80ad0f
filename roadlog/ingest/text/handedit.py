"""Cells put into a table that somebody keeps by hand, with everything else left as it stands.

A file's bytes and the new cells go in, the new bytes come out: encoding and byte-order mark,
separator, line ends, order of the columns, and each line that gets no new cell stay as they were.
"""

import codecs
import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from roadlog.errors import InputError
from roadlog.ingest.text.dialect import as_utf8

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_LEGACY = "cp1252"


@dataclass(frozen=True)
class HandText:
    """A table's text: `records` are each record's first line (from 1), its text, its cells."""

    path: Path
    mark: bytes
    encoding: str
    delimiter: str
    ending: str
    records: tuple[tuple[int, str, tuple[str, ...]], ...]

    @property
    def head(self) -> int:
        """The place of the headings among the records."""
        return next(i for i, (_, _, cells) in enumerate(self.records) if any(map(str.strip, cells)))


def hand_text(raw: bytes, path: Path) -> HandText:
    """Take a table apart by the rules of `handtable.read_table`.

    Raises
    ------
    InputError
        If it isn't text, has no headings, or a quotation mark is open.
    """
    text = as_utf8(raw, path).decode()
    mark, encoding = next(((m, e) for m, e in _MARKS if raw.startswith(m)), (b"", "utf-8"))
    if not mark and not _is_utf8(raw):
        encoding = _LEGACY
    first = text.lstrip("\r\n").partition("\n")[0]
    delimiter = max(",;\t|", key=first.count)
    lines = list(io.StringIO(text, newline=""))
    reader = csv.reader(lines, delimiter=delimiter, skipinitialspace=True, strict=True)
    found, before = [], 0
    try:
        for cells in reader:
            own = "".join(lines[before : reader.line_num])
            found.append((before + 1, own, tuple(cells)))
            before = reader.line_num
    except csv.Error:
        raise InputError(
            f"{path}: line {before + 1}: a quotation mark is open or stands inside a cell: close "
            "it, or take it out"
        ) from None
    if not any(any(map(str.strip, cells)) for _, _, cells in found):
        raise InputError(f"{path} is empty: write a line of headings, and a line for each row")
    ending = "\r\n" if "\r\n" in text else "\n"
    return HandText(path, mark, encoding, delimiter, ending, tuple(found))


def with_cells(
    table: HandText,
    changed: Mapping[int, Mapping[str, str]],
    added: Sequence[Mapping[str, str]] = (),
) -> bytes:
    """The file's bytes with new cells.

    Parameters
    ----------
    table : HandText
    changed : mapping of a row's first line to its new cells by heading
    added : new rows at the end, each by heading

    A heading that the table hasn't got becomes its last column.

    >>> table = hand_text(b"date;wet\\r\\n2026-03-02;\\r\\n", Path("notes.csv"))
    >>> with_cells(table, {2: {"wet": "yes"}}, [{"date": "2026-03-03", "seal": "7"}])
    b'date;wet;seal\\r\\n2026-03-02;yes\\r\\n2026-03-03;;7\\r\\n'
    """
    heads = [c.strip() for c in table.records[table.head][2]]
    while heads and not heads[-1]:
        heads.pop()
    old = len(heads)
    for row in (*changed.values(), *added):
        heads += [h for h in row if h not in heads]
    place = {h: i for i, h in reversed(list(enumerate(heads)))}
    parts = []
    for i, (line, raw, cells) in enumerate(table.records):
        new = {h: h for h in heads[old:]} if i == table.head else changed.get(line, {})
        if not new:
            parts.append(raw)
            continue
        end = raw[len(raw.rstrip("\r\n")) :]
        parts.append(_record(_filled(cells, place, new), table.delimiter) + end)
    whole = "".join(parts)
    if added and whole and not whole.endswith(("\n", "\r")):
        whole += table.ending
    for row in added:
        whole += _record(_filled((), place, row), table.delimiter) + table.ending
    try:
        return table.mark + whole.encode(table.encoding)
    except UnicodeEncodeError:
        return whole.encode("utf-8")  # a letter that the old code page hasn't got


def _is_utf8(raw: bytes) -> bool:
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _filled(cells: Sequence[str], place: Mapping[str, int], new: Mapping[str, str]) -> list[str]:
    out = list(cells)
    for heading, cell in new.items():
        out += [""] * (place[heading] + 1 - len(out))
        out[place[heading]] = cell
    return out


def _record(cells: Sequence[str], delimiter: str) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="").writerow(cells)
    return out.getvalue()
