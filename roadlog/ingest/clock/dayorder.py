"""Day before month or after, from all logs of a study together.

In come the study's logs; out comes its time rule, with `day_first` set where one log settles what
another leaves open. Only the head of each log is read. Part of the ingest stage.
"""

import re
from collections.abc import Mapping, Sequence
from itertools import chain
from pathlib import Path

import numpy as np

from roadlog.errors import InputError, RoadlogError
from roadlog.ingest.text.columns import match_columns
from roadlog.ingest.text.dialect import sniff, utf8_text
from roadlog.ingest.text.source import Text
from roadlog.study.settings import ColumnRule, TimeRule

_YEAR_LAST = re.compile(r"(\d{1,2})[-/.](\d{1,2})[-/.](?:\d{4}|\d{2})\b")
_BEHIND_FIRST = re.compile(rb"[-/.]\d{1,2}[-/.](?:\d{4}|\d{2})\b")
_OTHER_DIGITS = re.compile(rb"[\xd9\xdb\xdf\xe0\xe1\xea\xef\xf0]")  # first bytes of digits in UTF-8
_HEAD_BYTES = 1 << 17
_SEPARATES = np.isin(np.arange(256), list(b"-/."))
_IS_DIGIT = np.isin(np.arange(256), list(b"0123456789"))


def settle_day_first(
    paths: Sequence[Path], time: TimeRule, *, columns: Mapping[str, ColumnRule]
) -> TimeRule:
    """The time rule with `day_first` set, if any log's dates tell.

    Logs that can't be read are passed over: reading them says why.

    Raises
    ------
    InputError
        If one log can only be day before month and another only month before day.
    """
    if time.day_first is not None:
        return time
    found: dict[bool, Path] = {}
    for path in paths:
        for first, second in _fields(path, columns):
            if first > 12 or second > 12:
                found.setdefault(first > 12, path)
    if len(found) == 2:
        raise InputError(
            f"{found[True]} writes day before month and {found[False]} month before day: put them "
            "in studies of their own, or export one again"
        )
    return time.model_copy(update={"day_first": next(iter(found))}) if found else time


def _fields(path: Path, columns: Mapping[str, ColumnRule]) -> list[tuple[int, int]]:
    """First and second field of every date written with its year last."""
    try:
        if not path.is_file():
            return []
        with path.open("rb") as file:
            raw = utf8_text(Text.of(file.read(_HEAD_BYTES)), path)
        if not _year_last(raw[:]):
            return []
        dialect = sniff(raw, path, columns)
    except (OSError, RoadlogError):
        return []
    meanings = match_columns(dialect.headers, dialect.units, columns, path)
    times = [i for i, m in enumerate(meanings) if m.role in ("time", "date")]
    cells = chain.from_iterable(zip(*(dialect.columns[i] for i in times), strict=True))
    return [(int(m[1]), int(m[2])) for c in cells if (m := _YEAR_LAST.match(c))]


def _year_last(text: bytes) -> bool:
    """Whether a cell can begin with such a date: a first field of one or two digits before it."""
    if not text.isascii() and _OTHER_DIGITS.search(text):
        return True
    letters = np.frombuffer(b"   " + text, np.uint8)
    marks = np.flatnonzero(_SEPARATES[letters])
    near = marks[:-1][np.diff(marks) <= 3]
    digits = [_IS_DIGIT[letters[near - back]] for back in (1, 2, 3)]
    near = near[digits[0] & ~(digits[1] & digits[2])] - 3
    return any(_BEHIND_FIRST.match(text, int(at)) for at in near)
