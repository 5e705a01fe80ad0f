"""Hours of recording in constant memory, and a journal of hours read in seconds."""

import time
import tracemalloc

import pytest

from roadlog.ingest import read_log

from .scripted import Recorded, connected, drive


def grown_bytes(folder, hours: float) -> tuple[int, Recorded]:
    """How much memory the session gained from its first half hour to its end."""
    r = Recorded(folder).play([connected(0)])
    r.play(drive(1, 600, hz=10, fixes_from_s=30))
    tracemalloc.start()
    r.play(drive(600, 1800, hz=10, fixes_from_s=30))
    before = tracemalloc.get_traced_memory()[0]
    r.play(drive(1800, 3600 * hours, hz=10, fixes_from_s=30))
    after = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    r.session.close(3600 * hours)
    return after - before, r


def test_an_hour_at_ten_hertz_gains_no_memory(tmp_path):
    grown, _ = grown_bytes(tmp_path, 1.0)
    assert grown < 50_000


@pytest.mark.slow
def test_ten_hours_at_ten_hertz_gain_no_memory_and_read_back_in_seconds(tmp_path):
    grown, r = grown_bytes(tmp_path, 10.0)
    begun = time.monotonic()
    log = read_log(r.journals[0])
    took = time.monotonic() - begun
    mb = r.journals[0].stat().st_size / 1e6
    print(f"\n10 h: memory grown by {grown} bytes; {mb:.0f} MB read in {took:.1f} s")
    assert grown < 50_000
    assert len(log.frame) > 360_000
    assert took < 20
