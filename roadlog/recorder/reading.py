"""A test reading, parked: which devices are there, and each signal once with its unit and time.

In come places of an adapter and a receiver, or nothing: then each serial device is listened to and,
if it isn't a receiver, asked as an adapter. Nothing is written.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from roadlog.errors import DesignError
from roadlog.ingest.journal.clock import now_s
from roadlog.ingest.positions.nmea import PositionFix
from roadlog.quantities.signals import SIGNALS
from roadlog.recorder.adapter import Adapter, AdapterLost, require_library
from roadlog.recorder.gps import first_word, receiver_at

LISTEN_S = 2.5
FIX_WITHIN_S = 6.0
NO_ADAPTER = "no adapter answers at {tried}: plug it in, switch the ignition on, or name its device"
NO_DEVICE = "no serial device is there: plug the adapter in, pair it, or name its place"
NO_SENTENCES = "nothing of a receiver comes: check its device and speed"
NO_FIX = "the receiver speaks but has no position yet: it needs open sky and a few minutes"


@dataclass(frozen=True)
class Value:
    """One reading: when it came, in seconds since this computer started."""

    name: str
    value: float
    unit: str
    t_s: float


@dataclass(frozen=True)
class TestReading:
    """What answered where, and what it said; `trouble` names what didn't, one sentence each."""

    adapter: str
    receiver: str
    vehicle_answers: bool
    values: tuple[Value, ...]
    trouble: tuple[str, ...] = ()


@dataclass(frozen=True)
class Place:
    """A serial device and what its plug says of itself."""

    device: str
    about: str


def places() -> tuple[Place, ...]:
    """Serial devices of this computer: USB, Bluetooth serial, built in."""
    require_library()
    from serial.tools.list_ports import comports

    return tuple(
        Place(p.device, "" if p.description in ("n/a", None) else p.description)
        for p in sorted(comports(), key=lambda p: p.device)
    )


def read_once(
    adapter: str,
    receiver: str,
    tell: Callable[[str], None],
    *,
    opens: Callable[[str], Adapter] = Adapter,
    devices: Callable[[], Sequence[Place]] = places,
) -> TestReading:
    """Read each signal once.

    Parameters
    ----------
    adapter, receiver : str
        As `roadlog record` takes them; an empty adapter is searched for, and a receiver with it.
    tell : callable
        Gets what is being done, for a page or a screen.

    Raises
    ------
    DesignError
        If no adapter answers.
    """
    require_library()
    if receiver:
        receiver_at(receiver)
    if adapter:
        tried = [adapter]
    else:
        receiver, tried = _sorted_out(receiver, [p.device for p in devices()], tell)
    for device in tried:
        tell(f"asking {device}")
        try:
            link = opens(device)
        except AdapterLost:
            continue
        try:
            answers, values = link.vehicle_answers, _values(link)
        except AdapterLost:
            continue
        finally:
            link.close()
        positions, trouble = _positions(receiver, tell)
        return TestReading(device, receiver, answers, values + positions, trouble)
    raise DesignError(NO_ADAPTER.format(tried=", ".join(tried)) if tried else NO_DEVICE)


def _sorted_out(
    receiver: str, devices: Sequence[str], tell: Callable[[str], None]
) -> tuple[str, list[str]]:
    """The receiver, if one speaks, and the devices that may be the adapter."""
    left = []
    for device in devices:
        if device == receiver.partition("@")[0]:
            continue
        if not receiver:
            tell(f"listening to {device}")
            if first_word(receiver_at(device), LISTEN_S) is not False:
                receiver = device
                continue
        left.append(device)
    return receiver, left


def _values(link: Adapter) -> tuple[Value, ...]:
    found = []
    volts = link.voltage()
    if volts is not None:
        found.append(Value("supply_voltage_v", volts, "V", now_s()))
    for name in link.supported() if link.vehicle_answers else ():
        told = link.read((name,)).values.get(name)
        if told is not None and not (name == "supply_voltage_v" and volts is not None):
            found.append(Value(name, told, SIGNALS[name].unit, now_s()))
    return tuple(found)


def _positions(
    receiver: str, tell: Callable[[str], None]
) -> tuple[tuple[Value, ...], tuple[str, ...]]:
    if not receiver:
        return (), ()
    tell(f"listening to {receiver}")
    word = first_word(receiver_at(receiver), FIX_WITHIN_S)
    if isinstance(word, PositionFix):
        return tuple(Value(n, v, SIGNALS[n].unit, word.t_s) for n, v in word.values.items()), ()
    return (), (NO_FIX if word else NO_SENTENCES,)
