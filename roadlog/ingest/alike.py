"""One unit for one header over all logs of a study.

In come the logs as each was read by itself; out come the same logs, those read again whose column
has another unit by what the values of the others allow. A header that can only be one unit in one
log and only another in the next is refused: a logger's setting was changed. Part of the ingest
stage.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from roadlog.errors import InputError
from roadlog.ingest.log import Log, UnitEvidence
from roadlog.ingest.table.byvalues import ask_for_units, unit_name
from roadlog.quantities.signals import SIGNALS
from roadlog.study.settings import ColumnRule

Reread = Callable[[Path, Mapping[str, ColumnRule]], Log]


def read_alike(logs: Sequence[Log], reread: Reread) -> list[Log]:
    """The logs with each header that names no unit in one unit throughout.

    Parameters
    ----------
    logs : sequence of Log
    reread : callable
        Reads a file again with these rules beside the study's.

    Raises
    ------
    InputError
        If two logs contradict each other, or a unit must be asked for.
    """
    found: dict[tuple[str, str], list[tuple[int, UnitEvidence]]] = {}
    for i, log in enumerate(logs):
        for e in log.units:
            found.setdefault((e.header.strip().casefold(), e.signal), []).append((i, e))
    rules: dict[int, dict[str, ColumnRule]] = {}
    for seen in found.values():
        unit = _unit(seen, logs)
        for i, e in seen:
            if e.read_as != unit:
                rules.setdefault(i, {})[e.header] = ColumnRule(signal=e.signal, unit=unit)
    return [reread(log.path, rules[i]) if i in rules else log for i, log in enumerate(logs)]


def units_said(logs: Sequence[Log]) -> list[str]:
    """A sentence for each header that is read in another unit than its signal's own."""
    told: dict[tuple[str, str], UnitEvidence] = {}
    for log in logs:
        for e in log.units:
            if e.signal in SIGNALS and e.read_as != SIGNALS[e.signal].unit:
                told.setdefault((e.header, e.read_as), e)
    return [
        f"column '{e.header}' names no unit: read as {unit_name(e.read_as)} by its values "
        f"({e.span[0]:.4g} to {e.span[1]:.4g}); if that is wrong, name it in [columns]"
        for e in told.values()
    ]


def _unit(seen: Sequence[tuple[int, UnitEvidence]], logs: Sequence[Log]) -> str:
    telling = [(i, e) for i, e in seen if e.allowed]
    own = _own(seen)
    if not telling:
        return own
    common = frozenset.intersection(*(e.allowed for _, e in telling))
    if not common:
        raise _contradiction(telling, logs)
    if own in common:
        return own
    if len(common) > 1:
        i, e = telling[0]
        ask_for_units([UnitEvidence(e.header, e.signal, own, common, e.span)], logs[i].path)
    return next(iter(common))


def _own(seen: Sequence[tuple[int, UnitEvidence]]) -> str:
    """What a column is read in where values leave it open; a clock is read as most logs are."""
    signal = seen[0][1].signal
    if signal in SIGNALS:
        return SIGNALS[signal].unit
    return Counter(e.read_as for _, e in seen).most_common(1)[0][0]


def _contradiction(telling: Sequence[tuple[int, UnitEvidence]], logs: Sequence[Log]) -> InputError:
    """The first two logs that allow no common unit, or else those that leave the fewest."""
    order = sorted(telling, key=lambda ie: len(ie[1].allowed))
    a, b = next(
        ((a, b) for a in order for b in order if not a[1].allowed & b[1].allowed),
        (order[0], order[-1]),
    )
    said = [
        f"{' or '.join(sorted(map(unit_name, e.allowed)))} in {logs[i].path}" for i, e in (a, b)
    ]
    return InputError(
        f"column '{a[1].header}' names no unit and can only be {said[0]} but {said[1]}: the "
        "logger's setting changed between them, so export one of them again with the unit in the "
        "header, or leave the column out with "
        f'"{a[1].header}" = "ignore" under [columns] in study.toml'
    )
