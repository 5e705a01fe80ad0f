"""The poller over a bad line to the scripted car: it comes back by itself, with nothing made up."""

import itertools
import queue
import threading
import time
from collections.abc import Callable

import pytest

from roadlog.recorder import poller as module
from roadlog.recorder.adapter import Adapter, AdapterLost, Reading
from roadlog.recorder.events import Connected, Lost, Silent, Supply, Values
from roadlog.recorder.poller import Poller, Settings
from roadlog.recorder.run import Opener


class Polling:
    """A poller in its thread and the events that it sent."""

    def __init__(self, opener: Callable, **settings):
        self.events: queue.Queue = queue.Queue()
        self.stop, self.parked = threading.Event(), threading.Event()
        self.seen: list = []
        poller = Poller(opener, self.events.put, Settings(**settings), self.stop, self.parked)
        self._thread = threading.Thread(target=poller.run, daemon=True)
        self._thread.start()

    def until(self, kind: type, timeout_s: float = 15.0):
        """The next event of a kind."""
        end = time.monotonic() + timeout_s
        while time.monotonic() < end:
            try:
                event = self.events.get(timeout=0.1)
            except queue.Empty:
                continue
            self.seen.append(event)
            if isinstance(event, kind):
                return event
        raise AssertionError(f"no {kind.__name__} within {timeout_s} s: {self.seen[-3:]}")

    def drain(self) -> None:
        while not self.events.empty():
            self.seen.append(self.events.get())

    def close(self) -> None:
        self.stop.set()
        self._thread.join(10)


class Car:
    """A car and adapter without python-OBD, for what takes long in the real one."""

    protocol = "3"
    protocol_name = "ISO 9141-2"
    can = False
    vehicle_answers = True

    def __init__(self, log: list):
        self.log = log
        self.volts = 12.6
        self.trouble = ""

    def supported(self):
        return ("speed_kmh", "maf_g_s", "rpm", "coolant_temp_c")

    def read(self, signals):
        self.log.append((time.monotonic(), signals))
        if self.trouble:
            return Reading(trouble=self.trouble)
        return Reading(dict.fromkeys(signals, 1.0))

    def voltage(self):
        return self.volts

    def vin(self):
        return None

    def close(self):
        self.log.append((time.monotonic(), "closed"))


@pytest.fixture
def polling():
    open_ = []

    def start(*args, **kwargs):
        open_.append(Polling(*args, **kwargs))
        return open_[-1]

    yield start
    for p in open_:
        p.close()


def test_cut_line_is_opened_again_and_the_protocol_remembered(line, polling):
    protocol = []

    def opener():
        adapter = Adapter(line.place, None, protocol[0] if protocol else None)
        protocol[:] = [adapter.protocol]
        return adapter

    p = polling(opener, ask_vin=False)
    assert p.until(Connected).plan.per_request == 6
    p.until(Values)
    line.cut()
    p.until(Lost)
    assert p.until(Connected).protocol == "6"
    p.until(Values)
    assert "ATTP6" in [text for _, text in line.requests]


def test_silent_vehicle_is_told_apart_from_a_lost_adapter_and_comes_back(line, polling):
    p = polling(lambda: Adapter(line.place, None, "6"), ask_vin=False)
    p.until(Values)
    line.canned = lambda request: "NO DATA" if request.startswith("01") else None
    assert p.until(Silent).reason == "no data"
    assert not any(isinstance(e, Lost) for e in p.seen)
    p.until(Supply)
    line.canned = lambda request: None
    p.until(Values)


@pytest.mark.slow
def test_hours_of_faults_in_a_minute_never_make_a_value_up(line, polling):
    """Delays, lost bytes, noise and cuts: every reading is one that the scripted car gives."""
    p = polling(lambda: Adapter(line.place, None, None), ask_vin=False, max_hz=50)
    p.until(Values)
    begun, n = time.monotonic(), 0
    line.noise = b"\x80\xfe?>\r .G"
    while time.monotonic() - begun < 60:
        line.delay_s = 0.02 * (n % 3)
        line.drop, line.garble = (0.005, 0.005) if n % 2 else (0.0, 0.0)
        time.sleep(1.0)
        if n % 15 == 14:
            line.cut()
        n += 1
    p.drain()
    readings = [e.values for e in p.seen if isinstance(e, Values)]
    assert len(readings) > 300
    assert any(isinstance(e, Lost) for e in p.seen)
    assert {v["maf_g_s"] for v in readings if "maf_g_s" in v} == {13.11}
    assert {v["coolant_temp_c"] for v in readings if "coolant_temp_c" in v} == {83.0}
    assert {v["baro_kpa"] for v in readings if "baro_kpa" in v} == {101.0}


def test_reconnects_with_growing_pauses(monkeypatch, polling):
    monkeypatch.setattr(module, "BACK_OFF_S", (0.05, 0.1, 0.2, 0.4))
    tried = []

    def opener():
        tried.append(time.monotonic())
        raise AdapterLost("unplugged")

    p = polling(opener)
    while len(tried) < 6:
        assert p.until(Lost).reason == "unplugged"
    waits = [b - a for a, b in itertools.pairwise(tried)]
    assert waits[0] < 0.1 < 0.19 < waits[2] < 0.35
    assert all(0.39 < w < 0.6 for w in waits[3:])


def test_error_in_the_library_does_not_end_the_recording(monkeypatch, polling):
    monkeypatch.setattr(module, "BACK_OFF_S", (0.05,))
    p = polling(lambda: 1 / 0)
    assert "ZeroDivisionError" in p.until(Lost).reason
    assert "ZeroDivisionError" in p.until(Lost).reason


def test_parked_car_is_asked_nothing_until_its_supply_moves(monkeypatch, polling):
    monkeypatch.setattr(module, "PARKED_VOLTAGE_S", 0.05)
    log: list = []
    car = Car(log)
    p = polling(lambda: car)
    p.until(Values)
    p.parked.set()
    time.sleep(0.3)
    asked = len(log)
    time.sleep(0.5)
    assert len(log) == asked
    p.drain()
    assert sum(isinstance(e, Supply) for e in p.seen) > 5
    car.volts = 14.1
    time.sleep(0.4)
    assert not p.parked.is_set()
    assert len(log) > asked


@pytest.mark.slow
def test_k_line_never_falls_silent_for_as_long_as_its_session_lasts(polling):
    """ISO 9141-2 and ISO 14230 end a session after 5 s without a request."""
    log: list = []
    p = polling(lambda: Car(log), max_hz=0.01)
    time.sleep(7)
    p.close()
    times = [t for t, what in log if what != "closed"]
    assert len(times) >= 3
    assert max(b - a for a, b in itertools.pairwise(times)) < 4


def test_vehicle_silent_for_long_gets_its_adapter_set_up_anew(monkeypatch, polling):
    """Cranking can reset an adapter, which then answers in its default form."""
    monkeypatch.setattr(module, "_REOPEN_AFTER_S", 0.3)
    monkeypatch.setattr(module, "BACK_OFF_S", (0.05,))
    log: list = []
    car = Car(log)
    p = polling(lambda: car)
    p.until(Values)
    car.trouble = "damaged"
    p.until(Silent)
    car.trouble = ""
    car.trouble = "damaged"
    p.until(Connected)
    assert any(what == "closed" for _, what in log)


def test_remembered_protocol_outlives_a_night_and_a_new_car_is_searched_for():
    class Asleep(Car):
        vehicle_answers = False

    asked: list = []
    answers = [Asleep, Asleep, Asleep, Car, Car]

    def adapter(port, baud, protocol):
        asked.append(protocol)
        return answers[len(asked) - 1]([])

    opener = Opener("port", None, "6", adapter)
    for _ in answers:
        opener.open()
    assert asked == ["6", "6", None, "6", "3"]


def test_standing_start_polls_speed_alone(polling):
    log: list = []
    p = polling(lambda: Car(log), purpose="standing-start", max_hz=100)
    p.until(Values)
    time.sleep(0.3)
    p.close()
    assert {what for _, what in log if what != "closed"} == {("speed_kmh",)}
