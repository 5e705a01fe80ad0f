"""Dates and clocks of six digits: `ddmmyy`, `yymmdd`, `mmddyy` and `hhmmss`.

In comes a trimmed text column; out come seconds as `roadlog.ingest.clock.datetext` gives them. Six
digits alone seldom tell the order of day, month and year: the study's `day_first` or the date in
the file's name does, else it is asked for. Part of the ingest stage.
"""

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from roadlog.ingest.clock.datetext import DayMonthUnclear, Times, civil_days
from roadlog.quantities.arrays import Floats

_ORDERS = {"ddmmyy": (2, 1, 0), "yymmdd": (0, 1, 2), "mmddyy": (2, 0, 1)}  # of year, month, day


def is_six_digits(text: pa.Array | pa.ChunkedArray) -> bool:
    """Whether every cell that isn't blank is six digits."""
    if isinstance(text, pa.ChunkedArray):
        return len(text) > text.null_count and all(
            chunk.null_count == len(chunk) or is_six_digits(chunk) for chunk in text.chunks
        )
    known = text.drop_null()
    return len(known) > 0 and bool(pc.all(pc.match_substring_regex(known, r"^\d{6}$")).as_py())


def six_digit_dates(text: pa.Array, day_first: bool | None, named: str | None) -> Times:
    """Dates of six digits, in the order that `day_first` or the date in the file's name settles.

    Raises
    ------
    DayMonthUnclear
        If more than one order gives dates and nothing settles it.

    >>> six_digit_dates(pa.array(["310324"]), True, None).origin
    Timestamp('2024-03-31 00:00:00')
    """
    pairs = _pairs(text)
    fits = {}
    for name, (y, m, d) in _ORDERS.items():
        days = civil_days(2000 + pairs[y], pairs[m], pairs[d])
        if not np.isnan(days[~np.isnan(pairs[0])]).any():
            fits[name] = days
    if day_first is not None:
        fits = {k: v for k, v in fits.items() if k == ("ddmmyy" if day_first else "mmddyy")}
    elif len(fits) > 1 and named is not None:
        fits = {k: v for k, v in fits.items() if f"{_first(v):%Y-%m-%d}" == named} or fits
    distinct = {_first(v): v for v in fits.values()}
    if len(distinct) != 1:
        raise DayMonthUnclear
    origin, days = next(iter(distinct.items()))
    return Times("date", (days - days[~np.isnan(days)][0]) * 86400.0, origin)


def six_digit_clock(text: pa.Array, *, sure: bool) -> Times | None:
    """`hhmmss` to times of day, None if the digits can't be, or needn't be unless `sure`.

    A leading nought that a plain number wouldn't have makes it sure.
    """
    h, m, s = _pairs(text)
    known = ~np.isnan(h)
    if (h[known] >= 24).any() or (m[known] >= 60).any() or (s[known] >= 61).any():
        return None
    padded = bool(pc.any(pc.starts_with(text, "0")).as_py())
    return Times("day time", h * 3600 + m * 60 + s) if sure or padded else None


def _pairs(text: pa.Array) -> tuple[Floats, Floats, Floats]:
    number = np.asarray(pc.cast(text, pa.float64()).to_numpy(zero_copy_only=False), np.float64)
    return number // 10000, number // 100 % 100, number % 100


def _first(days: Floats) -> pd.Timestamp:
    return pd.Timestamp(int(days[~np.isnan(days)][0]), unit="D")
