"""What the poller and the position receiver tell the session: frozen events.

Each is stamped in seconds since boot, the one clock of `roadlog.ingest.journal.clock`.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from roadlog.ingest.positions.nmea import PositionFix
from roadlog.recorder.polling import PollingPlan


@dataclass(frozen=True)
class Connected:
    """The adapter is open; `plan` is None while the vehicle doesn't answer."""

    t_s: float
    protocol: str
    protocol_name: str
    plan: PollingPlan | None
    vin: str | None = None


@dataclass(frozen=True)
class Values:
    """The vehicle answered with these signals."""

    t_s: float
    values: Mapping[str, float]


@dataclass(frozen=True)
class Supply:
    """Supply voltage at the adapter's plug [V]."""

    t_s: float
    volts: float


@dataclass(frozen=True)
class Silent:
    """The vehicle gives no usable answer, though the adapter does."""

    t_s: float
    reason: str


@dataclass(frozen=True)
class Lost:
    """The adapter can't be reached."""

    t_s: float
    reason: str


@dataclass(frozen=True)
class PositionTrouble:
    """The position receiver can't be reached or sends nothing usable."""

    t_s: float
    reason: str


@dataclass(frozen=True)
class PositionLinesRefused:
    """So many lines of the receiver, since the last time, were damaged or told what can't be."""

    t_s: float
    lines: int


Event = (
    Connected
    | Values
    | Supply
    | Silent
    | Lost
    | PositionFix
    | PositionTrouble
    | PositionLinesRefused
)
