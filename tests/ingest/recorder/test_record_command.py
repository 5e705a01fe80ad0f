"""`roadlog record` as a whole: the scripted car, a position receiver, and the study it fills."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from roadlog.cli import main
from roadlog.ingest import read_log
from roadlog.ingest.journal.file import first_header

from .receiver import START, TcpReceiver

HANGS_AFTER_S = 120.0

STUDY = """
name = "recorded"
[labels]
fitted = "collar in"
[logs]
any = ["logs/*.log"]
"""


@pytest.fixture
def study(tmp_path: Path) -> Path:
    (tmp_path / "study.toml").write_text(STUDY)
    return tmp_path


def start(study: Path, *options: str) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-m", "roadlog", "record", str(study), *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def stopped(process: subprocess.Popen) -> str:
    process.send_signal(signal.SIGTERM)
    out, _ = process.communicate(timeout=HANGS_AFTER_S)
    assert process.returncode == 0, out
    return out


def wait_for_journal(
    study: Path, process: subprocess.Popen, *, requests: int = 20, fixes: int = 0
) -> Path:
    """The journal once it holds so many answers and fixes; fails only if the recorder ends.

    The time limit is no measure of the recorder: it is there for a recorder that hangs.
    """
    end = time.monotonic() + HANGS_AFTER_S
    while time.monotonic() < end and process.poll() is None:
        for path in study.glob("logs/**/*.log"):
            held = path.read_bytes()
            if held.count(b" obd ") >= requests and held.count(b" gps ") >= fixes:
                return path
        time.sleep(0.1)
    process.kill()
    held_now = {p.name: p.stat().st_size for p in study.glob("logs/**/*")}
    raise AssertionError(f"no journal grew to that: {held_now}\n{process.communicate()[0]}")


def test_records_a_drive_with_positions_and_goes_on_after_a_restart(study, line):
    receiver = TcpReceiver(after_s=3.0)
    options = ("--adapter", line.place, "--gps", receiver.place, "--arm", "fitted")
    try:
        process = start(study, *options)
        first = wait_for_journal(study, process)
        out = stopped(process)
        before = first.read_bytes().count(b" obd ")
        process = start(study, *options)
        path = wait_for_journal(study, process, requests=before + 20, fixes=5)
        stopped(process)
    finally:
        receiver.close()
    assert "never operates it" in out
    assert len(list(study.glob("logs/**/*.log"))) == 1
    log = read_log(path)
    counts = log.frame.count()
    assert counts["speed_kmh"] > 20
    assert counts["lat_deg"] > 2
    assert set(log.frame["maf_g_s"].dropna()) == {13.11}
    assert any("2 parts joined" in n for n in log.notes)
    assert abs(log.start.timestamp() - START.timestamp()) < 120
    header = first_header(path)
    assert header["arm"] == "fitted"
    assert header["pids_per_request"] == 6
    memory = json.loads((study / "recorder.json").read_text())
    assert memory["protocol"] == "6"
    assert header["vehicle"] == memory["vehicle"] != ""
    assert "1" * 17 not in path.read_text()
    assert "ATTP6" in [text for _, text in line.requests]
    assert os.stat(study / "recorder.json").st_mode & 0o077 == 0


def test_check_shows_the_rates_and_writes_nothing(study, line, capsys, monkeypatch):
    monkeypatch.setattr("roadlog.recorder.run._CHECK_S", 2.5)
    monkeypatch.setattr("roadlog.recorder.session.RATES_AFTER_S", 2.0)
    assert main(["record", str(study), "--adapter", line.place, "--check", "--no-vin"]) == 0
    out = capsys.readouterr().out
    assert "readings a second: maf_g_s" in out
    assert sorted(p.name for p in study.iterdir()) == ["study.toml"]


def test_without_the_extra_one_sentence_says_how_to_install_it(study, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "obd", None)
    assert main(["record", str(study), "--adapter", "/dev/ttyUSB0"]) == 2
    assert capsys.readouterr().err.strip() == (
        "roadlog: recording needs the adapter extra, which isn't installed: run  "
        "pip install 'roadlog[adapter]'"
    )


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--gps", "tcp://nowhere"], "--gps tcp://nowhere is no receiver"),
        (["--max-hz", "0"], "--max-hz 0 is out of range"),
    ],
)
def test_wrong_options_are_one_sentence(study, capsys, options, message):
    assert main(["record", str(study), "--adapter", "/dev/null", *options]) == 2
    err = capsys.readouterr().err
    assert message in err
    assert err.count("\n") == 1


def test_only_one_file_imports_the_adapter_library():
    root = Path(__file__).resolve().parents[3] / "roadlog"
    importing = [
        p.name
        for p in root.rglob("*.py")
        if any(x.split("#")[0].strip() in ("import obd",) or x.strip().startswith("from obd")
               for x in p.read_text().splitlines())
    ]  # fmt: skip
    assert importing == ["adapter.py"]


def test_command_line_does_not_load_the_adapter_library():
    code = "import sys; from roadlog.cli import _parser; _parser(); import roadlog.ingest; " \
        "print('obd' in sys.modules, 'serial' in sys.modules)"  # fmt: skip
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]


@pytest.mark.slow
def test_recorder_takes_at_most_three_percent_of_a_core_at_ten_hertz(study, line):
    """Ten requests of six PIDs a second and five fixes a second, measured over half a minute."""
    receiver = TcpReceiver()
    process = start(study, "--adapter", line.place, "--gps", receiver.place, "--arm", "fitted")

    def used_s() -> float:
        fields = Path(f"/proc/{process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    try:
        path = wait_for_journal(study, process)
        before, rows, t = used_s(), path.read_bytes().count(b" obd "), time.monotonic()
        time.sleep(30)
        share = (used_s() - before) / (time.monotonic() - t)
        hz = (path.read_bytes().count(b" obd ") - rows) / (time.monotonic() - t)
    finally:
        stopped(process)
        receiver.close()
    print(f"\n{100 * share:.2f} % of one core at {hz:.1f} requests a second")
    assert hz > 9
    assert share <= 0.03


@pytest.mark.slow
def test_ends_a_run_with_the_ignition_and_starts_the_next_by_itself(study, line):
    """Ignition off: no answer and a resting battery; an hour's parking is a few seconds here."""
    supply, asleep = ["14.2V"], [False]

    def car(request: str) -> str | None:
        if request == "ATRV":
            return supply[0]
        return "NO DATA" if asleep[0] and request.startswith("01") else None

    line.canned = car
    process = start(study, "--adapter", line.place, "--arm", "fitted", "--no-vin")
    try:
        first = wait_for_journal(study, process)
        time.sleep(35)
        supply[0], asleep[0] = "12.4V", True
        end = time.monotonic() + 60
        while b" end the supply fell from 14.2 V to 12.4 V" not in first.read_bytes():
            assert time.monotonic() < end, first.read_bytes()[-400:]
            time.sleep(0.5)
        time.sleep(8)
        asked = sum(text.startswith("01") for _, text in line.requests)
        time.sleep(12)
        assert sum(text.startswith("01") for _, text in line.requests) == asked
        supply[0], asleep[0] = "14.1V", False
        end = time.monotonic() + 30
        while len(list(study.glob("logs/**/*.log"))) < 2:
            assert time.monotonic() < end
            time.sleep(0.5)
    finally:
        out = stopped(process)
    assert "run ended, the supply fell from 14.2 V to 12.4 V" in out
