"""A real cluster of two worker processes on this computer, one of them killed in mid-run."""

import os
import signal
from collections.abc import Iterable, Iterator
from pathlib import Path

import pandas as pd
import pytest

from roadlog.fleet.cluster import cluster
from roadlog.fleet.pipeline import Tables
from roadlog.fleet.workers import Done, Run, Task, noting
from tests.fleet.of_logs import frames, tables_of


@pytest.mark.slow
def test_a_killed_worker_changes_nothing(small_fleet: Path, made: Tables, tmp_path: Path) -> None:
    from distributed import LocalCluster

    with (
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as local,
        cluster(local.scheduler_address) as run,
    ):
        again: dict[str, int] = {}
        noted = noting(_killing(run, local), again)
        there = tables_of(small_fleet, tmp_path / "there", noted)
    assert again
    assert set(again.values()) == {2}
    for one, two in zip(frames(made), frames(there), strict=True):
        pd.testing.assert_frame_equal(one, two, check_exact=True)
    assert [r.key for r in made.records] == [r.key for r in there.records]


def _killing(run: Run, local: object) -> Run:
    """The same, but a worker is killed when the fifth task is done."""
    seen = 0

    def spoiled(tasks: Iterable[Task]) -> Iterator[Done]:
        nonlocal seen
        for done in run(tasks):
            seen += 1
            if seen == 5:
                worker = next(iter(local.workers.values()))  # type: ignore[attr-defined]
                os.kill(worker.pid, signal.SIGKILL)
            yield done

    return spoiled
