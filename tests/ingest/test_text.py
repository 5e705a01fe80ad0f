"""Texts larger than memory should hold: the same as small ones, in bounded memory."""

import errno
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.errors import InputError
from roadlog.ingest import read_log, shelf
from roadlog.ingest.table import rows
from roadlog.ingest.text import cells, grown, shape, source
from roadlog.ingest.text.source import Text
from roadlog.ingest.timebase import resample
from tests.benchmarks.ingest import write_log

# Of the frame's size above what the interpreter and its libraries take. Small pieces of the text,
# the parser's blocks and the clock's own arrays come on top of the frame.
MOST_TIMES_THE_FRAME = 2.2
PEAK = """
import resource, sys
from collections.abc import Callable
from pathlib import Path
import pandas, pyarrow.csv
from roadlog.ingest import read_log
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
log = read_log(Path(sys.argv[1]))
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(1024 * (peak - before), log.frame.memory_usage(index=False).sum(), len(log.frame))
"""


@pytest.fixture
def small_pieces(monkeypatch):
    """Every text from its file, in pieces of a few lines."""
    monkeypatch.setattr(source, "MAX_IN_MEMORY", 64)
    monkeypatch.setattr(source, "PIECE", 100)
    monkeypatch.setattr(rows, "_PIECE", 100)


def test_sixty_megabytes_are_read_in_little_more_than_the_frame(tmp_path):
    n = write_log(tmp_path / "drive.csv", 60, "iso")
    done = subprocess.run(
        [sys.executable, "-c", PEAK, str(tmp_path / "drive.csv")],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    peak, frame, read = map(int, done.stdout.split())
    assert read == n
    assert frame == 15 * 8 * n
    assert peak < MOST_TIMES_THE_FRAME * frame


@pytest.mark.parametrize("size", [1, 7, 40])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_pieces_end_at_line_ends_and_lose_nothing(tmp_path, monkeypatch, size, end):
    monkeypatch.setattr(source, "MAX_IN_MEMORY", 3)
    raw = end.join(f"{i},{'x' * (i % 9)}" for i in range(30)).encode()
    (tmp_path / "a").write_bytes(raw)
    held = Text.opened(tmp_path / "a")
    pieces = list(held.pieces(size=size))
    assert b"".join(p for _, p in pieces) == raw
    assert [at for at, _ in pieces] == [0, *np.cumsum([len(p) for _, p in pieces])[:-1]]
    assert all(p.endswith(end.encode()) for _, p in pieces[:-1])
    assert list(held.lines()) == raw.decode().splitlines(keepends=True)
    assert held.line_at(raw.index(b"17,")) == 18
    assert held.rewritten(lambda _, p: p.upper())[:] == raw.upper()


def drive(n: int = 40) -> list[str]:
    return [f"{i},{30 + i % 7},{1500 + 10 * i},{5 + 0.25 * (i % 4)}" for i in range(n)]


HEADER = "time [s],speed [km/h],rpm [rpm],MAF [g/s]"


def both(tmp_path: Path, raw: bytes, request) -> tuple[object, object]:
    """What a text gives whole and in pieces: frame and notes, or the sentence of refusal."""
    (tmp_path / "drive.csv").write_bytes(raw)

    def read() -> object:
        try:
            log = read_log(tmp_path / "drive.csv")
        except InputError as e:
            return str(e)
        return log

    whole = read()
    request.getfixturevalue("small_pieces")
    return whole, read()


@pytest.mark.parametrize(
    "change",
    [
        lambda lines: lines,
        lambda lines: [*lines[:20], "20,31,17", *lines[21:]],
        lambda lines: [*lines[:20], HEADER, *lines[20:]],
        lambda lines: [*lines[:20], '20,"31,1700,5', *lines[21:]],
        lambda lines: [*lines[:20], '20,"31\n",1700,5', *lines[21:]],
        lambda lines: [*lines[:-1], lines[-1][:4]],
        lambda lines: [*lines[:30], lines[29], lines[28], *lines[30:]],
        lambda lines: [x.replace(",5.", ', "5.') + ('"' if ",5." in x else "") for x in lines],
        lambda lines: [*lines[:25], "25,31 mph,1750,5.25", *lines[26:]],
        lambda lines: [*lines[:25], "25,fast,1750,5.25", *lines[26:]],
        lambda lines: [f'"{x}"' for x in lines],
        lambda lines: [x[: x.rindex(",")] if i % 3 == 1 else x for i, x in enumerate(lines)],
        lambda lines: [*lines[:25], "25,,,", "26,-,n/a,", *lines[27:]],
        lambda lines: [*lines[:20], *lines[5:20], *lines[20:]],
        lambda lines: [*lines[:20], "20,31\0,1700,5", *lines[21:]],
        lambda lines: [*lines[:20], "20,31,1700,5 é", *lines[21:]],
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_a_text_in_pieces_reads_as_it_does_whole(tmp_path, request, change, encoding):
    whole, pieces = both(tmp_path, "\n".join([HEADER, *change(drive())]).encode(encoding), request)
    if isinstance(whole, str):
        assert pieces == whole
        return
    pd.testing.assert_frame_equal(pieces.frame, whole.frame)
    assert pieces.notes == whole.notes
    assert pieces.columns == whole.columns


def test_columns_on_files_are_to_the_bit_those_in_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A log whose columns are too large for memory: read, checked and resampled in parts."""
    path = tmp_path / "log.csv"
    write_log(path, 3, "iso")
    raw = path.read_bytes().replace(b"2026-03-02T07:12:00.100+01:00", b"")
    path.write_bytes(raw)
    plain = read_log(path)
    samples = resample(plain.frame)
    monkeypatch.setattr(shelf, "LARGE_ROWS", 4096)
    monkeypatch.setattr(grown, "_MOST_IN_MEMORY", 1 << 16)
    monkeypatch.setattr(rows, "_PIECE", 1 << 18)
    large = read_log(path)
    assert large.facts == plain.facts
    assert large.start == plain.start
    pd.testing.assert_frame_equal(large.frame, plain.frame, check_exact=True)
    pd.testing.assert_frame_equal(resample(large.frame), samples, check_exact=True)


ROW = "2026-03-02T07:{m:02d}:{s:02d}Z,{v},{rpm},\n"
DRIVE = [ROW.format(m=i // 60, s=i % 60, v=40 + i % 7, rpm=900 + i % 50) for i in range(600)]
STAMPED = "time,speed (km/h),engine speed (rpm),MAF (g/s)\n"
LATE = {
    "a column that is empty first": lambda r: [*r[:500], *(x[:-1] + "4.5\n" for x in r[500:])],
    "a unit behind late values": lambda r: [*r[:500], *(x[:-1] + "0.5 lb/min\n" for x in r[500:])],
    "text late": lambda r: [*r[:550], r[550][:-1] + "no answer\n", *r[551:]],
    "a note over two lines": lambda r: [*r[:300], r[300][:-1] + '"4\n5"\n', *r[301:]],
    "the header again": lambda r: [*r[:300], STAMPED, *r[300:]],
    "two files joined": lambda r: [*r[:300], "\ufeff" + STAMPED, *r[300:]],
    "another unit in a later header": lambda r: [
        *r[:300], STAMPED.replace("km/h", "mph"), *r[300:]
    ],
    "torn rows late": lambda r: [*r[:500], *(x[:30] + "\n" for x in r[500:510]), *r[510:]],
    "NUL bytes late": lambda r: [*r[:500], "\0" * 999 + r[500], *r[501:]],
    "letters of several bytes": lambda r: [x[:-1] + "4,5 °\n".replace(",", ".") for x in r],
    "CRLF": lambda r: [x.replace("\n", "\r\n") for x in r],
    "one long line": lambda r: [*r[:300], r[300][:-1] + "4" * 9999 + "\n", *r[301:]],
    "thousands late": lambda r: [*r[:500], *(x.replace(",9", ",9.9") for x in r[500:])],
}  # fmt: skip


@pytest.mark.parametrize("late", LATE)
@pytest.mark.parametrize("size", [700, 701, 702, 703])
def test_what_comes_late_is_read_in_pieces_as_it_is_whole(
    late: str, size: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.csv"
    path.write_text("".join([STAMPED, *LATE[late](DRIVE)]), newline="")
    whole = _told(path)
    monkeypatch.setattr(shelf, "LARGE_ROWS", 64)
    monkeypatch.setattr(grown, "_MOST_IN_MEMORY", 0)
    monkeypatch.setattr(rows, "_PIECE", size)
    monkeypatch.setattr(source, "PIECE", size)
    monkeypatch.setattr(source, "MAX_IN_MEMORY", 4096)
    monkeypatch.setattr(cells, "_MANY_CELLS", 16)
    assert _told(path) == whole


def _told(path: Path) -> tuple[object, ...]:
    try:
        log = read_log(path)
    except InputError as e:
        return (str(e),)
    return log.frame.to_csv(), log.facts, log.start, log.columns


def test_no_room_for_large_columns_is_told_and_ends_no_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that filled while a mapped column was written ended the program without a word."""
    path = tmp_path / "log.csv"
    path.write_text("".join([STAMPED, *DRIVE]))

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "posix_fallocate", full, raising=False)
    monkeypatch.setattr(grown, "_MOST_IN_MEMORY", 0)
    monkeypatch.setattr(rows, "_PIECE", 1024)
    with pytest.raises(InputError, match=r"has no room for the columns .* TMPDIR"):
        read_log(path)


def _written(cells_of: Callable[[int], str], header: str, n: int = 700) -> str:
    return header + "\n" + "".join(cells_of(i) + "\n" for i in range(n))


LONG = "time [s],signal,value,unit"
READINGS = (
    "{t:.1f},Vehicle speed,{v},km/h",
    "{t:.1f},Engine RPM,{v}00,rpm",
    "{t:.1f},Mass air flow,{v},g/s",
)

# Logs of text, each with something that only its whole column settles.
TEXTS = {
    "units behind, day before month by a late day": lambda: _written(
        lambda i: (
            f"{2 + i // 600:02d}/03/2026 {i // 60:02d}:{i % 60:02d}:00,{40 + i % 7} km/h,"
            f"{900 + i * 1.25:.2f} rpm,{4 + i / 1000:.3f} g/s"
        ),
        "time,speed,engine speed,MAF",
    ),
    "day before month by the order of rows": lambda: _written(
        lambda i: (
            f"{9 + i // 240:02d}.03.2026 {i % 240 // 60:02d}:{i % 60:02d}:00;"
            f"{40 + i % 7},5 km/h;{900 + i}"
        ),
        "time;speed;rpm",
    ),
    "half days and gaps": lambda: _written(
        lambda i: (
            (
                ""
                if i % 97 == 5
                else f"3/{2 + i // 690}/2026 {i // 60 % 12 + 1}:{i % 60:02d} "
                f"{'AM' if i < 660 else 'PM'}"
            )
            + f",{40 + i % 7} mph,{900 + i}"
        ),
        "time,speed,rpm",
    ),
    "offsets that begin late": lambda: _written(
        lambda i: (
            f"2026/03/02 07:{i // 60:02d}:{i % 60:02d}{'Z' if i > 400 else ''},"
            f"{40 + i % 7} km/h,{900 + i}"
        ),
        "time,speed,rpm",
    ),
    "months in words and places": lambda: _written(
        lambda i: f"Do 05 Mrz 2026 07:{i // 60:02d}:{i % 60:02d} Europe/Berlin,{40 + i % 7},{i}",
        "time,speed (km/h),rpm",
    ),
    "degrees with letters": lambda: _written(
        lambda i: f"{i},{40 + i % 7} km/h,{47 + i / 9000:.6f}° N,{8 + i / 9000:.6f}° W",
        "time (s),speed,latitude,longitude",
    ),
    "thousands settled at the end": lambda: _written(
        lambda i: f'{i},{40 + i % 7} km/h,"{900 + i:,} rpm"',
        "time (s),speed,engine speed",
    ),
    "marks that nothing settles": lambda: _written(
        lambda i: f'{i},{40 + i % 7} km/h,"{1000 + i:,} g/s"' if i > 300 else f"{i},{40 + i % 7},",
        "time (s),speed (km/h),MAF",
    ),
    "words for a state and whole numbers beside decimals": lambda: _written(
        lambda i: (
            f"{i},{40 + i % 7} km/h,{'CL' if i % 50 else 'OL drive'},"
            f"{10 + i % 9 if i < 400 else 10 + i / 7} g/s"
        ),
        "time (s),speed,fuel system status,MAF",
    ),
    "blank cells left out at the end, and a torn last row": lambda: (
        _written(
            lambda i: f"{i},{40 + i % 7} km/h,{900 + i}" + (f",{4 + i % 9}.5" if i % 3 else ""),
            "time (s),speed,rpm,MAF (g/s)",
        )
        + "700"
    ),
    "one reading a row": lambda: _written(
        lambda i: READINGS[i % 3].format(t=i * 0.3, v=40 + i % 7), LONG
    ),
    "one reading a row, doubled, late and nameless ones": lambda: _written(
        lambda i: (
            f"{i // 2 * 0.3:.1f},,7,"
            if i % 50 == 9
            else READINGS[i % 3].format(t=(i - (i % 40 == 7) * 2) // 2 * 0.3, v=40 + i % 7)
        ),
        LONG,
    ),
    "one reading a row, some of them words": lambda: _written(
        lambda i: (
            f"{i * 0.3:.1f},fuel system status,{'CL' if i % 5 else 'OL drive'},"
            if i % 4 == 3
            else READINGS[i % 3].format(t=i * 0.3, v="no answer" if i == 400 else 40 + i % 7)
        ),
        LONG,
    ),
    "one reading a row, in two units": lambda: _written(
        lambda i: READINGS[i % 3].format(t=i * 0.3, v=9).replace("km/h", "mph" if i > 600 else ""),
        LONG,
    ),
    "one reading a row, positions beside": lambda: _written(
        lambda i: (
            READINGS[i % 3].format(t=i * 0.3, v=40 + i % 7)
            + (f",{50 + i * 2.5e-5:.6f},{8 + i * 3e-5:.6f}" if i % 2 else ",,")
        ),
        LONG + ",latitude,longitude",
    ),
    "six digits": lambda: _written(
        lambda i: f"{310326 if i < 600 else 10426:06d},{i % 600 // 60 + 10}{i % 60:02d}00,{i % 90}",
        "date,time,speed (km/h)",
    ),
}


@pytest.mark.parametrize("what", TEXTS)
@pytest.mark.parametrize("few", [16, 1 << 30])
def test_columns_of_text_in_pieces_read_as_they_do_whole(
    what: str, few: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Units behind values, dates as people write them: by distinct cells, and cell by cell."""
    path = tmp_path / ("2026-03-31.csv" if what == "six digits" else "log.csv")
    path.write_text(TEXTS[what]())
    monkeypatch.setattr(cells, "_MANY_CELLS", few)
    whole = _told(path)
    assert len(whole) > 1 or "marks" in what or "two units" in what
    monkeypatch.setattr(shelf, "LARGE_ROWS", 64)
    monkeypatch.setattr(grown, "_MOST_IN_MEMORY", 0)
    monkeypatch.setattr(rows, "_PIECE", 1024)
    monkeypatch.setattr(rows, "_ROWS_AT_ONCE", 50)
    monkeypatch.setattr(shape, "_AT_ONCE", 50)
    assert _told(path) == whole
