"""Every file of the ugly corpus is read to its expected frame, or refused in its sentence."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.errors import InputError
from roadlog.ingest import read_log
from tests.benchmarks.ingest import COLUMNS, write_log
from tests.ingest.corpus import CASES, Case


@pytest.mark.parametrize("case", CASES, ids=[c.name for c in CASES])
def test_ugly_file(tmp_path: Path, case: Case) -> None:
    path = tmp_path / case.file
    path.write_bytes(case.raw)
    if case.error:
        with pytest.raises(InputError, match=case.error) as caught:
            read_log(path, columns=case.columns, time=case.time)
        assert "\n" not in str(caught.value)
        assert str(path) in str(caught.value)
        return
    log = read_log(path, columns=case.columns, time=case.time)
    assert case.frame is not None
    assert case.t_s is not None
    expected_t = np.asarray(case.t_s, np.float64)
    np.testing.assert_allclose(log.frame["t_s"], expected_t - expected_t[0], atol=2e-3)
    for signal, values in case.frame.items():
        np.testing.assert_allclose(log.frame[signal], values, rtol=1e-6, atol=1e-6)
    assert log.start == case.start
    if case.start is not None and log.start is not None:
        assert log.start.utcoffset() == case.start.utcoffset()
    if case.note:
        assert any(case.note in n for n in log.notes), log.notes


def test_the_corpus_is_large_and_its_names_differ() -> None:
    assert len(CASES) >= 40
    assert len({c.name for c in CASES}) == len(CASES)
    assert sum(bool(c.error) for c in CASES) >= 12


def test_the_corpus_is_the_same_every_time() -> None:
    script = (
        "import hashlib; from tests.ingest.corpus import CASES;"
        "print(hashlib.sha256(b''.join(c.raw for c in CASES)).hexdigest())"
    )
    root = Path(__file__).parents[2]
    outs = {
        subprocess.run(
            [sys.executable, "-c", script],
            cwd=root,
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(root)},
            capture_output=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(outs) == 1


@pytest.mark.slow
def test_a_log_of_200_megabytes(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = write_log(path, 200, "iso")
    text = path.read_bytes()
    assert len(text) >= 200e6
    damaged = text.replace(b"\n", b"\nbroken line\n", 3)
    path.write_bytes(damaged[: damaged.rindex(b",")])
    log = read_log(path)
    assert len(log.frame) == rows - 1
    assert len(log.frame.columns) == len(COLUMNS) + 1
    assert log.start == pd.Timestamp("2026-03-02T07:00:00+01:00")
    np.testing.assert_allclose(np.diff(log.frame["t_s"]), 0.1, atol=1e-6)
    assert any("the last line is incomplete" in n for n in log.notes)
