"""`roadlog fleet` killed at any moment and run again: the same bytes as if nothing had happened."""

import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from roadlog.cli import main
from roadlog.demo.fleet import make_fleet


def files_in(folder: Path) -> dict[str, bytes]:
    """All that a run leaves for others, by name; not what tells of the run itself."""
    kept = [folder / n for n in ("fleet.json", "fleet.html", "vehicles.csv", "left_out.csv")]
    kept += sorted((folder / "passes").rglob("*.parquet"))
    kept += sorted((folder / "runs").rglob("*.parquet"))
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in kept}


def killed_at(root: Path, out: Path, files: int) -> None:
    """Run it with two processes, and kill it as soon as so many files of its work are there."""
    command = [sys.executable, "-P", "-m", "roadlog", "fleet", str(root), "--out", str(out)]
    began = subprocess.Popen([*command, "--workers", "2"], cwd=root)
    while began.poll() is None and len([*out.glob("computed/**/*.*")]) < files:
        time.sleep(0.02)
    began.send_signal(signal.SIGKILL)
    began.wait()


@pytest.mark.slow
def test_killed_twice_and_run_again_it_is_the_same_byte_for_byte(tmp_path: Path) -> None:
    root = tmp_path / "fleet"
    make_fleet(root, vehicles=3, days=6, effect_pct=-3.0, spread_pct=0.5, form="csv", seed=3)
    arguments = ["fleet", str(root), "--out"]
    assert main([*arguments, str(tmp_path / "whole"), "--workers", "1"]) == 0
    for files in (10, 37):  # among the logs, among the vehicles
        killed_at(root, tmp_path / "killed", files)
        assert not (tmp_path / "killed" / "fleet.json").exists()
    assert main([*arguments, str(tmp_path / "killed"), "--workers", "2"]) == 0
    assert files_in(tmp_path / "killed") == files_in(tmp_path / "whole")
    left = [p.name for p in (tmp_path / "killed").rglob(".*") if p.is_file()]
    assert left == [".roadlog.lock"]


@pytest.mark.slow
def test_a_disk_that_fills_up_under_its_processes_is_one_sentence(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """A limit on the size of files stands for the full disk: both fail in the process at work."""
    root = tmp_path / "fleet"
    make_fleet(root, vehicles=2, days=4, form="csv", seed=3)
    out = tmp_path / "out"
    limited = 'ulimit -f 40; exec "$0" -P -m roadlog fleet "$1" --out "$2" --workers 2'
    bash = shutil.which("bash")
    assert bash is not None
    done = subprocess.run(
        [bash, "-c", limited, sys.executable, str(root), str(out)], cwd=tmp_path, check=False
    )
    assert done.returncode == 2
    told = capfd.readouterr().err.strip()
    assert "File too large: make room and run it again; what is done is kept" in told
    assert len(told.splitlines()) == 1
    assert main(["fleet", str(root), "--out", str(out), "--workers", "1"]) in (0, 1)
