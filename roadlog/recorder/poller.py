"""The poller: keeps the adapter connected and asks by the plan, from a thread of its own.

In comes a way to open an adapter, out come events; it never ends by itself. A lost adapter is
opened again with growing pauses; a silent vehicle is asked once a second; a parked one not at all:
then only the supply voltage is read, so that its battery is spared.
"""

import logging
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol

from roadlog.ingest.journal.clock import now_s
from roadlog.recorder.adapter import MAX_PIDS_PER_REQUEST, AdapterLost, Reading
from roadlog.recorder.events import Connected, Event, Lost, Silent, Supply, Values
from roadlog.recorder.ignition import Wake
from roadlog.recorder.polling import MAX_HZ, PollingPlan, Purpose, choose_plan, pause_s, requests

BACK_OFF_S = (1.0, 2.0, 4.0, 8.0, 15.0)
PARKED_VOLTAGE_S = 5.0
PARKED_TRY_S = 60.0
VOLTAGE_EVERY_S = 10.0
_SILENT_AFTER = 4  # refused answers in a row
_REOPEN_AFTER_S = 15.0  # of silence: an adapter that was reset by cranking needs its set-up again
_DROP_AFTER = 8  # refusals in a row of one signal while others answer
_GROUP_TRIES = 3


class Asks(Protocol):
    """What the poller needs of an adapter (`roadlog.recorder.adapter.Adapter`)."""

    @property
    def vehicle_answers(self) -> bool: ...  # noqa: D102
    @property
    def protocol(self) -> str: ...  # noqa: D102
    @property
    def protocol_name(self) -> str: ...  # noqa: D102
    @property
    def can(self) -> bool: ...  # noqa: D102
    def supported(self) -> tuple[str, ...]: ...  # noqa: D102
    def read(self, signals: tuple[str, ...]) -> Reading: ...  # noqa: D102
    def voltage(self) -> float | None: ...  # noqa: D102
    def vin(self) -> str | None: ...  # noqa: D102
    def close(self) -> None: ...  # noqa: D102


@dataclass(frozen=True)
class Settings:
    """How to poll: what for, how fast at most, whether to ask for the VIN."""

    purpose: Purpose = "road"
    max_hz: float = MAX_HZ
    ask_vin: bool = True


class Poller:
    """Runs until `stop` is set; `parked` is set and cleared by the session."""

    def __init__(
        self,
        open_adapter: Callable[[], Asks],
        emit: Callable[[Event], None],
        settings: Settings,
        stop: threading.Event,
        parked: threading.Event,
    ) -> None:
        self._open = open_adapter
        self._emit = emit
        self._settings = settings
        self._stop = stop
        self._parked = parked
        self._vin_asked = False

    def run(self) -> None:
        """Connect, poll, connect again."""
        tries = 0
        while not self._stop.is_set():
            adapter = None
            try:
                adapter = self._open()
                if self._drive(adapter):
                    tries = 0
            except AdapterLost as e:
                self._emit(Lost(now_s(), str(e)))
            except Exception as e:  # whatever it is, the drive goes on and so does the recorder
                logging.getLogger(__name__).exception("polling failed")
                self._emit(Lost(now_s(), f"unexpected trouble ({type(e).__name__})"))
            finally:
                if adapter is not None:
                    adapter.close()
            self._stop.wait(BACK_OFF_S[min(tries, len(BACK_OFF_S) - 1)])
            tries += 1

    def _drive(self, adapter: Asks) -> bool:
        """Poll until the connection needs to be made anew; whether the vehicle ever answered."""
        if not adapter.vehicle_answers:
            self._emit(Connected(now_s(), "", "", None))
            self._watch_supply(adapter)
            return False
        self._parked.clear()
        plan = self._plan(adapter)
        if not plan.signals:
            self._emit(Silent(now_s(), "it offers neither speed nor anything that tells fuel"))
            self._watch_supply(adapter)
            return False
        vin = None
        if self._settings.ask_vin and not self._vin_asked:
            vin, self._vin_asked = adapter.vin(), True
        self._emit(Connected(now_s(), adapter.protocol, adapter.protocol_name, plan, vin))
        for name in ("rpm", "engine_runtime_s"):  # they tell at once whether a run goes on
            if name in plan.signals:
                reading = adapter.read((name,))
                if reading.values:
                    self._emit(Values(now_s(), reading.values))
        _Turns(adapter, plan, self._emit, self._settings, self._stop, self._parked).run()
        return True

    def _plan(self, adapter: Asks) -> PollingPlan:
        supported, can = adapter.supported(), adapter.can
        plan = choose_plan(
            supported, can=can, per_request=MAX_PIDS_PER_REQUEST, purpose=self._settings.purpose
        )
        if plan.per_request > 1 and not _groups_work(adapter, plan):
            plan = choose_plan(supported, can=can, purpose=self._settings.purpose)
        return plan

    def _watch_supply(self, adapter: Asks) -> None:
        """Read the supply until the vehicle is worth asking again: soon, or once it moves."""
        wake, begun = Wake(), now_s()
        while not self._stop.is_set():
            volts = adapter.voltage()
            if volts is not None:
                self._emit(Supply(now_s(), volts))
            parked = self._parked.is_set()
            if volts is not None and wake.supplied(volts):
                return
            if not (parked and volts is not None):
                waited = now_s() - begun
                if waited >= (PARKED_TRY_S if parked else BACK_OFF_S[-1]):
                    return
            self._stop.wait(PARKED_VOLTAGE_S if parked else 1.0)


def _groups_work(adapter: Asks, plan: PollingPlan) -> bool:
    """Whether the vehicle answers every PID of a request of several."""
    group = next(requests(plan))
    if len(group) < 2:
        return False
    return any(set(adapter.read(group).values) >= set(group) for _ in range(_GROUP_TRIES))


class _Turns:
    """Asks by one plan over one open connection."""

    def __init__(
        self,
        adapter: Asks,
        plan: PollingPlan,
        emit: Callable[[Event], None],
        settings: Settings,
        stop: threading.Event,
        parked: threading.Event,
    ) -> None:
        self._adapter = adapter
        self._emit = emit
        self._settings = settings
        self._stop = stop
        self._parked = parked
        self._plan = plan
        self._order: Iterator[tuple[str, ...]] = requests(plan)
        self._refusals: dict[str, int] = {}
        self._dropped: set[str] = set()
        self._refused_in_row = 0
        self._voltage_s = -VOLTAGE_EVERY_S
        self._answered_s = now_s()

    def run(self) -> None:
        """Ask until stopped, or until the connection should be made anew."""
        while not self._stop.is_set():
            if self._parked.is_set():
                self._rest()
                continue
            begun = now_s()
            self._read_supply(begun)
            names = tuple(n for n in next(self._order) if n not in self._dropped)
            if not names:
                continue
            reading = self._adapter.read(names)
            self._take(names, reading, (begun + now_s()) / 2)
            if now_s() - self._answered_s > _REOPEN_AFTER_S and not self._parked.is_set():
                return
            silent = self._refused_in_row >= _SILENT_AFTER
            self._stop.wait(pause_s(begun, now_s(), 1.0 if silent else self._settings.max_hz))

    def _take(self, names: tuple[str, ...], reading: Reading, t_s: float) -> None:
        if reading.values:
            self._answered_s = now_s()
            self._refused_in_row = 0
            for name in names:
                self._refusals[name] = 0 if name in reading.values else self._refusals.get(name, 0)
            self._emit(Values(t_s, reading.values))
            return
        self._refused_in_row += 1
        if self._refused_in_row >= _SILENT_AFTER:
            self._emit(Silent(t_s, reading.trouble))
            self._voltage_s = min(self._voltage_s, t_s - VOLTAGE_EVERY_S)  # the supply now matters
        elif len(names) == 1 and reading.trouble == "no data" and names[0] not in self._plan.fast:
            self._refusals[names[0]] = self._refusals.get(names[0], 0) + 1
            if self._refusals[names[0]] >= _DROP_AFTER:
                self._dropped.add(names[0])

    def _read_supply(self, t_s: float) -> None:
        if self._settings.purpose == "standing-start" and self._refused_in_row == 0:
            return  # speed alone: a question about the supply would cost a reading
        if t_s - self._voltage_s >= VOLTAGE_EVERY_S:
            self._voltage_s = t_s
            volts = self._adapter.voltage()
            if volts is not None:
                self._emit(Supply(now_s(), volts))

    def _rest(self) -> None:
        """Parked: read the supply, ask the vehicle nothing until the supply rises."""
        wake = Wake()
        parked_s = now_s()
        while self._parked.is_set() and not self._stop.is_set():
            volts = self._adapter.voltage()
            if volts is not None:
                self._emit(Supply(now_s(), volts))
            due = volts is None and now_s() - parked_s >= PARKED_TRY_S
            if due or (volts is not None and wake.supplied(volts)):
                parked_s = now_s()
                names = self._plan.fast[-1:]
                reading = self._adapter.read(names)
                if reading.values:
                    self._parked.clear()
                    self._take(names, reading, now_s())
                    break
            self._stop.wait(PARKED_VOLTAGE_S)
        self._answered_s = now_s()
        self._refused_in_row = 0
