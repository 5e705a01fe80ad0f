"""Deliberately ugly delimited files, made by our own writer, each with what must come of it.

`CASES` holds one entry a file: the bytes, the rules of the study if it takes any, and the expected
frame or the expected error sentence. Nothing is read from disk and nothing is random, so the same
files come out every time; all drives are invented.
"""

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from roadlog.study.settings import ColumnRule, TimeRule

N = 60
T = np.arange(float(N))
SPEED = np.round(40 + 30 * np.sin(T / 9))
RPM = 900 + 25 * SPEED
COOLANT = np.round(20 + T, 1)
MAF = np.round(3 + SPEED / 7, 2)
START = pd.Timestamp("2026-03-05 07:10:00")
DAY = f"{START:%Y-%m-%d}"


@dataclass(frozen=True)
class Case:
    """One ugly file and what is expected of it."""

    name: str
    raw: bytes
    frame: Mapping[str, np.ndarray] | None = None
    t_s: np.ndarray | None = None
    start: pd.Timestamp | None = None
    error: str = ""
    note: str = ""
    file: str = "log.csv"
    columns: Mapping[str, ColumnRule] = field(default_factory=dict)
    time: TimeRule = field(default_factory=TimeRule)


def written(
    header: Sequence[str],
    columns: Sequence[Sequence[Any]],
    *,
    delimiter: str = ",",
    decimal: str = ".",
    newline: str = "\n",
    encoding: str = "utf-8",
    before: Sequence[str] = (),
    under: Sequence[Sequence[str]] = (),
    quote: bool = False,
) -> bytes:
    """A delimited text: lines before the header, rows under it (units), the columns' cells."""
    out = io.StringIO()
    out.writelines(line + newline for line in before)
    rule = csv.QUOTE_ALL if quote else csv.QUOTE_MINIMAL
    writer = csv.writer(out, delimiter=delimiter, lineterminator=newline, quoting=rule)
    writer.writerow(header)
    writer.writerows(under)
    cells = [[_cell(v, decimal) for v in column] for column in columns]
    writer.writerows(zip(*cells, strict=True))
    return out.getvalue().encode(encoding)


def _cell(value: Any, decimal: str) -> str:
    if isinstance(value, float | np.floating):
        return "" if np.isnan(value) else f"{value:.9g}".replace(".", decimal)
    return str(value)


def wall(t_s: np.ndarray, form: str = "%Y-%m-%d %H:%M:%S") -> list[str]:
    """Wall-clock stamps of seconds after the start."""
    return [(START + pd.Timedelta(float(t), unit="s")).strftime(form) for t in t_s]


CASES: list[Case] = []
PLAIN = ("Vehicle speed (km/h)", "Engine RPM", "Coolant temperature (°C)")
VALUES = {"speed_kmh": SPEED, "rpm": RPM, "coolant_temp_c": COOLANT}


def good(name: str, raw: bytes, **kw: Any) -> None:
    """A file that must be read: to the common drive unless said otherwise."""
    kw.setdefault("frame", VALUES)
    kw.setdefault("t_s", T)
    CASES.append(Case(name, raw, **kw))


def bad(name: str, raw: bytes, error: str, **kw: Any) -> None:
    """A file that must be refused with this sentence (a regular expression)."""
    CASES.append(Case(name, raw, error=error, **kw))


def three(clock: str, stamps: Sequence[Any], **kw: Any) -> bytes:
    """The common drive behind a clock."""
    return written((clock, *PLAIN), (stamps, SPEED, RPM, COOLANT), **kw)


# How the text is written.
good("decimal comma, semicolon", three("Time (s)", T + 0.5, delimiter=";", decimal=","))
good("decimal comma, tab", three("Time (s)", T / 2, delimiter="\t", decimal=","), t_s=T / 2)
good("pipes", three("Time (s)", T, delimiter="|"))
good("every cell quoted", three("Time (s)", T, quote=True))
good("decimal comma in quotes", three("Time (s)", T + 0.25, decimal=",", quote=True))
good("UTF-16 with mark", three("Time (s)", T, encoding="utf-16"))
good("UTF-16 without mark", three("Time (s)", T, encoding="utf-16-le"))
good("UTF-32", three("Time (s)", T, encoding="utf-32"))
good("UTF-8 with mark", three("Time (s)", T, encoding="utf-8-sig"))
good("code page 1252", three("Time (s)", T, encoding="cp1252"))
good("CR line ends", three("Time (s)", T, newline="\r"))
good("CRLF line ends", three("Time (s)", T, newline="\r\n"))
good("mixed line ends", three("Time (s)", T, newline="\r\n").replace(b"\r\n1", b"\n1"))
good("blank lines between all rows", three("Time (s)", T, newline="\n\n"))
good("no line end at the end", three("Time (s)", T).rstrip(b"\n"))
good("spaces around every cell", three("Time (s)", T).replace(b",", b" , "))
good(
    "spaces alone delimit",
    b"time_s speed_kmh rpm\n" + b"".join(b"%3d  %4d   %5d\n" % r for r in zip(
        T.astype(int), SPEED.astype(int), RPM.astype(int), strict=True)),
    frame={"speed_kmh": SPEED, "rpm": RPM},
)  # fmt: skip
good(
    "NUL bytes",
    three("Time (s)", T).replace(b"\n30,", b"\n" + bytes(4) + b"30,"),
    note="4 NUL bytes removed",
)
good(
    "quoted newlines",
    written(("Time (s)", "Remark", *PLAIN), (T, ["all\nwell"] * N, SPEED, RPM, COOLANT)),
)
good(
    "delimiters in quotes",
    written(("Time (s)", "Remark", *PLAIN), (T, ['a, "b", c'] * N, SPEED, RPM, COOLANT)),
)
good("a preamble", three("Time (s)", T, before=["Drive to work", "car; hatchback", "", "a,b"]))
good("a hash before the preamble", three("Time (s)", T, before=["# time, speed", "# of a drive"]))
good(
    "300 columns",
    written(
        ("Time (s)", *PLAIN, *(f"Spare {i}" for i in range(296))),
        (T, SPEED, RPM, COOLANT, *([T * i for i in range(296)])),
    ),
)
good("a trailing delimiter in every line", three("Time (s)", T).replace(b"\n", b",\n"))
good("a control-Z at the end", three("Time (s)", T) + b"\x1a")

# Headers and units.
good(
    "a units row",
    written(("Time", "Speed", "RPM", "Coolant temp"), (T, SPEED / 1.6, RPM, COOLANT * 1.8 + 32),
            under=[("s", "mph", "rpm", "°F")]),
    frame={"speed_kmh": SPEED / 1.6 * 1.609344, "rpm": RPM, "coolant_temp_c": COOLANT},
)  # fmt: skip
good(
    "a units row in brackets",
    written(("Time", "Speed", "RPM"), (T, SPEED, RPM), under=[("[s]", "[km/h]", "[1/min]")]),
    frame={"speed_kmh": SPEED, "rpm": RPM},
)
good(
    "units behind values",
    written(("Time", "Speed", "RPM"),
            ([f"{t:.0f} s" for t in T], [f"{v:g} km/h" for v in SPEED], RPM)),
    frame={"speed_kmh": SPEED, "rpm": RPM},
)  # fmt: skip
good(
    "mixed units in mid-file, told in each cell",
    written(("Time (s)", "Vehicle speed", "RPM"),
            (T, [f"{v:g} km/h" if i < 30 else f"{v / 1.609344:.6f} mph"
                 for i, v in enumerate(SPEED)], RPM)),
    frame={"speed_kmh": SPEED, "rpm": RPM},
)  # fmt: skip
bad(
    "mixed units in mid-file, told by a second header",
    written(("Time (s)", "Speed (km/h)"), (T[:30], SPEED[:30]))
    + written(("Time (s)", "Speed (mph)"), (T[30:], SPEED[30:] / 1.6)),
    r"line 32: a second header begins here, with 'Speed \(mph\)' where the first has "
    r"'Speed \(km/h\)': split the file there",
)
bad(
    "mixed units in mid-file, told by a second units row",
    written(("Time", "Speed"), (T[:30], SPEED[:30]), under=[("s", "km/h")])
    + written(("Time", "Speed"), (T[30:], SPEED[30:]), under=[("s", "mph")]),
    r"line 34: 'Speed' goes on in mph where it began in km/h: split the file there",
)
good(
    "a repeated header",
    written(("Time (s)", *PLAIN), (T[:30], SPEED[:30], RPM[:30], COOLANT[:30]))
    + written(("Time (s)", *PLAIN), (T[30:], SPEED[30:], RPM[30:], COOLANT[30:])),
    note="1 repeated header row dropped",
)
good(
    "the same column twice",
    written(("Time (s)", *PLAIN, "Engine RPM"), (T, SPEED, RPM, COOLANT, RPM)),
    note="'Engine RPM' repeats 'Engine RPM'",
)
bad(
    "two columns that claim one signal and differ",
    written(("Time (s)", "Speed (km/h)", "Vehicle speed (km/h)"), (T, SPEED, SPEED * 1.1)),
    r"columns 'Speed \(km/h\)' and 'Vehicle speed \(km/h\)' both claim speed_kmh and differ: "
    r"settle it in study.toml",
)
good(
    "headers settled by the study",
    written(("secs", "V2", "R"), (T, SPEED / 1.609344, RPM)),
    frame={"speed_kmh": SPEED, "rpm": RPM},
    columns={
        "secs": ColumnRule(signal="time", unit="s"),
        "V2": ColumnRule(signal="speed_kmh", unit="mph"),
        "R": ColumnRule(signal="rpm"),
    },
)
bad(
    "headers that mean nothing",
    written(("Alpha", "Beta"), (T, SPEED)),
    r"line 1: no time column among 'Alpha', 'Beta': name it in study.toml",
)
_LANGUAGES = {
    "German": ("Zeit", "Geschwindigkeit", "Drehzahl", "Kühlmitteltemperatur", "cp1252"),
    "French": ("Temps", "Vitesse", "Régime moteur", "Température liquide de refroidissement",
               "cp1252"),
    "Spanish": ("Tiempo", "Velocidad", "Revoluciones", "Temperatura del refrigerante", "utf-8"),
    "Italian": ("Tempo", "Velocità", "Giri motore", "Temperatura liquido di raffreddamento",
                "cp1252"),
    "Portuguese": ("Tempo", "Velocidade", "Rotação do motor",
                   "Temperatura do líquido de arrefecimento", "utf-8"),
    "Dutch": ("Tijd", "Snelheid", "Toerental", "Koelvloeistoftemperatuur", "utf-8"),
    "Polish": ("Czas", "Prędkość", "Obroty silnika", "Temperatura płynu chłodzącego", "cp1250"),
    "Swedish": ("Tid", "Hastighet", "Varvtal", "Kylvätsketemperatur", "utf-16"),
    "Czech": ("Čas", "Rychlost", "Otáčky motoru", "Teplota chladicí kapaliny", "cp1250"),
    "Romanian": ("Timp", "Viteză", "Turație motor", "Temperatura lichid de răcire", "utf-8"),
}  # fmt: skip
for _language, (_time, _speed, _rpm, _coolant, _encoding) in _LANGUAGES.items():
    good(
        f"headers in {_language}",
        written((f"{_time} (s)", f"{_speed} (km/h)", _rpm, f"{_coolant} (°C)"),
                (T + 0.5, SPEED, RPM, COOLANT), delimiter=";", decimal=",", encoding=_encoding),
    )  # fmt: skip

# Cells.
_BLANKS = [
    "NaN",
    "nan",
    "N/A",
    "#N/A",
    "null",
    "None",
    "-",
    "--",
    "",
    "?",
    "no data",
    "inf",
    "-NaN",
]
_HOLED = np.where(np.arange(N) < len(_BLANKS), np.nan, COOLANT)
good(
    "NaN in thirteen spellings",
    written(("Time (s)", *PLAIN), (T, SPEED, RPM,
            [_BLANKS[i] if i < len(_BLANKS) else c for i, c in enumerate(COOLANT)])),
    frame={**VALUES, "coolant_temp_c": _HOLED},
)  # fmt: skip
good(
    "a word among numbers",
    written(("Time (s)", *PLAIN), (T, SPEED, RPM, ["cold" if i == 4 else c
                                                   for i, c in enumerate(COOLANT)])),
    frame={**VALUES, "coolant_temp_c": np.where(T == 4, np.nan, COOLANT)},
    note="1 cell without a number, first in line 6: left blank",
)  # fmt: skip
good(
    "values no sensor can give",
    written(("Time (s)", *PLAIN), (T, SPEED, np.where(T == 9, 65535, RPM), COOLANT)),
    frame={**VALUES, "rpm": np.where(T == 9, np.nan, RPM)},
    note="rpm: 1 value outside 0 … 12000 rpm: left blank",
)
good(
    "thousands marks",
    written(("Time (s)", *PLAIN), (T, SPEED, [f"{r:,.0f}" for r in RPM], COOLANT)),
)
good(
    "one reading a row",
    written(
        ("Time (s)", "Vehicle speed (km/h)", "Engine RPM"),
        (
            np.arange(2.0 * N) / 2,
            [v for s in SPEED for v in (s, "")],
            [v for r in RPM for v in ("", r)],
        ),
    ),
    t_s=np.arange(2.0 * N) / 2,
    frame={
        "speed_kmh": np.column_stack([SPEED, np.full(N, np.nan)]).ravel(),
        "rpm": np.column_stack([np.full(N, np.nan), RPM]).ravel(),
    },
)
good(
    "a long log",
    written(
        ("time_s", "signal", "value", "unit"),
        (
            np.repeat(T, 2),
            ["Vehicle speed", "Engine RPM"] * N,
            np.column_stack([SPEED, RPM]).ravel(),
            ["km/h", "rpm"] * N,
        ),
    ),
    frame={"speed_kmh": SPEED, "rpm": RPM},
)
good(
    "truncated in mid-cell",
    three("Time (s)", T)[:-9],
    frame={k: v[:-1] for k, v in VALUES.items()},
    t_s=T[:-1],
    note="the last line is incomplete and was dropped",
)
good(
    "a torn line in the middle",
    three("Time (s)", T).replace(b"\n20,", b"\n2\n20,"),
    note="1 line with the wrong number of cells dropped",
)
bad(
    "truncated to the header",
    written(("Time (s)", *PLAIN), ((), (), (), ())),
    "no rows after the header in line 1: the log is empty",
)
bad(
    "a decimal comma in a comma-delimited file",
    b"time_s,speed_kmh\n" + b"".join(b"%d,%d,5\n" % (i, i) for i in range(N)),
    "line 2: rows have 3 cells but the header names 2: a decimal comma in a comma-delimited file",
)
bad("an image", bytes(range(256)) * 40, "is not a text file: give a delimited text log")
bad("nothing but blanks", b" \n\n \r\n", "is empty: give a log with a header and rows")
good(
    "the lamp and the loop in words",
    written(
        ("Time (s)", *PLAIN, "Fuel system status", "MIL"),
        (T, SPEED, RPM, COOLANT, ["OL" if i < 20 else "CL" for i in range(N)], ["off"] * N),
    ),
    frame={**VALUES, "fuel_status": np.where(T < 20, 1.0, 2.0), "mil_on": np.zeros(N)},
)

# Clocks.
good("ISO with zone", three("Timestamp", wall(T, "%Y-%m-%dT%H:%M:%S+01:00")),
     start=START.tz_localize("+01:00"))  # fmt: skip
good("epoch s", three("Time", [int(START.timestamp()) + int(t) for t in T]),
     start=START.tz_localize("UTC"))  # fmt: skip
good("epoch ms", three("Time", [int(START.timestamp() * 1e3) + int(t * 1e3) for t in T]),
     start=START.tz_localize("UTC"))  # fmt: skip
good("epoch µs", three("Time", [int(START.timestamp() * 1e6) + int(t * 1e6) for t in T]),
     start=START.tz_localize("UTC"))  # fmt: skip
good("epoch ns", three("Time", [int(START.timestamp()) * 10**9 + int(t) * 10**9 for t in T]),
     start=START.tz_localize("UTC"))  # fmt: skip
good(
    "spreadsheet serials",
    three("Date", [f"{46086 + 7 / 24 + 10 / 1440 + t / 86400:.9f}" for t in T]),
    start=START,
)
good(
    "spreadsheet fractions of a day",
    three("Time", [f"{7 / 24 + 10 / 1440 + t / 86400:.9f}" for t in T]),
)
good("milliseconds without a unit", three("Time", 500 * T), t_s=T / 2, note="taken as milliseconds")
bad(
    "minutes without a unit",
    three("Time", [f"{t / 60:.4f}" for t in T]),
    r"line 2, column 'Time': steps of 0.0167 can't be seconds: name the unit in study.toml",
)
good(
    "minutes with the unit in the study",
    three("Time", [f"{t / 60:.8f}" for t in T]),
    columns={"Time": ColumnRule(signal="time", unit="min")},
)
bad(
    "tenths of a second without a unit, the speed jumping",
    written(("Time", "Speed (km/h)", "RPM"),
            (T / 1000 * 30, np.round(60 + 50 * np.sin(T / 2)), RPM)),
    "'Time' has no unit, and taken as seconds the speed changes faster than any car's",
)  # fmt: skip
good(
    "date and time in two columns",
    written(("Date", "Time", *PLAIN), (wall(T, "%d/%m/%Y"), wall(T, "%H:%M:%S"),
                                       SPEED, RPM, COOLANT)),
    time=TimeRule(day_first=True),
    start=START,
)  # fmt: skip
good(
    "elapsed time and wall clock, merged",
    written(
        ("Elapsed (s)", "Timestamp", *PLAIN), (T + 0.5, wall(np.floor(T)), SPEED, RPM, COOLANT)
    ),
    start=START,
)
good(
    "a clock of the car and one of the receiver",
    written(("Time", "GPS time", *PLAIN),
            (wall(T), wall(T - 3600), SPEED, RPM, COOLANT)),
    start=START,
    note="time is taken from 'Time', not from 'GPS time'",
)  # fmt: skip
good(
    "hhmmss in the hour after midnight",
    written(
        ("Date", "Time", *PLAIN),
        (["2026-03-05"] * N, [f"{i // 60 * 100 + i % 60}" for i in range(150, 150 + N)],
         SPEED, RPM, COOLANT),
    ),
    start=pd.Timestamp("2026-03-05 00:02:30"),
)  # fmt: skip
good(
    "ddmmyy and hhmmss",
    written(("Date", "Time", *PLAIN), (["050326"] * N, wall(T, "%H%M%S"), SPEED, RPM, COOLANT)),
    time=TimeRule(day_first=True),
    start=START,
)
bad(
    "ddmmyy or yymmdd",
    written(("Date", "Time", *PLAIN), (["050326"] * N, wall(T, "%H%M%S"), SPEED, RPM, COOLANT)),
    r"'050326' can be ddmmyy, yymmdd or mmddyy: set day_first = true \(ddmmyy\)",
)
good(
    "ddmmyy settled by the file's name",
    written(("Date", "Time", *PLAIN), (["050326"] * N, wall(T, "%H%M%S"), SPEED, RPM, COOLANT)),
    file="drive_2026-03-05.csv",
    start=START,
)
bad(
    "day or month first",
    three("Time", wall(T, "%d/%m/%Y %H:%M:%S")),
    r"'05/03/2026 07:10:00' can be day/month or month/day: set day_first = true or false",
)
good(
    "dotted dates", three("Time", wall(T, "%d.%m.%Y %H:%M:%S")), start=START, note="dates with dots"
)
good(
    "a date beside elapsed time",
    written(("Date", "Elapsed (s)", *PLAIN), ([DAY] * N, T, SPEED, RPM, COOLANT)),
    start=START.normalize(),
    note="a date but no time of day: its start is set to midnight",
)
good(
    "a date beside elapsed time, the hour in the file's name",
    written(("Date", "Elapsed (s)", *PLAIN), ([DAY] * N, T, SPEED, RPM, COOLANT)),
    file="2026-03-05_0710.csv",
    start=START,
    note="the time of day is taken from the file's name",
)
_SPRING = pd.Timestamp("2026-03-29 01:59:30")
_AUTUMN = pd.Timestamp("2026-10-25 02:59:30")


def _jumped(start: pd.Timestamp, hours: int) -> list[str]:
    stamps = [start + pd.Timedelta(i, unit="s") for i in range(N)]
    return [f"{s + pd.Timedelta(hours=hours) if i >= 30 else s}" for i, s in enumerate(stamps)]


good("the hour that spring skips", three("Time", _jumped(_SPRING, 1)), start=_SPRING,
     note="start of summer time")  # fmt: skip
good("the hour that autumn repeats", three("Time", _jumped(_AUTUMN, -1)), start=_AUTUMN,
     note="end of summer time")  # fmt: skip
good(
    "duplicated timestamps",
    three("Time (s)", np.floor(T / 3)),
    t_s=np.floor(T / 3),
)
_SWAPPED = T.copy()
_SWAPPED[[20, 21]] = _SWAPPED[[21, 20]]
_ORDER = np.argsort(_SWAPPED)
good(
    "rows out of order",
    three("Time (s)", _SWAPPED),
    frame={k: v[_ORDER] for k, v in VALUES.items()},
    note="1 row out of order put in order of time",
)
bad(
    "a clock that runs backwards",
    three("Time (s)", T[::-1]),
    r"line 3: the clock runs backwards \(59 of 60 rows\): sort the file",
)
bad(
    "two drives end to end",
    three("Time (s)", np.concatenate([T[:30], T[:30]])),
    "line 32: the clock jumps back by 29 s: split the file there",
)
_EARLY = [f"1980-01-06 00:00:0{i}" if i < 3 else s for i, s in enumerate(wall(T))]
good(
    "a clock that was set after three rows",
    three("Time", _EARLY),
    frame={k: v[3:] for k, v in VALUES.items()},
    t_s=T[:-3],
    start=START + pd.Timedelta(seconds=3),
    note="3 rows from before the logger's clock was set dropped",
)

# Positions.
_M = np.arange(240.0)
_KMH = 60 + 10 * np.sin(_M / 20)
_HEADING = _M / 60
_LAT = 47.2 + np.cumsum(_KMH / 3.6 * np.cos(_HEADING)) / 111_195
_LON = 8.5 + np.cumsum(_KMH / 3.6 * np.sin(_HEADING)) / 111_195 / np.cos(np.radians(47.2))
_ROUND = {"lat": [f"{x:.6f}" for x in _LAT], "lon": [f"{x:.6f}" for x in _LON]}
good(
    "positions",
    written(("Time (s)", "Vehicle speed (km/h)", "RPM", "Latitude", "Longitude"),
            (_M, np.round(_KMH, 1), 30 * _M, _ROUND["lat"], _ROUND["lon"])),
    t_s=_M,
    frame={"lat_deg": np.round(_LAT, 6), "lon_deg": np.round(_LON, 6)},
)  # fmt: skip
bad(
    "latitude and longitude swapped, both within 90 degrees",
    written(("Time (s)", "Vehicle speed (km/h)", "RPM", "Latitude", "Longitude"),
            (_M, np.round(_KMH, 1), 30 * _M, _ROUND["lon"], _ROUND["lat"])),
    r"latitude and longitude look swapped \(distances fit the speed only with the two exchanged\)",
)  # fmt: skip
bad(
    "a speed in mph that doesn't say so",
    written(("Time (s)", "Speed", "RPM", "Latitude", "Longitude"),
            (_M, np.round(_KMH / 1.609344, 2), 30 * _M, _ROUND["lat"], _ROUND["lon"])),
    "column 'Speed' has no unit and looks like mph by the log's positions",
)  # fmt: skip
good(
    "degrees and minutes",
    written(("Time (s)", "Lat", "Lon", "RPM"),
            (T, [f"47°{12 + t / 60:.4f}'N" for t in T],
             [f"8°{30 + t / 60:.4f}'W" for t in T], RPM)),
    frame={"lat_deg": 47 + (12 + T / 60) / 60, "lon_deg": -(8 + (30 + T / 60) / 60), "rpm": RPM},
)  # fmt: skip


def sentences(n: int = N) -> bytes:
    """A receiver's sentences, one of them damaged, with right checksums else."""
    lines = []
    for i in range(n):
        clock = f"{START + pd.Timedelta(i, unit='s'):%H%M%S}.00"
        place = f"4712.{1000 + i:04d},N,00830.{2000 + i:04d},E"
        for body in (
            f"GPGGA,{clock},{place},1,08,0.9,{480 + i}.0,M,47.0,M,,",
            f"GPRMC,{clock},A,{place},20.0,45.0,050326,,,A",
        ):
            check = 0
            for byte in body.encode():
                check ^= byte
            lines.append(f"${body}*{check:02X}")
    lines[21] = lines[21].replace("A,4712", "A,4713")
    return ("\r\n".join(lines) + "\r\n").encode()


_KEPT = np.delete(T, 10)
good(
    "a receiver's sentences",
    sentences(),
    file="track.nmea",
    t_s=_KEPT,
    start=START.tz_localize("UTC"),
    frame={
        "lat_deg": 47 + (12.1 + _KEPT / 1e4) / 60,
        "altitude_m": 480 + _KEPT,
        "gps_speed_kmh": np.full(N - 1, 20 * 1.852),
    },
    note="1 sentence damaged: left out",
)
