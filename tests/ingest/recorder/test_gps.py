"""Positions by NMEA 0183 and by gpsd's JSON, over TCP and a pseudo-terminal."""

import json
import os
import queue
import socket
import threading
import tty

import pytest

from roadlog.errors import InputError
from roadlog.ingest.recorder import gps
from roadlog.ingest.recorder.events import PositionTrouble
from roadlog.ingest.recorder.nmea import PositionFix, SentenceReader

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


@pytest.mark.parametrize("text", ["tcp://host", "udp://host:1", "", "gpsd://host:x"])
def test_receiver_that_cannot_be(text):
    with pytest.raises(InputError, match="is no receiver"):
        gps.receiver_at(text)
