"""Killed without warning at random moments, over and over: no committed reading is ever lost.

A child process records a scripted drive with the real session and journal and reports, after each
flush has returned, the last number that it committed. The parent kills it (SIGKILL) at a random
moment and starts the next, which goes on in a new part of the same run. The slow test does 200 and
more; another kills the whole command against the scripted car.
"""

import itertools
import os
import random
import signal
import struct
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from roadlog.ingest import read_log
from roadlog.ingest.journal.file import Journal
from roadlog.ingest.journal.lines import decode
from roadlog.recorder.events import Values
from roadlog.recorder.run import _stop_on_signals

from .peers import Line
from .scripted import Recorded, connected

PERIOD_S = 0.002


def child(folder: Path, begun: float, pipe: int) -> None:
    """Record counted readings in real time until killed; report each commit (first, last)."""
    flush = Journal.flush
    first = int((time.monotonic() - begun) / PERIOD_S) + 1
    done = [first - 1]

    def reporting_flush(self, t_s):
        flush(self, t_s)
        os.write(pipe, struct.pack("qq", first, done[0]))

    Journal.flush = reporting_flush
    r = Recorded(folder)
    r.play([connected(time.monotonic() - begun)])
    for n in itertools.count(first):
        while (now := time.monotonic() - begun) < n * PERIOD_S:
            time.sleep(PERIOD_S / 4)
        r.play([Values(now, {"maf_g_s": float(n % 600), "rpm": 800.0, "odometer_km": float(n)})])
        done[0] = n


def numbers_in(path: Path) -> set[int]:
    """The counted readings that stand whole in a journal."""
    lines = (decode(raw) for raw in path.read_bytes().split(b"\n"))
    return {
        int(float(x.text.split("odometer_km=")[1]))
        for x in lines
        if x is not None and x.kind == "obd"
    }


def kill_loop(folder: Path, kills: int, seed: int, flush_s: float, monkeypatch) -> int:
    """Kill `kills` recordings; return how many readings were committed in all."""
    monkeypatch.setattr("roadlog.ingest.journal.file.FLUSH_S", flush_s)
    rng = random.Random(seed)
    begun = time.monotonic()
    committed: set[int] = set()
    for _ in range(kills):
        read_end, write_end = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(read_end)
            try:
                child(folder, begun, write_end)
            finally:
                os._exit(1)
        os.close(write_end)
        time.sleep(rng.uniform(0.02, 0.2 + 2 * flush_s))
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        with os.fdopen(read_end, "rb") as pipe:
            reports = pipe.read()
        whole = len(reports) // 16 * 16
        for first, last in struct.iter_unpack("qq", reports[:whole]):
            committed |= set(range(first, last + 1))
    (path,) = folder.glob("logs/*.log")
    found = numbers_in(path)
    assert committed <= found, sorted(committed - found)[:5]
    log = read_log(path)
    assert np.array_equal(log.frame["odometer_km"].dropna(), sorted(found))
    assert sum(1 for raw in path.read_bytes().split(b"\n") if b" part {" in raw) > kills / 2
    return len(committed)


def test_twenty_kills_lose_no_committed_reading(tmp_path, monkeypatch):
    assert kill_loop(tmp_path, 20, 1, 0.02, monkeypatch) > 500


@pytest.mark.slow
@pytest.mark.parametrize("flush_s", [0.5, 0.02])
def test_two_hundred_kills_lose_no_committed_reading(tmp_path, monkeypatch, flush_s):
    total = kill_loop(tmp_path, 220, 2, flush_s, monkeypatch)
    print(f"\n220 kills, flush every {flush_s} s: {total} committed readings, none lost")


@pytest.mark.slow
def test_whole_command_killed_against_the_emulated_car_loses_nothing_it_had_written(tmp_path):
    """What a reader of the file saw before a kill is all there after it, and the run goes on."""
    (tmp_path / "study.toml").write_text('[logs]\nany = ["logs/**/*.log"]\n')
    line = Line()
    rng = random.Random(3)
    kills = int(os.environ.get("ROADLOG_KILLS", "12"))
    try:
        for _ in range(kills):
            process = subprocess.Popen(
                [sys.executable, "-m", "roadlog", "record", str(tmp_path), "--adapter", line.place,
                 "--arm", "baseline", "--no-vin"],
                stdout=subprocess.DEVNULL,
            )  # fmt: skip
            time.sleep(rng.uniform(4.0, 8.0))
            before = [p.read_bytes() for p in tmp_path.glob("logs/**/*.log")]
            process.kill()
            process.wait()
            for raw, path in zip(before, tmp_path.glob("logs/**/*.log"), strict=False):
                assert path.read_bytes().startswith(raw)
        journals = sorted(tmp_path.glob("logs/**/*.log"))
        assert len(journals) == 1, [(p.name, p.read_bytes()[-300:]) for p in journals]
        path = journals[0]
        lines = path.read_bytes().split(b"\n")
        parts = sum(1 for raw in lines if (x := decode(raw)) and x.kind == "part")
        assert parts > kills * 0.5
        whole = sum(1 for raw in lines if (x := decode(raw)) and x.kind == "obd")
        assert len(read_log(path).frame) >= whole
        print(f"\n{kills} kills of the command: {parts} parts, {whole} readings whole")
    finally:
        line.close()


def test_two_signals_at_once_end_the_recorder_and_do_not_wait_for_each_other() -> None:
    """Ctrl-C twice, or the bench's to the whole group: the second came within the first one's
    `set`, whose lock it then waited for, and the recorder went on for ever."""

    class Once(threading.Event):
        inside = False

        def set(self) -> None:
            assert not self.inside, "it would wait for itself"
            self.inside = True
            signal.raise_signal(signal.SIGTERM)
            super().set()
            self.inside = False

    before = {n: signal.getsignal(n) for n in (signal.SIGTERM, signal.SIGINT)}
    stop = Once()
    try:
        _stop_on_signals(stop)
        signal.raise_signal(signal.SIGINT)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    assert stop.is_set()
