"""A log as a table and plain values, and back: what is kept of one between analyses.

`packed` takes a `Log` apart into its frame and a tree that JSON holds exactly; `unpacked` puts it
together again, its facts as facts of their codes.
"""

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import astuple
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from roadlog.ingest.log import ColumnMatch, Log, UnitEvidence
from roadlog.quantities.facts import Fact, Kind

Tree = dict[str, Any]


def packed(log: Log) -> tuple[pd.DataFrame, Tree]:
    """A log's frame, and all else but its path.

    Raises
    ------
    TypeError
        If something in it is of a type that isn't known here.
    """
    return log.frame, {
        "start": _plain(log.start),
        "columns": [_plain(astuple(c)) for c in log.columns],
        "facts": [_plain(f) for f in log.facts],
        "altitude_datum": log.altitude_datum,
        "frozen_s": _plain(log.frozen_s),
        "units": [_plain(astuple(u)) for u in log.units],
    }


def unpacked(path: Path, frame: pd.DataFrame, tree: Tree) -> Log:
    """The log again.

    Raises
    ------
    KeyError, TypeError, ValueError
        If the tree isn't one of `packed`, or names a fact that there is no more.
    """
    return Log(
        path=path,
        frame=frame,
        start=_value(tree["start"]),
        columns=tuple(ColumnMatch(*_value(c)) for c in tree["columns"]),
        facts=tuple(_value(f) for f in tree["facts"]),
        altitude_datum=tree["altitude_datum"],
        frozen_s=_value(tree["frozen_s"]),
        units=tuple(UnitEvidence(*_value(u)) for u in tree["units"]),
    )


def _plain(value: object) -> Any:
    """A value for JSON: texts and numbers as they are, all else by its kind."""
    for kind, (of, plain, _) in _KINDS.items():
        if type(value) is of:
            return {kind: plain(value)}
    if value is None or type(value) in (str, bool, int, float):
        return value
    if isinstance(value, np.generic) and value.dtype.kind in "fiub":
        return {"numpy": [value.dtype.str, value.item()]}
    raise TypeError(type(value).__qualname__)


def _value(plain: Any) -> Any:
    if not isinstance(plain, dict):
        return plain
    ((kind, content),) = plain.items()
    if kind == "numpy":
        return np.dtype(content[0]).type(content[1])
    return _KINDS[kind][2](content)


def _zone(value: dt.tzinfo | None) -> Any:
    if value is None or type(value) is ZoneInfo:
        return None if value is None else value.key
    if type(value) is dt.timezone:
        return value.utcoffset(None).total_seconds()
    raise TypeError(type(value).__qualname__)


def _in_zone(plain: Any) -> dt.tzinfo | None:
    if plain is None:
        return None
    return ZoneInfo(plain) if isinstance(plain, str) else dt.timezone(dt.timedelta(seconds=plain))


def _stamp(value: pd.Timestamp) -> list[Any]:
    if value.fold:
        raise TypeError("the second of two alike hours")
    return [value.as_unit("ns").value, value.unit, _zone(value.tz)]


def _stamped(content: list[Any]) -> pd.Timestamp:
    at, unit, zone = content
    utc = pd.Timestamp(at, unit="ns").as_unit(unit)
    there = _in_zone(zone)
    return utc if there is None else utc.tz_localize("UTC").tz_convert(there)


def _fact(value: Fact) -> list[Any]:
    values = [[name, _plain(v)] for name, v in value.values]
    return [type(value.code).__module__, type(value.code).__qualname__, value.code.name, values]


def _told(content: list[Any]) -> Fact:
    module, name, code, values = content
    kinds = {(k.__module__, k.__qualname__): k for k in _kinds(Kind)}
    return Fact(kinds[module, name][code], tuple((n, _value(v)) for n, v in values))


def _kinds(of: type[Kind]) -> Iterator[type[Kind]]:
    for kind in of.__subclasses__():
        yield kind
        yield from _kinds(kind)


_KINDS: dict[str, tuple[type, Callable[[Any], Any], Callable[[Any], Any]]] = {
    "fact": (Fact, _fact, _told),
    "time": (pd.Timestamp, _stamp, _stamped),
    "tuple": (tuple, lambda v: [_plain(x) for x in v], lambda v: tuple(map(_value, v))),
    "set": (
        frozenset,
        lambda v: sorted((_plain(x) for x in v), key=repr),
        lambda v: frozenset(map(_value, v)),
    ),
}
