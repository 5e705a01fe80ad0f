"""Positions by NMEA 0183 and by gpsd's JSON, over TCP and a pseudo-terminal."""

import json
import os
import queue
import socket
import threading
import tty

import pytest

from roadlog.errors import InputError
from roadlog.ingest.positions.nmea import PositionFix, SentenceReader, possible
from roadlog.quantities.signals import SIGNALS
from roadlog.recorder import gps, run
from roadlog.recorder.events import PositionLinesRefused, PositionTrouble

from .receiver import START, TcpReceiver, instant, sentence


def following(place):
    events, stop = queue.Queue(), threading.Event()
    threading.Thread(
        target=gps.follow, args=(gps.receiver_at(place), events.put, stop), daemon=True
    ).start()
    return events, stop


def feed(text):
    reader = SentenceReader()
    fixes = [f for i, line in enumerate(text.splitlines()) if (f := reader.feed(line, float(i)))]
    last = reader.flush()
    return fixes + ([last] if last else []), reader


def test_rmc_and_gga_of_one_instant_are_one_fix():
    fixes, _ = feed(instant(START, 45.5, -7.25))
    (fix,) = fixes
    assert fix.values == pytest.approx(
        {"lat_deg": 45.5, "lon_deg": -7.25, "gps_speed_kmh": 43.2 * 1.852, "heading_deg": 90.0,
         "altitude_m": 312.0, "hdop": 0.9}
    )  # fmt: skip
    assert fix.utc_s == START.timestamp()
    assert fix.t_s == 0.0


@pytest.mark.parametrize(
    "body",
    [
        "GPRMC,074500.00,V,4530.00000,N,00715.00000,W,0.0,,020326,,,N",
        "GPRMC,074500.00,A,4530.00000,N,00715.00000,W,0.0,,020326,,,E",
        "GPRMC,074500.00,A,4530.00000,N,00715.00000,W,0.0,,020326,,,S",
        "GPGGA,074500.00,4530.00000,N,00715.00000,W,0,00,99.9,,M,,M,,",
        "GPGGA,074500.00,4530.00000,N,00715.00000,W,6,00,99.9,,M,,M,,",
        "GPGGA,074500.00,4560.00000,N,00715.00000,W,1,05,1.0,10,M,,M,,",
        "GPRMC,074500.00,A,,,,,,,020326,,,A",
        "GPRMC,074500.00",
    ],
)
def test_no_fix_no_position(body):
    fixes, _ = feed(sentence(body))
    assert fixes == []


def test_void_recommended_sentence_voids_the_instants_other_one():
    void = sentence("GPRMC,074500.00,V,,,,,,,020326,,,N")
    fixes, _ = feed(void + sentence("GPGGA,074500.00,4530.0,N,00715.0,W,1,05,1.0,10,M,,M,,"))
    assert fixes == []


def test_every_single_garbled_character_is_noticed():
    good = instant(START, 45.5, 7.25).splitlines()[0]
    for i in range(len(good)):
        for c in "07,A*$\x80":
            damaged = good[:i] + c + good[i + 1 :]
            if damaged != good:
                fixes, reader = feed(damaged)
                assert fixes == []
                assert reader.rejected == 1


def test_tcp_receiver_that_is_silent_at_first_and_goes_away():
    receiver = TcpReceiver(step_s=0.05, after_s=0.3)
    events, stop = following(receiver.place)
    fixes = [events.get(timeout=5) for _ in range(5)]
    assert all(isinstance(f, PositionFix) for f in fixes)
    assert fixes[1].utc_s > fixes[0].utc_s
    receiver.close()
    trouble = events.get(timeout=5)
    while isinstance(trouble, PositionFix):
        trouble = events.get(timeout=5)
    assert isinstance(trouble, PositionTrouble)
    stop.set()


def test_serial_receiver_over_a_pseudo_terminal():
    pytest.importorskip("serial")
    master, slave = os.openpty()
    tty.setraw(slave)
    events, stop = following(f"{os.ttyname(slave)}@4800")
    for i in range(8):
        os.write(master, instant(START.replace(second=i), 45.0, 7.0).encode())
        stop.wait(0.1)
    assert events.get(timeout=5).values["lat_deg"] == 45.0
    stop.set()


def test_gpsd_is_asked_to_watch_and_its_reports_become_fixes():
    server = socket.create_server(("127.0.0.1", 0))
    events, stop = following(f"gpsd://127.0.0.1:{server.getsockname()[1]}")
    client, _ = server.accept()
    asked = client.recv(200).decode()
    assert asked.startswith("?WATCH=")
    assert json.loads(asked[7:].rstrip(";\n")) == {"enable": True, "json": True}
    reports = [
        {"class": "VERSION", "release": "3.25"},
        {"class": "TPV", "mode": 1},
        {"class": "TPV", "mode": 3, "time": "2026-03-02T07:45:00.000Z", "lat": 45.0, "lon": 7.0,
         "altHAE": 360.0, "altMSL": 312.0, "speed": 20.0, "track": 90.0, "eph": 4.2},
    ]  # fmt: skip
    client.sendall(b"".join(json.dumps(r).encode() + b"\r\n" for r in reports))
    fix = events.get(timeout=5)
    assert fix.values == pytest.approx(
        {"lat_deg": 45.0, "lon_deg": 7.0, "altitude_m": 312.0, "gps_speed_kmh": 72.0,
         "heading_deg": 90.0, "gps_accuracy_m": 4.2}
    )  # fmt: skip
    assert fix.utc_s == START.timestamp()
    stop.set()
    client.close()
    server.close()


def tpv(**changed) -> bytes:
    report = {
        "class": "TPV",
        "mode": 3,
        "time": "2026-03-02T07:45:00.000Z",
        "lat": 45.0,
        "lon": 7.0,
    }
    return json.dumps(report | changed).encode() + b"\n"


DIGITS = b"9" * 400
BAD_REPORTS = {
    "a null mode": tpv(mode=None),
    "a mode in words": tpv(mode="3D"),
    "a 400-digit latitude": tpv(lat=7).replace(b"7,", DIGITS + b",", 1),
    "a 5000-digit number": tpv(lat=7).replace(b"7,", b"9" * 5000 + b",", 1),
    "a latitude of 1e999": tpv(lat=7).replace(b"7,", b"1e999,", 1),
    "not a number": tpv(lat=float("nan")),
    "a place in words": tpv(lat="45 N"),
    "true for a place": tpv(lat=True),
    "a latitude of 95": tpv(lat=95.0),
    "a longitude of 200": tpv(lon=200.0),
    "the receiver's blank": tpv(lat=0.0, lon=0.0),
    "a list": b"[1, 2]\n",
    "deep lists": b"[" * 20_000 + b"]" * 20_000 + b"\n",
    "deep tables": b'{"a":' * 8_000 + b"1" + b"}" * 8_000 + b"\n",
    "half a line": b'{"class":"TPV","mode":3,"la\n',
    "bytes": bytes(range(11, 256)) + b"\n",
}


def test_no_line_of_a_receiver_ends_its_positions_and_each_bad_one_is_counted(monkeypatch):
    monkeypatch.setattr(gps, "REFUSED_EVERY_S", 0.0)
    server = socket.create_server(("127.0.0.1", 0))
    events, stop = following(f"gpsd://127.0.0.1:{server.getsockname()[1]}")
    client, _ = server.accept()
    client.sendall(b"".join(tpv() + bad for bad in BAD_REPORTS.values()) + tpv())
    fixes, refused = 0, 0
    while fixes <= len(BAD_REPORTS):
        event = events.get(timeout=10)
        assert not isinstance(event, PositionTrouble), event
        if isinstance(event, PositionLinesRefused):
            refused += event.lines
        else:
            assert event.values == {"lat_deg": 45.0, "lon_deg": 7.0}
            fixes += 1
    assert refused == len(BAD_REPORTS)
    stop.set()
    client.close()
    server.close()


@pytest.mark.parametrize(
    ("changed", "lost"),
    [({"speed": -4.0}, "gps_speed_kmh"), ({"altMSL": 1e7}, "altitude_m"),
     ({"track": 1e300}, "heading_deg"), ({"eph": 10**400}, "gps_accuracy_m")],
)  # fmt: skip
def test_an_impossible_value_is_left_out_of_a_possible_fix(changed, lost):
    fix = gps.gpsd_fix(tpv(**changed).decode(), 1.0)
    assert lost in fix.values
    assert possible(fix).values == {"lat_deg": 45.0, "lon_deg": 7.0}


def test_a_date_beyond_all_clocks_gives_no_time():
    for time in ("9999-12-31T23:59:59Z", "0001-01-01T00:00:00+23:59", "", None, 5, {"a": 1}):
        fix = possible(gps.gpsd_fix(tpv(time=time).decode(), 1.0))
        assert fix.utc_s is None


@pytest.mark.parametrize(
    "body",
    ["GPRMC,074500.00,A,4530.0,N,00715.0,E,1e999,90.0,020326,,,A",
     "GPRMC,074500.00,A,4530.0,N,00715.0,E,nan,90.0,020326,,,A",
     "GPRMC,074500.00,A," + "9" * 60 + ",N,00715.0,E,1,90.0,020326,,,A",
     "GPGGA,074500.00,0000.0,N,00000.0,E,1,05,1.0,10,M,,M,,",
     "GPGGA,074500.00,4530.0,N,00715.0,E,1,05,-1,1e30,M,,M,,"],
)  # fmt: skip
def test_impossible_sentences_leave_nothing_impossible(body):
    fixes, _ = feed(sentence(body))
    kept = [f for fix in fixes if (f := possible(fix))]
    for fix in kept:
        for name, value in fix.values.items():
            assert SIGNALS[name].low <= value <= SIGNALS[name].high


def test_whatever_goes_wrong_while_following_is_told_and_tried_again(monkeypatch):
    monkeypatch.setattr(gps, "BACK_OFF_S", (0.01,))
    tries = iter([RuntimeError("boom"), InputError("needs the extra"), MemoryError()])

    def fails(*_):
        raise next(tries, OSError("gone"))

    monkeypatch.setattr(gps, "_fixes", fails)
    events, stop = following("tcp://127.0.0.1:9")
    told = [events.get(timeout=5).reason for _ in range(4)]
    stop.set()
    assert told == ["unexpected trouble (RuntimeError)", "needs the extra",
                    "unexpected trouble (MemoryError)", "gone"]  # fmt: skip


def test_a_thread_that_ends_is_told_and_begun_again(monkeypatch):
    monkeypatch.setattr(run, "RESTART_AFTER_S", 0.01)
    told, stop, begun = queue.Queue(), threading.Event(), []

    def act():
        begun.append(1)
        if len(begun) < 3:
            raise KeyError("x")

    run._supervised("receiver", act, told.put, stop).start()
    assert [told.get(timeout=5) for _ in range(3)] == [
        "unexpected trouble (KeyError)", "unexpected trouble (KeyError)", "it ended by itself",
    ]  # fmt: skip
    stop.set()


@pytest.mark.parametrize(
    "text", ["tcp://h:0", "gpsd://h:70000", "tcp://host", "udp://host:1", "", "gpsd://host:x"]
)
def test_receiver_that_cannot_be(text):
    with pytest.raises(InputError, match="is no receiver"):
        gps.receiver_at(text)
