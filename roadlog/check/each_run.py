"""Every run's log read for a check: its units settled over all, its positions joined.

In come the study and its files; out come the checked runs and the logs. A log that can't be read is
a run that isn't usable, with its reason.
"""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from roadlog.check.one_run import RunCheck, check_run, unread
from roadlog.errors import RoadlogError
from roadlog.ingest import Log, join_positions, read_alike, read_log, settle_day_first
from roadlog.ingest.datum import settled
from roadlog.runs.intake import arm_of
from roadlog.runs.table import Sources
from roadlog.study.settings import ColumnRule, Study


def with_day_order(study: Study, sources: Sources, warnings: list[str]) -> Study:
    """The study with the order of day and month as its logs settle it."""
    try:
        paths = [path for path, _ in sources.runs]
        time = settle_day_first(paths, study.time, columns=study.columns)
    except RoadlogError as e:
        warnings.append(str(e))
        return study
    return study.model_copy(update={"time": time})


def read_tracks(study: Study, sources: Sources, warnings: list[str]) -> list[Log]:
    """The position tracks that can be read."""
    tracks = []
    for path in sources.tracks:
        try:
            tracks.append(read_log(path, columns=study.columns, time=study.time))
        except RoadlogError as e:
            warnings.append(str(e))
    return tracks


def each_run(
    study: Study,
    sources: Sources,
    tracks: Sequence[Log],
    warnings: list[str],
    progress: Callable[[str], object],
) -> tuple[list[RunCheck], list[Log]]:
    """All runs in order of start, and the logs that can be read."""
    read = _read(study, sources, tracks, warnings, progress)
    runs = [_one(path, arm, study, sources, read[path]) for path, arm in sources.runs]
    runs.sort(
        key=lambda r: ("" if r.start is None else r.start.tz_localize(None).isoformat(), r.file)
    )
    return runs, [log for log in read.values() if isinstance(log, Log)]


def _read(
    study: Study,
    sources: Sources,
    tracks: Sequence[Log],
    warnings: list[str],
    progress: Callable[[str], object],
) -> dict[Path, Log | RoadlogError]:
    """Every run's log, its units settled over all of them, or why it can't be read."""

    def reread(path: Path, rules: Mapping[str, ColumnRule], *, alone: bool = True) -> Log:
        return read_log(path, columns={**study.columns, **rules}, time=study.time, alone=alone)

    read: dict[Path, Log | RoadlogError] = {}
    for path, _ in sources.runs:
        progress(path.name)
        try:
            read[path] = reread(path, {}, alone=False)
        except RoadlogError as e:
            read[path] = e
    logs = [log for log in read.values() if isinstance(log, Log)]
    try:
        read |= {log.path: log for log in read_alike(logs, reread)}
    except RoadlogError as e:
        warnings.append(str(e))
    for path, log in read.items():
        if isinstance(log, Log):
            joined = join_positions(log, tracks, zone=study.time.zone) if tracks else log
            read[path] = settled(joined, study.road)
    return read


def _one(
    path: Path, arm: str | None, study: Study, sources: Sources, log: Log | RoadlogError
) -> RunCheck:
    name = sources.shown(path)
    if isinstance(log, RoadlogError):
        return unread(name, arm or "", path, log)
    told = arm or arm_of(path, study, log.start, None, name=name).arm
    return check_run(log, study, file=name, arm=told)
