"""Dates that somebody wrote by hand: in the notes, in the weather, in the lists of fills and cans.

In come text cells and the order of day and month that the study's logs settle; out come moments.
Where neither the logs nor the column itself tell the order, it is asked for, by file and line.
"""

import datetime as dt
import re
from collections.abc import Collection, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from roadlog.errors import InputError
from roadlog.ingest.clock.datetext import DayMonthUnclear, NoSuchDay, parse_times
from roadlog.ingest.text.handtable import line_of

Moment = dt.datetime | dt.date

_YEAR_LAST = re.compile(r"(\d{1,2})([-/.])(\d{1,2})[-/.](?:\d{4}|\d{2})(?!\d)")
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}")
_ORDERS = {True: "day before month", False: "month before day"}


def read_moments(
    cells: pd.Series, day_first: bool | None, path: Path, header: str
) -> list[Moment | None]:
    """The date, or date and time, of each cell; None where it is blank.

    Parameters
    ----------
    cells : Series of str
        From `read_table`, whose index is the line.
    day_first : bool or None
        What the logs or `[time]` settle.

    Raises
    ------
    InputError
        Naming the line of a cell that is no date, that contradicts the logs, or whose day and
        month can't be told apart.

    >>> cells = pd.Series(["02/03/2026", "2026-03-04T07:10"])
    >>> read_moments(cells, True, Path("fills.csv"), "time")
    [datetime.date(2026, 3, 2), datetime.datetime(2026, 3, 4, 7, 10)]
    """
    first = settled_order(cells, day_first, path, header)
    out: list[Moment | None] = []
    for i, cell in enumerate(cells):
        text = "" if pd.isna(cell) else str(cell).strip()
        moment = _moment(text, first) if text else None
        if text and moment is None:
            raise InputError(
                f"{path}: line {line_of(cells, i)}, column '{header}': '{text}' is no date: write "
                "2026-03-02, or 2026-03-02T08:00 with a time"
            )
        out.append(moment)
    return out


def read_days(
    cells: pd.Series, day_first: bool | None, path: Path, header: str, drives: Collection[str] = ()
) -> pd.Series:
    """Each cell's day as YYYY-MM-DD, missing where it is blank.

    Parameters
    ----------
    cells, day_first, path, header
        As for `read_moments`.
    drives : collection of str
        The days of the study's drives: an order that fits them worse than the other is refused.

    Raises
    ------
    InputError
        As `read_moments`.
    """
    days = _as_days(read_moments(cells, day_first, path, header))
    known = set(drives)
    if known and order_matters(cells):
        first = settled_order(cells, day_first, path, header)
        try:
            others = _as_days(read_moments(cells, not first, path, header))
        except InputError:  # the other order isn't possible at all
            return pd.Series(days, index=cells.index, dtype="str")
        if _hits(others, known) > _hits(days, known):
            i = next(i for i, d in enumerate(days) if d not in known and others[i] in known)
            raise InputError(
                f"{path}: line {line_of(cells, i)}, column '{header}': '{cells.iloc[i]}' with "
                f"{_ORDERS[bool(first)]}, as the logs have it, is a day without a drive, the other "
                "way round it is one with: write dates as YYYY-MM-DD"
            )
    return pd.Series(days, index=cells.index, dtype="str")


def settled_order(cells: pd.Series, day_first: bool | None, path: Path, header: str) -> bool | None:
    """Whether the day comes first in a column; None where its dates don't leave it open.

    Raises
    ------
    InputError
        If the column contradicts itself or the logs, or nothing tells the order.
    """
    own: dict[bool, int] = {}
    unclear: tuple[int, str] | None = None
    for i, cell in enumerate(cells):
        m = None if pd.isna(cell) else _YEAR_LAST.match(str(cell).strip())
        if m is None:
            continue
        a, b = int(m[1]), int(m[3])
        if a > 12 or b > 12:
            own.setdefault(a > 12, i)
        elif a != b and unclear is None and (m[2] != "." or day_first is False):
            unclear = i, m[2]
    told = day_first if day_first is not None else (next(iter(own)) if len(own) == 1 else None)
    wrong = next((i for first, i in own.items() if told is not None and first != told), None)
    if wrong is None and len(own) == 2:
        wrong = max(own.values())
    if wrong is not None:
        read = _ORDERS[not _day_must_be_first(cells.iloc[wrong])]
        others = "the study's logs or [time] have" if day_first is not None else "another line has"
        raise InputError(
            f"{path}: line {line_of(cells, wrong)}, column '{header}': '{cells.iloc[wrong]}' "
            f"can't be {read}, as {others} it: write dates as YYYY-MM-DD"
        )
    if unclear is not None and (told is None or unclear[1] == "."):
        i = unclear[0]
        raise InputError(
            f"{path}: line {line_of(cells, i)}, column '{header}': '{cells.iloc[i]}' may be day "
            "before month or month before day: write dates as YYYY-MM-DD"
            + ("" if told is not None else ", or set day_first in [time] of study.toml")
        )
    return True if told is None else told


def _day_must_be_first(cell: object) -> bool:
    m = _YEAR_LAST.match(str(cell).strip())
    return m is not None and int(m[1]) > 12


def looks_like_a_date(cell: object) -> bool:
    """Whether a cell is written as a date in figures.

    >>> looks_like_a_date("02/03/2026"), looks_like_a_date("day1.csv")
    (True, False)
    """
    text = str(cell).strip()
    return bool(_YEAR_LAST.fullmatch(text) or re.fullmatch(r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}", text))


def read_instants(cells: pd.Series, day_first: bool | None, path: Path, header: str) -> pd.Series:
    """A column of instants, naive or in the first one's zone; the whole column at once.

    Raises
    ------
    InputError
        As `read_moments`; a blank cell is one too.
    """
    text = cells.fillna("").str.strip()
    _refuse_blank(text, path, header)
    if not text.str.match(_ISO).all():
        moments = read_moments(cells, day_first, path, header)
        text = pd.Series([m.isoformat() for m in moments if m is not None], index=cells.index)
    offset = text.str.contains(r"(?:Z|z|[+-]\d{2}:?\d{2}|[+-]\d{2})$") & text.str.contains(":")
    if offset.any() and not offset.all():
        i = int((~offset).to_numpy().argmax())
        raise InputError(
            f"{path}: line {line_of(cells, i)}, column '{header}': '{text.iloc[i]}' has no zone "
            "and other lines have one: give it to all or to none"
        )
    times = pd.to_datetime(text, format="ISO8601", errors="coerce", utc=bool(offset.any()))
    bad = times.isna()
    if bad.any():
        i = int(bad.to_numpy().argmax())
        raise InputError(
            f"{path}: line {line_of(cells, i)}, column '{header}': '{text.iloc[i]}' is no time: "
            "write 2026-03-02T08:00, or 2026-03-02T08:00+01:00 with its zone"
        )
    if not offset.any():
        return times
    zone = pd.Timestamp(text.iloc[0]).tz
    return times.dt.tz_convert(zone)


def _refuse_blank(text: pd.Series, path: Path, header: str) -> None:
    blank = (text == "").to_numpy()
    if blank.any():
        line = line_of(text, int(blank.argmax()))
        raise InputError(f"{path}: line {line}, column '{header}': no time: add it")


def _moment(text: str, day_first: bool | None) -> Moment | None:
    if _ISO.match(text):
        try:
            at = dt.datetime.fromisoformat(text)
        except ValueError:
            at = None
        if at is not None:
            return at if len(text) > len("2026-03-02") else at.date()
    try:
        times = parse_times(pa.array([text]), day_first)
    except (DayMonthUnclear, NoSuchDay):
        return None
    if times is None or times.kind not in ("wall", "date") or times.origin is None:
        return None
    if not np.isfinite(times.seconds[0]):
        return None
    at = (times.origin + pd.Timedelta(float(times.seconds[0]), unit="s")).to_pydatetime()
    return at if times.kind == "wall" else at.date()


def order_matters(cells: pd.Series) -> bool:
    """Whether any date of a column would be another with day and month the other way round."""
    found = (_YEAR_LAST.match(str(c).strip()) for c in cells if not pd.isna(c))
    return any(m is not None and m[1] != m[3] for m in found)


def turned(days: Collection[str], known: Collection[str]) -> bool:
    """Whether more of the days are known with day and month the other way round.

    >>> turned(["2026-04-03"], {"2026-03-04"})
    True
    """
    other = [f"{d[:4]}-{d[8:]}-{d[5:7]}" for d in days]
    return sum(d in known for d in other) > sum(d in known for d in days)


def _as_days(moments: Sequence[Moment | None]) -> list[str | None]:
    return [None if m is None else f"{m:%Y-%m-%d}" for m in moments]


def _hits(days: Sequence[str | None], known: set[str]) -> int:
    return sum(d in known for d in days)
