"""A clean log, polluted one fault at a time in every way that delimited files go wrong.

`polluted(source)` yields each file with its name; `wrong_values` says what a reader made of one
that the clean log doesn't hold. A file may be read to the clean values, read with less and a word
about it, or refused; it may never be read to other values. Nothing is random.

The idea, to pollute one clean file systematically in its payload, line ends, header, preamble,
delimiters, quotes, escapes, number of tables and each single row, is of G. Vitagliano et al.,
"Pollock: A Data Loading Benchmark", Proceedings of the VLDB Endowment 16(8), 2023; the code, the
log and the measure are our own.
"""

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from roadlog.ingest.log import Log

ROWS = 40
START = pd.Timestamp("2026-04-14 07:00:00")


@dataclass(frozen=True)
class Source:
    """A clean log: how it is written and what it holds."""

    name: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    signals: dict[str, np.ndarray]
    delimiter: str = ","
    units: tuple[str, ...] = ()
    also: dict[str, str] = field(default_factory=dict)

    def text(self, *, newline: str = "\r\n") -> str:
        """The clean file."""
        return newline.join(self.lines()) + newline

    def lines(self) -> list[str]:
        """Its lines, header first."""
        above = [self.header, self.units] if self.units else [self.header]
        return [joined(r, self.delimiter) for r in (*above, *self.rows)]


def joined(cells: Sequence[str], delimiter: str, quoting: int = csv.QUOTE_MINIMAL) -> str:
    """One line of the file."""
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="", quoting=quoting).writerow(cells)
    return out.getvalue()


def _drive() -> dict[str, np.ndarray]:
    i = np.arange(float(ROWS))
    speed = np.round(38 + 30 * np.sin(i / 7), 1)
    return {
        "speed_kmh": speed,
        "rpm": np.round(900 + 26 * speed),
        "maf_g_s": np.round(3 + speed / 6, 2),
        "coolant_temp_c": np.round(40 + i / 2, 1),
        "stft1_pct": np.round(3 * np.sin(i / 3), 2),
        "ltft1_pct": np.round(2 + np.sin(i / 11), 2),
    }


HEADERS = {
    "speed_kmh": "Vehicle speed (km/h)", "rpm": "Engine speed (rpm)", "maf_g_s": "MAF (g/s)",
    "coolant_temp_c": "Coolant temperature (°C)", "stft1_pct": "Short term fuel trim (%)",
    "ltft1_pct": "Long term fuel trim (%)",
}  # fmt: skip


def _source(
    name: str,
    *,
    delimiter: str = ",",
    decimal: str = ".",
    remark: bool = False,
    blank: bool = False,
    units_row: bool = False,
    blank_tail: bool = False,
) -> Source:
    values = _drive()
    if blank:  # every second reading is missing, as of a slow sensor
        values["ltft1_pct"] = np.where(np.arange(ROWS) % 2, np.nan, values["ltft1_pct"])
        values["coolant_temp_c"] = np.where(np.arange(ROWS) % 3, np.nan, values["coolant_temp_c"])
    clock = [f"{START + pd.Timedelta(i, unit='s'):%Y-%m-%d %H:%M:%S}" for i in range(ROWS)]
    heads = {**HEADERS, "baro_kpa": "Barometric pressure (kPa)"} if blank_tail else HEADERS
    cells = [["" if np.isnan(x) else f"{x:g}".replace(".", decimal) for x in v]
             for v in values.values()]  # fmt: skip
    columns = [clock, *cells, *([[""] * ROWS] if blank_tail else [])]
    header = ["Timestamp", *heads.values()]
    units = ()
    if units_row:
        split = [h.rstrip(")").split(" (") for h in header]
        header, units = [s[0] for s in split], tuple(s[1] if len(s) > 1 else "" for s in split)
    if remark:
        words = ["dry road", 'rain, "heavy"', "lights; stop", "", 'bridge | "old"']
        columns.insert(3, [words[i % len(words)] for i in range(ROWS)])
        header.insert(3, "Remark")
    rows = tuple(zip(*columns, strict=True))
    return Source(name, tuple(header), rows, values, delimiter, units)


SOURCES = (
    _source("plain"),
    _source("comma decimals", delimiter=";", decimal=","),
    _source("remarks", remark=True),
    _source("blanks", blank=True),
    _source("blank last column", blank_tail=True),
    _source("tabs and a units row", delimiter="\t", units_row=True),
)


def polluted(source: Source, *, every: int = 1) -> Iterator[tuple[str, bytes]]:
    """Name and bytes of each polluted file; of those per row, every `every`th row only."""
    for name, text in [*_payload(source), *_dialects(source), *_tables(source)]:
        yield name, text.encode("utf-8")
    for name, raw in _encodings(source):
        yield name, raw
    lines = source.lines()
    for at in [*range(2), *range(2, len(lines), every)]:
        for name, line in _lines(source, lines[at]):
            yield f"line {at + 1}: {name}", _text([*lines[:at], line, *lines[at + 1 :]]).encode()
    for name, changed in _many_lines(source, lines):
        yield name, _text(changed).encode()


def _text(lines: Sequence[str], newline: str = "\r\n") -> str:
    return newline.join(lines) + newline


def _payload(source: Source) -> Iterator[tuple[str, str]]:
    lines = source.lines()
    data = 1 + bool(source.units)
    yield "clean", source.text()
    yield "nothing", ""
    yield "no line end at the end", source.text().removesuffix("\r\n")
    yield "two line ends at the end", source.text() + "\r\n"
    yield "header only", _text(lines[:data])
    yield "one row", _text(lines[: data + 1])
    yield "no header", _text(lines[data:])
    yield "header twice", _text([lines[0], *lines])
    yield "preamble", _text(["Drive to work, wet; by hand", "", *lines])
    yield "preamble of cells", _text([joined(["x"] * len(source.header), source.delimiter), *lines])
    yield "footer", _text([*lines, "", "end of log"])
    yield "footer of cells", _text([*lines, joined(["sum", *"123456"], source.delimiter)])
    words = [h.split(" ", 1) for h in source.header]
    upper = joined([w[0] for w in words], source.delimiter)
    lower = joined([w[1] if len(w) > 1 else "" for w in words], source.delimiter)
    yield "header in two rows", _text([upper, lower, *lines[1:]])
    yield (
        "header in two rows, first blank",
        _text([joined([""] * len(words), source.delimiter), *lines]),
    )


def _dialects(source: Source) -> Iterator[tuple[str, str]]:
    table = [source.header, *([source.units] if source.units else []), *source.rows]
    for delimiter in [",", ";", "\t", "|", " ", ", ", " ;", ",,", ":", "~", "^"]:
        cells = [[_quoted(c, delimiter) for c in row] for row in table]
        yield f"delimiter {delimiter!r}", _text([delimiter.join(row) for row in cells])
    for quote in ["'", "´", "“"]:
        yield (
            f"quotes {quote}",
            _text([source.delimiter.join(f"{quote}{c}{quote}" for c in row) for row in table]),
        )
        yield f"quotes {quote} where needed", _text(
            [source.delimiter.join(
                f"{quote}{c}{quote}" if source.delimiter in c or '"' in c else c for c in row
            ) for row in table]
        )  # fmt: skip
    yield "all quoted", _text([joined(r, source.delimiter, csv.QUOTE_ALL) for r in table])
    yield (
        "quotes after a space",
        _text(
            [
                f"{source.delimiter} ".join('"' + c.replace('"', '""') + '"' for c in r)
                for r in table
            ]
        ),
    )
    yield (
        "quotes before a space",
        _text(
            [
                f" {source.delimiter} ".join('"' + c.replace('"', '""') + '"' for c in r)
                for r in table
            ]
        ),
    )
    yield (
        "backslash escapes",
        _text([source.delimiter.join('"' + c.replace('"', '\\"') + '"' for c in r) for r in table]),
    )
    yield (
        "quotes not doubled",
        _text([source.delimiter.join('"' + c + '"' for c in r) for r in table]),
    )
    yield (
        "whole lines quoted",
        _text(['"' + line.replace('"', '""') + '"' for line in source.lines()]),
    )
    for newline in ["\n", "\r", "\n\r", "\r\r\n", "\x0b", "\x1e", "\u2028", "\x85", "\n\n"]:
        yield f"line ends {newline!r}", source.text(newline=newline)
    yield "delimiter at the end of lines", _text([x + source.delimiter for x in source.lines()])
    rows = source.lines()
    yield (
        "delimiter at the end of rows",
        _text([rows[0], *(x + source.delimiter for x in rows[1:])]),
    )
    yield (
        "delimiter at the beginning of rows",
        _text([rows[0], *(source.delimiter + x for x in rows[1:])]),
    )
    yield (
        "index without a name",
        _text([rows[0], *(f"{i}{source.delimiter}{x}" for i, x in enumerate(rows[1:], 1))]),
    )
    yield "index with a blank name", _text(
        [source.delimiter + rows[0],
         *(f"{i}{source.delimiter}{x}" for i, x in enumerate(rows[1:], 1))]
    )  # fmt: skip


def _quoted(cell: str, delimiter: str) -> str:
    if any(d and d in cell for d in (delimiter, delimiter.strip(), '"')):
        return '"' + cell.replace('"', '""') + '"'
    return cell


def _tables(source: Source) -> Iterator[tuple[str, str]]:
    lines = source.lines()
    for name, change in (("fewer", -1), ("as many", 0), ("more", 1)):
        width = len(source.header) + change
        head = joined([f"Part {chr(65 + i)}" for i in range(width)], source.delimiter)
        rows = [joined([str(10 * r + i) for i in range(width)], source.delimiter)
                for r in range(30)]  # fmt: skip
        for between in ([], [""]):
            yield (
                f"a second table of {name} columns{' after a blank line' * len(between)}",
                _text([*lines, *between, head, *rows]),
            )
            yield (
                f"a first table of {name} columns{' before a blank line' * len(between)}",
                _text([head, *rows, *between, *lines]),
            )
    extra = [
        joined(("note", "a"), source.delimiter),
        *([joined(("b", "1"), source.delimiter)] * 20),
    ]
    padded = [*extra, *[""] * len(lines)]
    beside = [a + source.delimiter * 2 + (b or source.delimiter)
              for a, b in zip(lines, padded, strict=False)]  # fmt: skip
    yield "a second table beside", _text(beside)


def _encodings(source: Source) -> Iterator[tuple[str, bytes]]:
    for encoding in ("utf-16", "utf-16-be", "utf-32", "utf-8-sig", "cp1252", "latin-1", "mac-roman",
                     "cp037", "utf-7"):  # fmt: skip
        yield f"encoding {encoding}", source.text().encode(encoding, errors="replace")
    whole = source.text().encode()
    yield "UTF-8 mark in the middle", whole[:300] + b"\xef\xbb\xbf" + whole[300:]
    yield "NUL bytes", whole.replace(b"\r\n2026", b"\r\n\0\0002026", 4)
    yield "bad UTF-8 in a row", whole.replace(b":20,", b":20\xff,").replace(b":20;", b":20\xff;")
    yield "half a file twice", whole[: len(whole) // 2] + whole[: len(whole) // 2]


def _lines(source: Source, line: str) -> Iterator[tuple[str, str]]:
    cells = next(csv.reader([line], delimiter=source.delimiter))
    quoted = [joined([c, "x"], source.delimiter).removesuffix(f"{source.delimiter}x")
              for c in cells]  # fmt: skip
    d = source.delimiter
    for i in range(len(cells) - 1):
        merged = quoted[i] + quoted[i + 1]
        yield f"no separator after cell {i + 1}", d.join([*quoted[:i], merged, *quoted[i + 2 :]])
    for i in range(len(cells)):
        yield f"a separator before cell {i + 1}", d.join([*quoted[:i], "", *quoted[i:]])
        yield f"cell {i + 1} lacking", d.join([*quoted[:i], *quoted[i + 1 :]])
        yield (
            f"a quote before cell {i + 1}",
            d.join([*quoted[:i], '"' + quoted[i], *quoted[i + 1 :]]),
        )
        yield (
            f"a quote behind cell {i + 1}",
            d.join([*quoted[:i], quoted[i] + '"', *quoted[i + 1 :]]),
        )
    yield "a quote in the middle of a cell", line[:3] + '"' + line[3:]
    yield "cut in the middle", line[: len(line) // 2]
    for other in ",;\t| ":
        if other != d:
            yield f"delimiter {other!r}", other.join(quoted)
    yield "repeated", line + "\r\n" + line
    yield "run into itself", line + line


def _many_lines(source: Source, lines: list[str]) -> Iterator[tuple[str, list[str]]]:
    """The same fault in many lines, where a reader could take it for the file's form."""
    d, first = source.delimiter, 1 + bool(source.units)
    cells = [next(csv.reader([x], delimiter=d)) for x in lines]
    for share, where in (
        ("all rows", lambda i: i >= first),
        ("every second row", lambda i: i >= first and i % 2 == 0),
        ("every fifth row", lambda i: i >= first and i % 5 == 0),
        ("the second half", lambda i: i > len(lines) // 2),
        ("the header", lambda i: i == 0),
        ("all lines above the rows", lambda i: i < first),
    ):
        for c in range(1, len(source.header)):
            for name, change in (
                ("lacks", lambda row, c=c: [*row[:c], *row[c + 1 :]]),
                ("is doubled by a blank", lambda row, c=c: [*row[:c], "", *row[c:]]),
                ("and what follows lacks", lambda row, c=c: row[:c]),
            ):
                changed = [joined(change(row), d) if where(i) else lines[i]
                           for i, row in enumerate(cells)]  # fmt: skip
                yield f"cell {c + 1} {name} in {share}", changed
                if name == "lacks" and "header" in share:
                    ended = [x + d if where(i) else x for i, x in enumerate(changed)]
                    yield f"cell {c + 1} lacks and a delimiter ends {share}", ended
            quoted = ['"' + x if c == 0 else d.join([*row[:c], '"' + row[c], *row[c + 1 :]])
                      for row, x in zip(cells, lines, strict=True)]  # fmt: skip
            opened = [quoted[i] if where(i) else x for i, x in enumerate(lines)]
            yield f"a quote opens in cell {c + 1} of {share}", opened
    for a, b in ((8, 9), (8, 10), (8, 30), (8, len(lines) - 1)):
        swallowed = [x + '"' if i == b else x for i, x in enumerate(lines)]
        swallowed[a] = swallowed[a].replace(d, d + '"', 1)
        yield f"a quote opens in line {a + 1} and closes at the end of line {b + 1}", swallowed
        swallowed[b] = lines[b].replace(d, '"' + d, 1)
        yield f"a quote opens in line {a + 1} and closes in line {b + 1}", swallowed


def wrong_values(source: Source, name: str, log: Log, clean: Log) -> list[str]:
    """What the log of one polluted file holds that the clean one doesn't, or lacks untold."""
    faults = []
    if log.start is None:
        return ["the clock is lost"]
    at = (log.start - START).total_seconds() + log.frame["t_s"].to_numpy()
    row = np.round(at).astype(int)
    if (np.abs(at - row) > 1e-3).any() or row.min() < 0 or row.max() >= ROWS:
        return [f"times that aren't in the log, from {at.min():g} to {at.max():g} s"]
    for signal in log.frame.columns.drop("t_s"):
        values = log.frame[signal].to_numpy()
        true = source.signals.get(signal, np.full(ROWS, np.nan))[row]
        odd = ~np.isnan(values) & ~np.isclose(values, true, rtol=1e-9)
        if odd.any():
            faults.append(
                f"{signal}: {odd.sum()} wrong, first {values[odd][0]:g} in row {row[odd][0]}"
            )
    if faults:
        return faults
    told = set(log.notes) - set(clean.notes)
    lost = [s for s, v in source.signals.items() if s not in log.frame]
    unmatched = {c.header for c in log.columns if c.role == "unmatched"}
    if name == "one row":
        return []
    fewer = sum(int(log.frame[s].notna().sum()) for s in source.signals if s in log.frame)
    whole = sum(int((~np.isnan(v)).sum()) for s, v in source.signals.items() if s not in lost)
    if (len(set(row)) < ROWS or fewer < whole or (lost and not unmatched)) and not told:
        faults.append(f"{ROWS - len(set(row))} rows and {whole - fewer} values lost, not told")
    return faults
