"""The public surface: every name loads, has a docstring and a type, and stands in one table."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import roadlog
from roadlog import trials

ROOT = Path(__file__).resolve().parents[1]
CLIENT = """\
from pathlib import Path
from typing import assert_type
import pandas as pd
import roadlog
study, sources = roadlog.open_study("sample_logs")
assert_type(study, roadlog.Study)
result = roadlog.analyse(study, sources)
assert_type(result, roadlog.Analysed)
assert_type(result.effect, roadlog.EffectResult)
assert_type(result.effect.primary.low, float | None)
assert_type(roadlog.resample(roadlog.read_log(Path("a.csv")).frame), pd.DataFrame)
trial = roadlog.trials.payback_result(roadlog.trials.Purchase(1, 1, 1, 1), -1, -2, 0)
assert_type(trial, roadlog.trials.TrialResult)
roadlog.physics.air_density(15.0, 101.325)
roadlog.no_such_name
"""


def stubbed(path: Path) -> dict[str, str]:
    """Names that a stub file exports, each with the module that it is taken from."""
    tree = ast.parse(path.read_text())
    return {
        a.asname: (node.module or "")
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        for a in node.names
        if a.asname
    }


@pytest.mark.parametrize("package", [roadlog, trials], ids=lambda p: p.__name__)
def test_table_and_types_name_the_same_things(package):
    homes = {
        name: package.__name__ if name == home else f"{package.__name__}.{home}"
        for name, home in package._HOMES.items()
    }
    assert stubbed(Path(package.__file__).with_suffix(".pyi")) == homes


@pytest.mark.parametrize("package", [roadlog, trials], ids=lambda p: p.__name__)
def test_every_public_name_loads_and_is_described(package):
    assert dir(package) == sorted(package._HOMES)
    for name in dir(package):
        assert getattr(package, name).__doc__, name


def test_the_surface_stays_small():
    assert len(dir(roadlog)) <= 40


def test_a_name_that_is_no_public_one_is_refused():
    with pytest.raises(AttributeError, match="no attribute 'gather'"):
        _ = roadlog.gather


def test_no_public_name_hides_a_room():
    rooms = {p.stem for p in Path(roadlog.__file__).parent.iterdir()}
    assert rooms & set(dir(roadlog)) == {"physics", "trials"}
    modules = {p.stem for p in Path(trials.__file__).parent.iterdir()}
    assert not modules & set(dir(trials))


def test_a_strict_client_sees_the_types(tmp_path):
    client = tmp_path / "client.py"
    client.write_text(CLIENT)
    done = subprocess.run(
        [sys.executable, "-m", "mypy", str(client)],
        capture_output=True, text=True, cwd=ROOT, check=False,
    )  # fmt: skip
    errors = [line for line in done.stdout.splitlines() if ": error:" in line]
    assert len(errors) == 1, done.stdout
    assert 'no attribute "no_such_name"' in errors[0]
