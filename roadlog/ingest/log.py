"""A log as the later stages see it: one frame in canonical units and what was done to get it.

In comes nothing; `Log` is what every reader of `roadlog.ingest` gives back, whatever the file's
form. It is the raw side of section 2 of the method (time base): sparse, on the logger's own clock.
"""

from dataclasses import dataclass, fields
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from roadlog.ingest import shelf
from roadlog.quantities.columns import Columns
from roadlog.quantities.facts import Fact
from roadlog.quantities.signals import SIGNALS
from roadlog.quantities.units import UNITS, unit_symbol
from roadlog.wording.shown import Said, Shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Role = Literal["signal", "time", "ignored", "unmatched"]
Datum = Literal["sea level", "ellipsoid", "unknown"]


@dataclass(frozen=True)
class ColumnMatch:
    """What one column of the file was taken for.

    `signal` is a name in `roadlog.quantities.signals.SIGNALS`, or None for time columns (`role`
    "time"), for columns that a rule ignores and for those that no word matches; `unit` is the unit
    that the file's values are in, `assumed` where nothing named it.
    """

    header: str
    signal: str | None
    unit: str | None
    note: str = ""
    role: Role = "signal"
    assumed: bool = False


@dataclass(frozen=True)
class UnitEvidence:
    """What the values of a column whose header names no unit allow.

    `read_as` is the unit that it was read in, `allowed` those that are possible (empty if the
    values tell nothing), `span` its least and greatest value as written, glitches left out.
    """

    header: str
    signal: str
    read_as: str
    allowed: frozenset[str]
    span: tuple[float, float]


def shown(text: str) -> str:
    """A text from the file, on one line and short enough for a message."""
    line = " ".join(text.split())
    return line if len(line) <= 40 else line[:39] + "…"


def counted(n: int, noun: str) -> str:
    """`1 row`, `2 rows`.

    >>> counted(2, "cell")
    '2 cells'
    """
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


@dataclass(frozen=True, repr=False)
class Log(Shown):
    """One raw file, read.

    `frame` holds `t_s` [s] since the first row, non-decreasing, then one float64 column per
    matched signal in its canonical unit, NaN where the row has none. `start` is the wall clock at
    `t_s` = 0: naive local time if the log has no zone, tz-aware if it has, None if it has no wall
    clock. `facts` tell what was repaired, `notes` say it. `altitude_datum` is the surface that
    `altitude_m` is above, None without altitudes. `frozen_s` is how long positions stood still
    while the wheels turned [s]; they are blank there.
    `units` holds what values say of columns whose header names no unit.
    """

    path: Path
    frame: pd.DataFrame
    start: pd.Timestamp | None
    columns: tuple[ColumnMatch, ...] = ()
    facts: tuple[Fact, ...] = ()
    altitude_datum: Datum | None = None
    frozen_s: float = 0.0
    units: tuple[UnitEvidence, ...] = ()

    def __getstate__(self) -> dict[str, Any]:
        return {f.name: getattr(self, f.name) for f in fields(self)}  # not what is reckoned of it

    @cached_property
    def read(self) -> Columns:
        """The frame's columns as arrays."""
        return shelf.told(self.frame)

    @property
    def notes(self) -> tuple[str, ...]:
        """What was repaired, a sentence each."""
        return tuple(map(str, self.facts))

    def to_frame(self) -> pd.DataFrame:
        """`frame` without `t_s`, by wall clock where the log has one, else by time elapsed."""
        elapsed = pd.to_timedelta(self.frame["t_s"], unit="s")
        at = elapsed if self.start is None else self.start + elapsed
        return self.frame.drop(columns="t_s").set_index(pd.Index(at, name="time"))

    def plot(self, signal: str = "speed_kmh", axes: "Axes | None" = None) -> "Axes":
        """A signal against the time since the first row [s]."""
        axes = self.frame.plot(x="t_s", y=signal, ax=axes, legend=False)
        axes.set(xlabel="time, s", ylabel=signal, title=self.path.name)
        return axes

    def _said(self) -> Said:
        signals = self.frame.drop(columns="t_s")
        headers = {c.signal: c.header for c in self.columns}
        told = signals.describe().loc[["count", "min", "max"]].T if signals.shape[1] else signals
        rows = []
        for name, n, low, high in told.itertuples():
            unit, column = unit_symbol(SIGNALS[name].unit), headers.get(name, "")
            rows.append((name, unit, column, f"{n:.0f}", f"{low:.6g}", f"{high:.6g}"))
        minutes = float(self.frame["t_s"].max()) / 60 if len(self.frame) else 0.0
        date = "no date" if self.start is None else f"{self.start:%Y-%m-%d %H:%M}"
        title = f"{self.path.name}: {date}, {minutes:.1f} min, {len(self.frame)} rows"
        return Said(title, rows, ("signal", "unit", "column", "readings", "from", "to"), self.notes)


def read_units(log: Log) -> dict[str, str]:
    """In which unit each signal of a log was read."""
    return {c.signal: c.unit for c in log.columns if c.signal is not None and c.unit in UNITS}
