"""Logs of JSON lines, one flat object a line, to delimited text.

In comes a text whose every line is an object of names and values; out comes the same as delimited
text with the names as header, so that names are matched and values checked as in any other log.
Part of the ingest stage.

References
----------
RFC 8259, The JavaScript Object Notation (JSON) Data Interchange Format.
"""

import csv
import io
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from roadlog.errors import InputError
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import shown
from roadlog.ingest.text.dialect import utf8_text
from roadlog.ingest.text.shape import MAX_TORN
from roadlog.ingest.text.source import Text
from roadlog.quantities.facts import Fact

MOST_NAMES = 1000
_ROWS_A_PIECE = 10_000
_WORDS = {None: "", True: "true", False: "false"}


@dataclass(frozen=True)
class Tabled:
    """The lines as delimited text, each in the line below its own; what was left out."""

    text: Text
    notes: tuple[Fact, ...]


def is_json_lines(head: bytes) -> bool:
    """Whether the first line is a whole object with a name.

    >>> is_json_lines(b'{"time": 0, "speed": 3}'), is_json_lines(b'{"rows": [')
    (True, False)
    """
    first = head.lstrip(b"\xef\xbb\xbf \t\r\n").split(b"\n", 1)[0].strip()
    if not (first.startswith(b"{") and first.endswith(b"}")):
        return False
    try:
        return bool(_read(first.decode()))
    except _NotFlat:
        return True
    except ValueError:
        return False


def as_delimited(path: Path, raw: Text) -> Tabled:
    """Write the objects as rows.

    Raises
    ------
    InputError
        If an object isn't flat, or many lines hold none.
    """
    text = utf8_text(raw, path)
    names: dict[str, None] = {}
    bad: list[int] = []
    lines = 0
    for lines, line in enumerate(text.lines(), 1):
        try:
            found = _read(line)
        except _NotFlat as e:
            raise InputError(
                f"{path}: line {lines}: {e}: write one flat object a line, names and values only"
            ) from None
        except ValueError:
            bad.append(lines)
            continue
        names.update(dict.fromkeys(found))
        if len(names) > MOST_NAMES:
            raise InputError(
                f"{path}: line {lines}: more than {MOST_NAMES} names: write the same names in "
                "every line"
            )
    if len(bad) > max(1, MAX_TORN * lines):
        raise InputError(
            f"{path}: line {bad[0]}: no whole JSON object ({len(bad)} such lines): write one flat "
            "object a line"
        )
    if len(names) < 2:
        raise InputError(
            f"{path}: its objects hold one name only, '{shown(next(iter(names), ''))}': a log "
            "needs a time and at least one signal in each"
        )
    notes = []
    if bad[-1:] == [lines]:
        notes.append(Repair.TORN_END())
    if within := [n for n in bad if n != lines]:
        notes.append(Repair.NO_OBJECT(n=len(within), line=within[0]))
    return Tabled(Text.kept(_pieces(text, list(names))), tuple(notes))


class _NotFlat(Exception):
    """What an object holds that no row can."""


def _read(line: str) -> dict[str, str]:
    """Names and values of a line, numbers as they are written; none for a blank line."""
    if not line.strip():
        return {}
    try:
        found = json.loads(
            line, parse_int=str, parse_float=str, parse_constant=str, object_pairs_hook=_flat
        )
    except RecursionError:
        raise _NotFlat("it is nested too deeply") from None
    if not isinstance(found, dict):
        raise ValueError("no object")
    return found


def _flat(pairs: Sequence[tuple[str, object]]) -> dict[str, str]:
    out: dict[str, str] = {}
    for name, value in pairs:
        if name in out:
            raise _NotFlat(f"it names '{shown(name)}' twice")
        if isinstance(value, dict | list):
            raise _NotFlat(f"'{shown(name)}' holds more than one value")
        text = _WORDS[value] if value is None or isinstance(value, bool) else str(value)
        out[name] = " ".join(text.split())
    return out


def _pieces(text: Text, names: Sequence[str]) -> Iterator[bytes]:
    held = io.StringIO()
    writer = csv.writer(held, lineterminator="\n")
    writer.writerow([" ".join(n.split()) for n in names])
    for n, line in enumerate(text.lines(), 1):
        try:
            found = _read(line)
        except ValueError:
            found = {}
        if found:
            writer.writerow([found.get(name, "") for name in names])
        else:
            held.write("\n")  # lines keep their numbers
        if n % _ROWS_A_PIECE == 0:
            yield held.getvalue().encode(errors="replace")
            held.seek(0)
            held.truncate()
    yield held.getvalue().encode(errors="replace")
