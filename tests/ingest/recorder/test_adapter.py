"""The adapter against a scripted one and its vehicle, python-OBD unmodified in between.

The vehicle gives the fixed answers of `vehicle.FIXED`: 13.11 g/s of air, 83 °C of coolant.
"""

import time

import pytest

from roadlog.recorder.adapter import AdapterLost
from roadlog.recorder.polling import choose_plan, requests

from .peers import Line
from .vehicle import Vehicle

HEX = b"0123456789ABCDEF"


def read_many(adapter, signals, n):
    good, troubles = [], []
    for _ in range(n):
        reading = adapter.read(signals)
        good.append(reading.values) if reading.values else troubles.append(reading.trouble)
    return good, troubles


@pytest.fixture
def plugged(request):
    """Lines to vehicles, closed at the end."""
    lines = []

    def plug(vehicle: Vehicle | None = None, *, tcp: bool = True) -> Line:
        lines.append(Line(vehicle, tcp=tcp))
        return lines[-1]

    yield plug
    for line in lines:
        line.close()


@pytest.mark.parametrize("tcp", [True, False], ids=["tcp", "pty"])
def test_reads_a_car_over(tcp, open_adapter, plugged):
    adapter = open_adapter(plugged(tcp=tcp).place)
    assert adapter.vehicle_answers
    assert adapter.can
    supported = adapter.supported()
    assert {"speed_kmh", "rpm", "maf_g_s", "coolant_temp_c", "baro_kpa"} <= set(supported)
    assert adapter.read(("maf_g_s",)).values == {"maf_g_s": 13.11}
    for name in supported:
        reading = adapter.read((name,))
        assert name in reading.values, reading
        assert not reading.trouble, reading
    assert adapter.voltage() == 13.8
    assert adapter.vin() == "1" * 17


@pytest.mark.parametrize("protocol", ["3", "5", "7"])
def test_reads_iso_9141_kwp_and_29_bit_can(protocol, open_adapter, plugged):
    adapter = open_adapter(plugged(Vehicle(protocol)).place, protocol=protocol)
    assert adapter.protocol == protocol
    assert adapter.can == (protocol == "7")
    assert {"speed_kmh", "rpm", "maf_g_s"} <= set(adapter.supported())
    assert adapter.read(("maf_g_s",)).values == {"maf_g_s": 13.11}
    assert adapter.read(("coolant_temp_c",)).values == {"coolant_temp_c": 83.0}
    assert adapter.vin() == "1" * 17


@pytest.mark.parametrize("protocol", ["3", "6"])
def test_gearbox_that_answers_beside_the_engine_is_never_taken_for_it(
    protocol, open_adapter, plugged
):
    """The gearbox's unit says 99 km/h; the engine's never more than 70."""
    adapter = open_adapter(plugged(Vehicle(protocol, gearbox=True)).place, protocol=protocol)
    assert {"rpm", "maf_g_s"} <= set(adapter.supported())
    assert 25 <= adapter.read(("speed_kmh",)).values["speed_kmh"] <= 75


def test_several_pids_share_one_request_on_can(open_adapter, line):
    adapter = open_adapter(line.place, protocol="6")
    group = ("maf_g_s", "speed_kmh", "rpm", "coolant_temp_c", "intake_air_temp_c", "baro_kpa")
    alone = {n: adapter.read((n,)).values[n] for n in group if n not in ("rpm", "speed_kmh")}
    before = len(line.requests)
    reading = adapter.read(group)
    assert len(line.requests) == before + 1
    assert set(reading.values) == set(group)
    assert {n: reading.values[n] for n in alone} == alone


def test_remembered_protocol_is_used_at_once(open_adapter, line):
    open_adapter(line.place, protocol="6")
    asked = [text for _, text in line.requests]
    assert "ATTP6" in asked
    assert "ATSP0" not in asked


NO_VALUE = [
    ("NO DATA", "no data"),
    ("BUFFER FULL", "buffer full"),
    ("7E8 04 41 10 05 1F\rBUFFER FULL", "buffer full"),
    ("CAN ERROR", "bus error"),
    ("7E8 04 41 10 05\r<RX ERROR", "damaged"),
    ("7E8 04 41 10 05", "damaged"),
    ("7E8 03 41 10 05 1F", "damaged"),
    ("7E8 05 41 10 05 1F 00", "damaged"),
    ("7E8 04 41 0C 05 1F", "damaged"),
    ("7E9 04 41 10 05 1F", "damaged"),
    ("?", "damaged"),
    ("7E8 04 41 10 05 1", "no answer"),
    ("41 10 05 1F", "no answer"),
    ("7E8 04 41 10 51 FA AA AA", "damaged"),  # 05 1F and filling, less two digits: 209.86 g/s
]


def test_error_messages_and_damaged_frames_give_no_value(open_adapter, line):
    adapter = open_adapter(line.place, protocol="6")
    for said, trouble in NO_VALUE:
        line.canned = lambda request, said=said: said if request.startswith("0110") else None
        reading = adapter.read(("maf_g_s",))
        assert (said, reading.values, reading.trouble) == (said, {}, trouble)
        line.canned = lambda request: None
        assert adapter.read(("maf_g_s",)).values == {"maf_g_s": 13.11}


@pytest.mark.slow
def test_garbled_and_dropped_bytes_never_make_a_value_up_on_the_k_line(open_adapter, line):
    """The frame's own checksum (ISO 9141-2) is what tells."""
    line.vehicle.protocol = "3"
    adapter = open_adapter(line.place)
    assert adapter.protocol == "3"
    assert not adapter.can
    line.garble, line.drop, line.noise = 0.02, 0.003, HEX
    good, troubles = read_many(adapter, ("maf_g_s",), 200)
    assert len(good) > 50
    assert len(troubles) > 30
    assert all(values == {"maf_g_s": 13.11} for values in good)


@pytest.mark.slow
def test_noise_and_dropped_bytes_never_make_a_value_up_on_can(open_adapter, line):
    """A CAN frame's checksum stays inside the adapter, so a digit that turns into another digit on
    the serial line can't be known (docs/recording.md); any other byte, and any lost one, is."""
    adapter = open_adapter(line.place)
    line.garble, line.drop = 0.015, 0.015
    line.noise = bytes(b for b in range(256) if bytes([b]).upper() not in HEX)
    good, troubles = read_many(adapter, ("maf_g_s",), 200)
    assert len(good) > 50
    assert len(troubles) > 30
    assert all(values == {"maf_g_s": 13.11} for values in good)


def test_silent_adapter_is_lost_within_seconds(open_adapter, line):
    adapter = open_adapter(line.place, protocol="6")
    line.mute = True
    begun = time.monotonic()
    with pytest.raises(AdapterLost):
        adapter.read(("speed_kmh",))
    assert time.monotonic() - begun < 6


@pytest.mark.parametrize("tcp", [True, False], ids=["tcp", "pty"])
def test_adapter_that_is_unplugged_is_lost_at_once(tcp, open_adapter, plugged):
    line = plugged(tcp=tcp)
    adapter = open_adapter(line.place, protocol="6")
    line.cut()
    with pytest.raises(AdapterLost):
        read_many(adapter, ("speed_kmh",), 3)


def test_nothing_listening_is_one_clear_reason(open_adapter):
    with pytest.raises(AdapterLost, match="no adapter answers"):
        open_adapter("socket://127.0.0.1:1")


def test_vehicle_that_is_asleep_is_no_lost_adapter(open_adapter, line):
    for said in ("UNABLE TO CONNECT", "NO DATA"):
        line.canned = lambda request, said=said: said if request.startswith("01") else None
        adapter = open_adapter(line.place, protocol="6")
        assert not adapter.vehicle_answers
        assert 11 < adapter.voltage() < 15
        adapter.close()


@pytest.mark.slow
def test_slow_car_still_gets_fuel_and_speed_every_second_or_so(open_adapter, line):
    """ISO 9141-2 answers two to four PIDs a second (common practice, no source)."""
    line.vehicle.protocol = "3"
    adapter = open_adapter(line.place)
    line.delay_s = 0.3
    plan = choose_plan(adapter.supported(), can=adapter.can, per_request=6)
    assert plan.per_request == 1
    begun, seen = time.monotonic(), dict.fromkeys(plan.signals, 0)
    for names in requests(plan):
        for name in adapter.read(names).values:
            seen[name] += 1
        if time.monotonic() - begun > 6:
            break
    assert seen["maf_g_s"] >= 5
    assert seen["speed_kmh"] >= 5
