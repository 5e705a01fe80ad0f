"""From many vehicles' logs to their pass tables: alike wherever it is done, and however often."""

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.analysis.analyse import analyse
from roadlog.fleet.pipeline import Tables, _seen_twice, find_fleet, fleet_tables
from roadlog.fleet.workers import processes, serial
from roadlog.runs.table import open_study
from roadlog.study.fleet import FleetRule
from roadlog.study.folder import load_study
from tests.fleet.of_logs import frames, tables_of


def test_a_fleet_of_one_car_has_the_pass_table_of_its_analysis(tmp_path: Path) -> None:
    root = tmp_path / "study"  # without a network that an earlier analysis kept, rounded
    later = ("computed", "results", "*-0[6-9]_*.csv", "*-1*_????_*.csv")  # four days are enough
    shutil.copytree("sample_logs", root, ignore=shutil.ignore_patterns(*later))
    rule = FleetRule(logs=("{vehicle}/*.csv",))
    fleet = find_fleet(load_study(root), root, rule)
    tables = fleet_tables(fleet, serial, out=tmp_path / "out", work=tmp_path / "work")
    (ours,) = tables.passes()
    theirs = analyse(*open_study(root)).passes
    for name in theirs.columns:
        if name.startswith("remark_") or name not in ours:
            continue
        mine, other = ours[name], theirs[name]
        if pd.api.types.is_float_dtype(other):
            np.testing.assert_allclose(mine, other, rtol=1e-12, err_msg=name)
        else:
            assert mine.astype(str).tolist() == other.astype(str).tolist(), name
    assert set(theirs.columns) - set(ours.columns) <= {c for c in theirs if "remark" in c}


def test_every_vehicle_has_its_passes_by_month(made: Tables, small_fleet: Path) -> None:
    assert [r.vehicle for r in made.compared] == ["car 0", "car 1", "car 2"]
    for record in made.compared:
        assert record.passes[0].startswith(f"vehicle=car%20{record.vehicle[-1]}/month=2026-03/")
        assert record.n_used == 8
    for table in made.passes():
        assert table["arm"].nunique() == 2
        assert set(table["start"].dt.strftime("%Y-%m")) == {"2026-03"}


@pytest.mark.slow
def test_two_processes_come_to_the_same_as_none(
    made: Tables, small_fleet: Path, tmp_path: Path
) -> None:
    with processes(2) as run:
        there = tables_of(small_fleet, tmp_path, run)
    for one, two in zip(frames(made), frames(there), strict=True):
        pd.testing.assert_frame_equal(one, two, check_exact=True)
    assert [r.key for r in made.records] == [r.key for r in there.records]


def test_a_drive_in_two_vehicles_is_found_among_many() -> None:
    marks = [f"{n:024x}" for n in np.random.default_rng(1).integers(1 << 60, size=500)]
    assert _seen_twice(marks) == set()
    assert _seen_twice([*marks, "", "", marks[7], marks[7], marks[400]]) == {marks[7], marks[400]}
    alike = marks[3][:16] + "ffffffff"  # the same in what is compared first
    assert _seen_twice([*marks, alike]) >= {alike, marks[3]}
