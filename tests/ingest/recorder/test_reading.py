"""A test reading: what is plugged in is found, each signal read once, what is missing named."""

import os
import threading
import time
import tty
from collections.abc import Iterator

import pytest

from roadlog.errors import DesignError
from roadlog.recorder import reading
from roadlog.recorder.gps import first_word, receiver_at
from roadlog.recorder.reading import NO_DEVICE, NO_FIX, NO_SENTENCES, Place, read_once

from .peers import Line
from .receiver import TcpReceiver, sentence


class SerialReceiver:
    """A receiver on a serial device that repeats one text five times a second."""

    def __init__(self, text: str) -> None:
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        self.place = os.ttyname(self._theirs)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send, args=(text.encode(),), daemon=True)
        self._thread.start()

    def _send(self, data: bytes) -> None:
        while not self._stop.wait(0.2):
            os.write(self._ours, data)

    def close(self) -> None:
        self._stop.set()
        self._thread.join(2)
        os.close(self._ours)
        os.close(self._theirs)


def _nobody() -> list[Place]:
    raise AssertionError("devices were searched")


ROOFED = sentence("GPRMC,074500.00,V,,,,,,,020326,,,N")


@pytest.fixture(autouse=True)
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "LISTEN_S", 1.5)
    monkeypatch.setattr(reading, "FIX_WITHIN_S", 1.5)


@pytest.fixture
def serial_line() -> Iterator[Line]:
    peer = Line(tcp=False)
    yield peer
    peer.close()


def test_adapter_and_receiver_are_found_among_the_devices(serial_line: Line) -> None:
    receiver = SerialReceiver(ROOFED)
    said: list[str] = []
    try:
        found = read_once(
            "", "", said.append,
            devices=lambda: [Place(receiver.place, ""), Place(serial_line.place, "")],
        )  # fmt: skip
    finally:
        receiver.close()
    assert found.adapter == serial_line.place
    assert found.receiver == receiver.place
    assert found.trouble == (NO_FIX,)
    assert found.vehicle_answers
    names = [v.name for v in found.values]
    assert len(names) == len(set(names))
    assert {"maf_g_s", "speed_kmh", "supply_voltage_v"} <= set(names)


def test_places_that_are_named_are_taken_and_nothing_is_searched_for(line: Line) -> None:
    receiver = TcpReceiver()
    try:
        found = read_once(line.place, receiver.place, lambda _: None, devices=_nobody)
    finally:
        receiver.close()
    assert {"lat_deg", "lon_deg"} <= {v.name for v in found.values}
    assert found.trouble == ()


def test_a_silent_vehicle_gives_the_supply_alone(line: Line) -> None:
    line.vehicle.asleep = True
    found = read_once(line.place, "", lambda _: None)
    assert not found.vehicle_answers
    assert [v.name for v in found.values] == ["supply_voltage_v"]


def test_a_device_that_is_no_receiver_is_told(line: Line) -> None:
    found = read_once(line.place, line.place.replace("socket", "tcp"), lambda _: None)
    assert found.trouble == (NO_SENTENCES,)


def test_nothing_plugged_in_is_one_sentence() -> None:
    with pytest.raises(DesignError, match=NO_DEVICE):
        read_once("", "", lambda _: None, devices=list)
    with pytest.raises(DesignError, match="no adapter answers at /dev/ttyNONE"):
        read_once("/dev/ttyNONE", "", lambda _: None)


def test_a_first_word_is_a_fix_a_sentence_or_nothing() -> None:
    for text, expected in ((ROOFED, True), ("hello\r\n", False)):
        peer = SerialReceiver(text)
        try:
            assert first_word(receiver_at(peer.place), 1.0) is expected
        finally:
            peer.close()
    begun = time.monotonic()
    assert first_word(receiver_at("/dev/ttyNONE"), 5.0) is False
    assert time.monotonic() - begun < 2
