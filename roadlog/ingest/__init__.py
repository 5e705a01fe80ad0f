"""Ingest: any logger's file to a `Log` in canonical signals and units.

In come delimited text logs, JSON lines, tracks (GPX, KML, TCX) and the recorder's journals, told
apart by content; out come `Log` frames for `roadlog.ingest.timebase`. The raw side of section 2 of
the method (time base).
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.errors import InputError
from roadlog.ingest.alike import read_alike
from roadlog.ingest.clock.dayorder import settle_day_first
from roadlog.ingest.clock.order import never_set
from roadlog.ingest.contradicted import without_contradicted
from roadlog.ingest.datum import settled
from roadlog.ingest.facts import Repair
from roadlog.ingest.journal.replay import is_journal, read_journal
from roadlog.ingest.log import ColumnMatch, Log
from roadlog.ingest.positions.gpx import is_xml
from roadlog.ingest.positions.join import joined
from roadlog.ingest.positions.sentences import is_sentences, read_sentences
from roadlog.ingest.positions.speedcheck import held_against_positions
from roadlog.ingest.positions.tracks import read_track
from roadlog.ingest.revolutions import refuse_crawling
from roadlog.ingest.table.byvalues import ask_for_units
from roadlog.ingest.table.columnar import columns_to_log
from roadlog.ingest.table.delimited import read_delimited
from roadlog.ingest.table.jsonlines import as_delimited, is_json_lines
from roadlog.ingest.text.source import Text
from roadlog.study.settings import ColumnRule, TimeRule

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = [
    "ColumnMatch",
    "Log",
    "join_positions",
    "read_alike",
    "read_columns",
    "read_log",
    "settle_day_first",
]

_NO_RULES: Mapping[str, ColumnRule] = {}
_NO_TIME_RULE = TimeRule()
_HEAD_BYTES = 1 << 16


def read_log(
    path: Path | str,
    *,
    columns: Mapping[str, ColumnRule] = _NO_RULES,
    time: TimeRule = _NO_TIME_RULE,
    alone: bool = True,
) -> Log:
    """Read one raw log, whatever wrote it.

    Parameters
    ----------
    path : Path or str
        A delimited text log, JSON lines, a GPX, KML or TCX track, or a journal of `roadlog record`;
        the content decides, not the name.
    columns : mapping of header to ColumnRule
        The study's `[columns]`; they override what the headers say.
    time : TimeRule
        The study's `[time]`.
    alone : bool
        Whether this log alone must settle the units that its headers leave open; where the other
        logs of a study help, `read_alike` asks for what they don't settle either.

    Returns
    -------
    Log
        `frame` has `t_s` [s] and a float64 column per signal in its canonical unit.

    Raises
    ------
    InputError
        If the file can't be read as a log; the message names file, line or column, and remedy.

    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "drive.csv").write_text("time_s,Speed (mph)\\n0,10\\n1,20\\n")
    >>> read_log(folder / "drive.csv").frame["speed_kmh"].round(3).tolist()
    [16.093, 32.187]
    """
    path = Path(path)
    if path.is_dir():
        raise InputError(f"{path} is a folder: name the log files in it")
    if path.exists() and not path.is_file():
        raise InputError(
            f"{path} is a pipe or a device, which gives what it holds only once: write it to a "
            "file, and name that"
        )
    try:
        raw = Text.opened(path)
    except FileNotFoundError as e:
        raise InputError(f"{path} does not exist: check the name") from e
    except OSError as e:
        raise InputError(f"{path} can't be read ({e.strerror}): check its permissions") from e
    except ValueError as e:
        raise InputError(f"{str(path)!r} is no file name: check it") from e
    log = _held(_read(path, raw, columns, time))
    if alone:
        ask_for_units(log.units, path)
    return log


def read_columns(
    path: Path,
    table: "pa.Table",
    *,
    columns: Mapping[str, ColumnRule] = _NO_RULES,
    time: TimeRule = _NO_TIME_RULE,
) -> Log:
    """A log from typed columns whose headings mean what they do in a text log.

    Parameters
    ----------
    path : Path
        Where they come from, for messages.
    table : pyarrow.Table
        Its rows in order of time.
    columns, time
        As for `read_log`; the units that headings leave open are for `read_alike` to settle.

    Raises
    ------
    InputError
        If they can't be read as a log.
    """
    return _held(columns_to_log(path, table, columns, time))


def _held(log: Log) -> Log:
    """The log, its readings held against each other."""
    log = held_against_positions(settled(_dated(log)))
    return without_contradicted(refuse_crawling(log))


def join_positions(log: Log, tracks: Sequence[Log], *, zone: str | None = None) -> Log:
    """`roadlog.ingest.positions.join.joined`, held against the log's speed where something was
    joined.

    Raises
    ------
    InputError
        If `zone` is not known, or speed and positions can't belong together.
    """
    both = joined(log, tracks, zone=zone)
    return log if both is log else held_against_positions(both)


def _dated(log: Log) -> Log:
    """The log without a start where its clock was never set: that day is nobody's."""
    if log.start is None or not never_set(log.start):
        return log
    return replace(log, start=None, facts=(*log.facts, Repair.NEVER_SET(start=log.start)))


def _read(path: Path, raw: Text, columns: Mapping[str, ColumnRule], time: TimeRule) -> Log:
    if not len(raw):
        raise InputError(f"{path} is empty: give a log with a header and rows")
    head = raw[:_HEAD_BYTES]
    if is_journal(head):
        return read_journal(path, raw[:], time)
    if is_xml(head):
        return read_track(path, raw[:], time)
    if is_sentences(head):
        return read_sentences(path, raw[:], time)
    if is_json_lines(head):
        tabled = as_delimited(path, raw)
        log = read_delimited(path, tabled.text, columns, time, lines_above=1)
        return replace(log, facts=(*log.facts, *tabled.notes))
    return read_delimited(path, raw, columns, time)
