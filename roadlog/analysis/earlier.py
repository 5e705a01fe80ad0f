"""What earlier analyses computed of each log: a stage and its inputs go in, its result comes out.

A result is taken from the kept tables (`roadlog.study.computed`) where its key says that the log's
bytes, the settings that the stage sees, roadlog's code, its libraries and the machine are the same;
else it is computed, and kept. A stage is given only what its key is made of.
"""

import hashlib
import json
import os
import platform
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from itertools import islice
from pathlib import Path
from typing import TypeVar

import numpy as np
import pandas as pd

from roadlog import fuel
from roadlog.analysis.second import shared_out
from roadlog.fuel.air import Calibration
from roadlog.ingest import Log, read_log, timebase
from roadlog.ingest.packed import packed, unpacked
from roadlog.quantities.fuels import Fuel
from roadlog.runs.table import Sources
from roadlog.study.computed import Computed, Kept, place_of_tables
from roadlog.study.keys import NotKeyable, key_of, libraries, zone_rules
from roadlog.study.own_code import code_sha256, replaced
from roadlog.study.settings import ColumnRule, Study, TimeRule

T = TypeVar("T")
R = TypeVar("R")

LONG_BYTES, LONG_CELLS = 1 << 23, 2_000_000  # over which a log isn't handed between processes
MOST_RAW_BYTES = 1 << 28  # a longer log is read anew each time
# What in the environment can change a number's last digit, or a time.
_SURROUNDINGS = ("OMP_NUM_THREADS", "OPENBLAS_CORETYPE", "OPENBLAS_NUM_THREADS", "TZ", "TZDIR")


class Earlier:
    """The stages that are kept, run on one log or run each; without tables they are just run."""

    def __init__(self, computed: Computed | None = None) -> None:
        self.computed = computed
        self._base = ""
        if computed is not None:
            self._base = key_of(code_sha256(), libraries(), zone_rules(), _machine())

    @classmethod
    def of(cls, sources: Sources, place: Path | None = None) -> "Earlier":
        """For one study, or one set of piles; `place` is by default the user's own folder."""
        where = place_of_tables() if place is None else place
        if where is None or replaced():
            return cls()
        folders = {p.parent for p, _ in sources.runs} if sources.root is None else {sources.root}
        return cls(Computed(where, "\n".join(sorted(str(f.resolve()) for f in folders))))

    def done(self) -> str | None:
        """Let go of what wasn't used; a sentence if tables couldn't be kept."""
        if self.computed is None:
            return None
        self.computed.tidy()
        if not self.computed.failed:
            return None
        return (
            f"what was computed can't be kept in {self.computed.place} ({self.computed.failed}): "
            "the results are whole, only the next analysis has to compute it again"
        )

    def each(
        self,
        work: Callable[[T], R],
        items: Sequence[T],
        small: Callable[[T], bool] = lambda _: True,
    ) -> Iterator[R]:
        """`roadlog.analysis.second.shared_out` of work that calls these stages.

        What a second process found or kept is known here as well.
        """
        computed = self.computed
        if computed is None:
            yield from shared_out(work, items, small)
            return

        def noted(item: T) -> tuple[R, frozenset[str], str]:
            before = computed.used
            return work(item), computed.used - before, computed.failed

        for made, used, failed in shared_out(noted, items, small):
            computed.learn(used, failed)
            yield made

    def logs(self, read: Callable[[Path], Log], paths: Sequence[Path]) -> Iterable[Log]:
        """`each` of some logs."""
        return self.each(read, paths, _is_short)

    def log(
        self,
        path: Path,
        *,
        columns: Mapping[str, ColumnRule],
        time: TimeRule,
        alone: bool = True,
    ) -> Log:
        """`roadlog.ingest.read_log`."""

        def read() -> Log:
            return read_log(path, columns=columns, time=time, alone=alone)

        before = None if self.computed is None else _sha256(path)
        if before is None:
            return read()

        def apart(log: Log) -> Kept:
            frame, tree = packed(log)
            text = json.dumps(tree)
            again = unpacked(path, frame, json.loads(text))
            if repr(_beside(again)) != repr(_beside(log)):
                raise NotKeyable("a log that doesn't come back")
            if path.parent != Path() and json.dumps(str(path))[1:-1] in text:
                raise NotKeyable("a log that tells where it lies")
            if _sha256(path) != before:
                raise NotKeyable("a log that changed while it was read")
            return Kept(frame, tree)

        return self._value(
            "log",
            (before, path.name, dict(columns), time, alone),
            read,
            apart,
            lambda kept: unpacked(path, kept.frame, kept.told),
        )

    def samples(self, frame: pd.DataFrame) -> tuple[pd.DataFrame, float | None]:
        """`roadlog.ingest.timebase.on_one_clock` of a log's frame."""
        return self._value(
            "samples",
            (frame,),
            lambda: timebase.on_one_clock(frame),
            lambda found: Kept(found[0], None if found[1] is None else float(found[1])),
            lambda kept: (kept.frame, kept.told),
        )

    def variants(
        self, study: Study, calibration: Calibration
    ) -> Callable[[pd.DataFrame, Fuel | None], pd.DataFrame]:
        """`roadlog.fuel.fuel_variants` of a run's samples and batch, for one study.

        Of the study it is given the car, the add-on and the choices of the analysis.
        """
        seen = Study(vehicle=study.vehicle, device=study.device, analysis=study.analysis)
        settings: object = object()  # that no key is made of
        with suppress(NotKeyable):
            settings = key_of(seen, calibration)

        def apart(found: pd.DataFrame) -> Kept:
            kept = Kept(pd.DataFrame(index=pd.RangeIndex(0)), found.to_dict("list"))
            if not len(found) or not together(kept).equals(found):
                raise NotKeyable("no rows, or rows that don't come back")
            return kept

        def together(kept: Kept) -> pd.DataFrame:
            return pd.DataFrame(kept.told)

        def of(samples: pd.DataFrame, batch: Fuel | None) -> pd.DataFrame:
            return self._value(
                "variants",
                (settings, samples, batch),
                lambda: fuel.fuel_variants(samples, seen, calibration, batch),
                apart,
                together,
            )

        return of

    def _value(
        self,
        stage: str,
        inputs: Sequence[object],
        compute: Callable[[], T],
        apart: Callable[[T], Kept],
        together: Callable[[Kept], T],
    ) -> T:
        """The stage's result for these inputs, from the tables or computed."""
        if self.computed is None:
            return compute()
        try:
            key = key_of(self._base, stage, *inputs)
        except NotKeyable:
            return compute()
        kept = self.computed.find(key)
        if kept is not None:
            with suppress(KeyError, TypeError, ValueError):
                return together(kept)
        made = compute()
        with suppress(TypeError, ValueError):
            self.computed.keep(key, apart(made))
        return made


NOTHING_EARLIER: Earlier = Earlier()


def has_few_samples(log: Log) -> bool:
    """Whether a log is small enough to be handed from one process to another."""
    return bool(log.frame.size < LONG_CELLS)


def _is_short(path: Path) -> bool:
    try:
        return path.stat().st_size < LONG_BYTES
    except (OSError, ValueError):
        return False


def _beside(log: Log) -> tuple[object, ...]:
    """All of a log but its frame; `repr` tells types and digits apart."""
    stamp = None if log.start is None else (log.start, log.start.unit, repr(log.start.tz))
    facts = [(f, [(n, type(v), v) for n, v in f.values]) for f in log.facts]
    columns, units = log.columns, [(u, sorted(u.allowed)) for u in log.units]
    plain = [(u.header, u.signal, u.read_as, u.span, a) for u, a in units]
    return (stamp, facts, columns, plain, log.altitude_datum, log.frozen_s)


def _sha256(path: Path) -> str | None:
    """Of a file's bytes; None where it can't be read, or is longer than what is kept."""
    digest, left = hashlib.sha256(), MOST_RAW_BYTES
    try:
        if not path.is_file():
            return None  # what is in a pipe can be read once
        with path.open("rb") as file:
            while piece := file.read(1 << 20):
                digest.update(piece)
                left -= len(piece)
                if left < 0:
                    return None
    except (OSError, ValueError):
        return None
    return digest.hexdigest()


def _machine() -> tuple[object, ...]:
    """What of the machine and its settings can change a number's last digit."""
    simd = np.show_config(mode="dicts")["SIMD Extensions"]["found"]
    around = tuple((name, os.environ.get(name)) for name in _SURROUNDINGS)
    return (sys.version, platform.machine(), _model(), platform.libc_ver(), tuple(simd), around)


def _model() -> str:
    """The processor's name, by which the linear algebra beneath numpy chooses its code."""
    with suppress(OSError), Path("/proc/cpuinfo").open(encoding="utf-8", errors="replace") as file:
        named = (line for line in islice(file, 30) if line.startswith(("model name", "CPU part")))
        return next(named, "")
    return platform.processor()
