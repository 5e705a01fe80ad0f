"""Tasks are done whatever happens to those who do them, and never for ever."""

import errno
import os
import signal
import sys
from pathlib import Path

import pytest

from roadlog.errors import InputError
from roadlog.fleet.workers import (
    MOST_TRIES,
    DiskFailed,
    Task,
    _require_same_code,
    cluster,
    processes,
    serial,
)


def _square(n: int) -> int:
    return n * n


def _die(marker: Path | None) -> str:
    """Dies at once; where a marker is given, the first time only."""
    if marker is None or not marker.exists():
        if marker is not None:
            marker.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return "lives"


def _fails(kind: str, count: Path) -> str:
    count.write_text(count.read_text() + "x" if count.exists() else "x")
    if kind == "disk":
        raise OSError(errno.ENOSPC, "No space left on device", "out.parquet")
    if kind == "file":
        raise InputError("a.csv is empty: give a log")
    if kind == "network":
        raise OSError(errno.EIO, "Input/output error", "a.csv")
    raise ZeroDivisionError("nobody thought of this")


def test_a_process_that_dies_costs_its_task_alone(tmp_path: Path) -> None:
    tasks = [Task(f"n{i}", _square, (i,)) for i in range(6)]
    tasks.insert(2, Task("poison", _die, (None,)))
    tasks.insert(4, Task("once", _die, (tmp_path / "marker",)))
    with processes(2) as run:
        done = {d.task.name: d for d in run(tasks)}
    assert sorted(done) == sorted(t.name for t in tasks)
    assert [done[f"n{i}"].result for i in range(6)] == [0, 1, 4, 9, 16, 25]
    assert done["once"].result == "lives"
    assert str(done["poison"].lost) == (
        f"the process that worked on it died {MOST_TRIES} times: it may need more memory than it "
        "got"
    )


@pytest.mark.parametrize(
    ("kind", "tries", "code"),
    [("file", 1, "UNREADABLE"), ("network", MOST_TRIES, "UNREADABLE"), ("ours", 1, "BROKE")],
)
def test_only_what_may_go_well_another_time_is_tried_again(
    kind: str, tries: int, code: str, tmp_path: Path
) -> None:
    (done,) = serial([Task(kind, _fails, (kind, tmp_path / "count"))])
    assert done.lost is not None
    assert done.lost.code.name == code
    assert len((tmp_path / "count").read_text()) == tries


def test_a_full_disk_stops_the_work_with_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(DiskFailed, match="No space left on device: make room and run it again"):
        list(serial([Task("a", _fails, ("disk", tmp_path / "count"))]))


def test_tasks_are_taken_as_they_are_needed() -> None:
    taken = 0

    def tasks():  # type: ignore[no-untyped-def]
        nonlocal taken
        for i in range(1000):
            taken += 1
            yield Task(str(i), _square, (i,))

    for n, _ in enumerate(serial(tasks())):
        assert taken <= n + 2


def test_a_scheduler_that_does_not_answer_is_one_sentence() -> None:
    with (
        pytest.raises(InputError, match="no scheduler answers there"),
        cluster("tcp://127.0.0.1:9"),
    ):
        pass


def test_without_the_extra_a_scheduler_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(InputError, match=r"pip install 'roadlog\[fleet\]'"),
        cluster("tcp://127.0.0.1:9"),
    ):
        pass


def test_workers_with_other_code_are_refused() -> None:
    class Client:
        def wait_for_workers(self, n: int, timeout: float) -> None: ...

        def run(self, function: object, on_error: str) -> dict[str, str]:
            return {"tcp://10.0.0.7:1": "0" * 64}

    with pytest.raises(InputError, match=r"10\.0\.0\.7:1 has another state of roadlog's code"):
        _require_same_code(Client(), "tcp://10.0.0.5:8786")
