"""From many vehicles' logs to their pass tables: alike wherever it is done, and however often."""

import gc
import pickle
import shutil
import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.analysis.analyse import analyse
from roadlog.fleet.inputs import Source
from roadlog.fleet.pipeline import Tables, _seen_twice, find_fleet, fleet_tables
from roadlog.fleet.reading import MARK_BYTES, NO_MARK, Read
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
    rng = np.random.default_rng(1)
    marks = [rng.bytes(MARK_BYTES) for _ in range(500)]
    assert _seen_twice(b"".join(marks)) == set()
    more = [*marks, NO_MARK, NO_MARK, marks[7], marks[7], marks[400]]
    assert _seen_twice(b"".join(more)) == {marks[7], marks[400]}
    alike = marks[3][:8] + b"else"  # the same in what is compared first
    assert _seen_twice(b"".join([*marks, alike])) == set()
    assert _seen_twice(b"") == set()


def test_of_a_run_whoever_hands_tasks_out_keeps_twelve_bytes(tmp_path: Path) -> None:
    def kept(files: int, runs: int) -> int:
        tracemalloc.start()
        held = []
        for i in range(files):
            source = Source("van 1", f"/fleet/cars/van 1/logs/{i:06d}.csv", f"cars/{i:06d}.csv")
            there = pickle.loads(pickle.dumps(Read(source, f"{i:040d}", bytes(12 * runs))))
            held.append(replace(there, source=source))
        gc.collect()
        size, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert len(held) == files
        return size

    one, many = kept(200, 1), kept(200, 101)
    assert one / 200 < 600
    assert (many - one) / 200 / 100 < 13
