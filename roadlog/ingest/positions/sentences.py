"""A receiver's sentences, kept as a file, to a `Log` of positions.

In comes the text of NMEA 0183 sentences as they came off the line, with or without a time before
each; out comes a log of fixes on the receiver's own UTC. The raw side of section 2 of the method.

References
----------
NMEA 0183 (IEC 61162-1), by way of `roadlog.ingest.positions.nmea`.
"""

import re
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.clock.columns import in_zone
from roadlog.ingest.datum import ALTITUDE
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import ColumnMatch, Log
from roadlog.ingest.positions.nmea import SentenceReader
from roadlog.ingest.text.dialect import as_utf8
from roadlog.ingest.text.rivals import clean
from roadlog.quantities.signals import POSITION, SIGNALS
from roadlog.study.settings import TimeRule

_SENTENCE = re.compile(r"\$[A-Z]{2}[A-Z]{3},[^\r\n]*")
_HEAD = re.compile(rb"(?:^|[\r\n])[^\r\n$]{0,40}\$[A-Z]{2}(?:RMC|GGA),")


def is_sentences(raw: bytes) -> bool:
    """Whether the bytes begin like a receiver's sentences.

    >>> is_sentences(b"$GPRMC,091700,A,4717.1,N,00832.2,E,0,0,310324,,*00")
    True
    """
    head = raw[:8192]
    return b"$" in head and _HEAD.search(head) is not None


def read_sentences(path: Path, raw: bytes, time: TimeRule) -> Log:
    """Read the fixes of a file of sentences.

    Raises
    ------
    InputError
        If no sentence gives a fix with a date.
    """
    reader = SentenceReader()
    lines = _SENTENCE.findall(as_utf8(raw, path).decode())
    fixes = [f for line in lines if (f := reader.feed(line, 0.0))]
    last = reader.flush()
    fixes += [last] if last else []
    dated = [f for f in fixes if f.utc_s is not None]
    if not dated:
        raise InputError(
            f"{path}: no sentence gives a position with its date: log the receiver's RMC sentences"
        )
    notes = []
    if reader.rejected:
        notes.append(Repair.DAMAGED_SENTENCES(n=reader.rejected))
    if len(dated) < len(fixes):
        notes.append(Repair.UNDATED_FIXES(fixes=len(fixes) - len(dated), all=len(fixes)))
    utc = np.array([f.utc_s for f in dated], dtype=np.float64)
    order = np.argsort(utc, kind="stable")
    if (np.diff(utc) < 0).any():
        notes.append(Repair.FIXES_OUT_OF_ORDER())
    names = [n for n in POSITION if any(n in f.values for f in dated)]
    columns = {
        n: np.array([f.values.get(n, np.nan) for f in dated], np.float64)[order] for n in names
    }
    start = pd.Timestamp(float(utc[order[0]]), unit="s", tz="UTC")
    return Log(
        path=path,
        frame=pd.DataFrame({"t_s": utc[order] - utc[order[0]], **clean(columns, path, notes)}),
        start=in_zone(start, time, path, notes),
        columns=tuple(ColumnMatch(n, n, SIGNALS[n].unit) for n in names),
        facts=tuple(notes),
        altitude_datum="sea level" if ALTITUDE in names else None,  # field 9 of GGA
    )
