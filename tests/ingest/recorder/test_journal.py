"""The journal: whatever byte the power fails at, all that was whole before it is read."""

import os
import re
import time

import numpy as np
import pytest

from roadlog.errors import InputError
from roadlog.ingest import read_log
from roadlog.ingest.journal import file as module
from roadlog.ingest.journal.file import Journal, last_line
from roadlog.ingest.journal.lines import decode, encode
from roadlog.recorder.events import PositionLinesRefused

from .scripted import BOOT, UTC_S, Recorded, connected, drive

HEADER = {"boot_id": BOOT, "wall_utc_s": UTC_S, "utc_offset_s": 3600}


def written(path, n=20, header=HEADER):
    journal = Journal(path, header, 100.0)
    for i in range(n):
        journal.add("obd", 100.0 + i, f"speed_kmh={i} rpm={800 + i}")
    journal.close(100.0 + n)
    return path.read_bytes()


def test_reads_back_what_was_written(tmp_path):
    written(tmp_path / "a.log")
    log = read_log(tmp_path / "a.log")
    assert log.frame["speed_kmh"].tolist() == list(range(20))
    assert log.frame["t_s"].tolist() == list(range(20))
    assert log.start.isoformat() == "2026-03-02T08:45:00+01:00"
    assert {c.signal: c.unit for c in log.columns} == {"speed_kmh": "km/h", "rpm": "rpm"}


def test_power_lost_at_any_byte_loses_no_line_that_was_whole(tmp_path):
    raw = written(tmp_path / "a.log")
    path = tmp_path / "cut.log"
    ends = [m.end() for m in re.finditer(rb" obd [^\n]*", raw)]
    for at in range(ends[0], len(raw) + 1):
        path.write_bytes(raw[:at])
        assert len(read_log(path).frame) == sum(at >= e for e in ends), at


@pytest.mark.parametrize("tail", [b"\0" * 4096, b"\xff" * 100, b"3a2f obd speed_kmh=999", b"\n\n"])
def test_rubbish_that_a_file_system_leaves_at_the_end_is_left_out(tmp_path, tail):
    raw = written(tmp_path / "a.log")
    (tmp_path / "a.log").write_bytes(raw + tail)
    assert len(read_log(tmp_path / "a.log").frame) == 20
    Journal(tmp_path / "a.log", HEADER, 130.0).close(130.0)
    again = Journal(tmp_path / "a.log", HEADER, 140.0)
    again.add("obd", 141.0, "speed_kmh=55")
    again.close(141.0)
    assert read_log(tmp_path / "a.log").frame["speed_kmh"].tolist()[-1] == 55


def test_flipping_any_one_bit_of_a_line_is_noticed():
    line = encode(7, 12.5, "obd", "speed_kmh=50").rstrip(b"\n")
    assert decode(line) is not None
    for i in range(len(line)):
        for bit in range(8):
            damaged = bytearray(line)
            damaged[i] ^= 1 << bit
            found = decode(bytes(damaged))
            # the digits of the checksum itself may change their case
            assert found is None or bytes(damaged).lower() == line.lower()


def test_damaged_line_in_the_middle_costs_that_line_only(tmp_path):
    raw = bytearray(written(tmp_path / "a.log"))
    raw[raw.index(b"speed_kmh=7") + 10] = ord("9")
    (tmp_path / "a.log").write_bytes(raw)
    log = read_log(tmp_path / "a.log")
    assert log.frame["speed_kmh"].tolist() == [i for i in range(20) if i != 7]
    assert any("1 line damaged" in n for n in log.notes)


def test_entries_are_flushed_within_a_second_and_synced_every_five(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "SYNC_S", 0.2)
    synced = []
    journal = Journal(tmp_path / "a.log", HEADER, 0.0, sync=lambda fd: synced.append(fd))
    assert len(synced) == 2  # the header and the folder are on the disk before the first reading
    size = os.stat(journal.path).st_size
    journal.add("obd", 0.1, "speed_kmh=1")
    assert not journal.flush_if_due(0.2)
    assert os.stat(journal.path).st_size == size
    assert journal.flush_if_due(0.6)
    assert os.stat(journal.path).st_size > size
    time.sleep(0.5)
    assert len(synced) >= 3
    journal.close(1.0)
    assert module.FLUSH_S <= 1.0


def test_sync_is_every_five_seconds():
    assert module.SYNC_S == 5.0


def test_disk_that_fails_is_told_and_not_swallowed(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "SYNC_S", 0.05)
    failing = []

    def sync(fd):
        if failing:
            raise OSError(28, "No space left on device")

    journal = Journal(tmp_path / "a.log", HEADER, 0.0, sync=sync)
    failing.append(True)
    journal.add("obd", 0.1, "speed_kmh=1")
    journal.flush(0.6)
    time.sleep(0.3)
    with pytest.raises(OSError, match="No space left"):
        journal.flush(1.2)


def test_journal_cut_off_before_its_first_reading_is_one_clear_sentence(tmp_path):
    Journal(tmp_path / "a.log", HEADER, 0.0).close(0.0)
    with pytest.raises(InputError, match="holds no whole reading"):
        read_log(tmp_path / "a.log")


def test_gps_utc_reaches_back_to_before_the_first_fix(tmp_path):
    r = Recorded(tmp_path, wall_minus_boot_s=UTC_S + 7200)  # the system's clock is two hours fast
    r.play([connected(0)]).play(drive(1, 120, fixes_from_s=60))
    r.session.close(120)
    log = read_log(r.journals[0])
    assert abs(log.start.timestamp() - (UTC_S + 1)) < 0.5
    assert np.isnan(log.frame["lat_deg"].to_numpy()[:50]).all()


def test_part_without_any_clock_is_left_out_and_told(tmp_path):
    path = tmp_path / "a.log"
    written(path)
    written(path, 5, {"boot_id": "another", "wall_utc_s": 0.0})
    log = read_log(path)
    assert len(log.frame) == 20
    assert any("5 readings has no clock" in n for n in log.notes)


def test_numbers_go_on_over_parts(tmp_path):
    written(tmp_path / "a.log")
    before = last_line(tmp_path / "a.log").number
    written(tmp_path / "a.log")
    assert last_line(tmp_path / "a.log").number == before + 21


def test_study_zone_is_the_logs_zone(tmp_path):
    from roadlog.study.settings import TimeRule

    written(tmp_path / "a.log")
    start = read_log(tmp_path / "a.log", time=TimeRule(zone="America/New_York")).start
    assert start.isoformat() == "2026-03-02T02:45:00-05:00"


IMPOSSIBLE = [
    ("gps", "lat_deg=95 lon_deg=7 utc_s=1e300"),
    ("gps", "lat_deg=inf lon_deg=nan"),
    ("gps", f"lat_deg={'9' * 400} lon_deg=7"),
    ("gps", "lat_deg= lon_deg"),
    ("gps", "lat_deg=45,0 lon_deg=7"),
    ("obd", "speed_kmh=fast"),
    ("clock", "null"),
    ("clock", '{"wall_utc_s": null}'),
    ("clock", "[" * 20_000),
    ("gap", "ends after soon s"),
    ("note", "position lines refused: many"),
]


@pytest.mark.parametrize(("kind", "text"), IMPOSSIBLE)
def test_a_journal_with_impossible_entries_is_still_readable(tmp_path, kind, text):
    path = tmp_path / "run_a.log"
    whole = written(path).split(b"\n")
    extra = encode(21, 10.5, kind, text).rstrip(b"\n")
    path.write_bytes(b"\n".join([*whole[:12], extra, *whole[12:]]))
    log = read_log(path)
    written(tmp_path / "run_b.log")
    good = read_log(tmp_path / "run_b.log")
    assert log.frame["speed_kmh"].dropna().tolist() == good.frame["speed_kmh"].dropna().tolist()
    for name, low, high in (("lat_deg", -90, 90), ("lon_deg", -180, 180)):
        if name in log.frame:
            assert log.frame[name].dropna().between(low, high).all()


def test_refused_position_lines_are_told_when_the_journal_is_read(tmp_path):
    path = tmp_path / "run_a.log"
    written(path)
    with path.open("ab") as file:
        file.write(encode(90, 30.0, "note", "position lines refused: 3"))
        file.write(encode(91, 31.0, "note", "position lines refused: 2"))
    assert any("5 lines of the position receiver damaged" in n for n in read_log(path).notes)


def test_the_session_counts_refused_position_lines_in_the_journal(tmp_path):
    recorded = Recorded(tmp_path)
    recorded.play([connected(0.0), *drive(0.0, 5.0), PositionLinesRefused(5.0, 4)])
    recorded.session.close(6.0)
    assert b"note position lines refused: 4" in recorded.journals[0].read_bytes()


def test_a_sync_that_ends_unexpectedly_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "SYNC_S", 0.01)
    calls = []

    def sync(_handle):
        calls.append(1)
        if len(calls) > 2:
            raise RuntimeError("odd")

    journal = Journal(tmp_path / "run_a.log", HEADER, 0.0, sync=sync)
    journal.add("obd", 1.0, "speed_kmh=1")
    journal.flush(1.0)
    for _ in range(500):
        time.sleep(0.01)
        if len(calls) > 2:
            break
    time.sleep(0.05)
    with pytest.raises(OSError, match="syncing ended"):
        journal.flush(2.0)
