"""Tasks are done whatever happens to those who do them, and never for ever."""

import contextlib
import errno
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import pytest

from roadlog.errors import InputError
from roadlog.fleet import workers
from roadlog.fleet.cluster import _require_same_everywhere, cluster
from roadlog.fleet.facts import LeftOut
from roadlog.fleet.workers import (
    MOST_TRIES,
    DiskFailed,
    Done,
    Task,
    batch_done,
    done_of,
    in_batches,
    noting,
    own_state,
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
    again: dict[str, int] = {}
    with processes(2) as run:
        done = {d.task.name: d for d in noting(run, again)(tasks)}
    assert again["once"] in (2, 3)  # it may have been in flight when the other one died
    assert again["poison"] == MOST_TRIES
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
    again: dict[str, int] = {}
    (done,) = noting(serial, again)([Task(kind, _fails, (kind, tmp_path / "count"))])
    assert again == ({kind: tries} if tries > 1 else {})
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


@pytest.mark.parametrize(
    ("state", "why"),
    [
        (("0" * 64, ()), r"10\.0\.0\.7:1 has another state of roadlog's code: install the same"),
        ((own_state()[0], (("numpy", "9.9"),)), r"has numpy 9\.9 \(here \d"),
        (ImportError("no module named roadlog"), "has no roadlog that answers"),
    ],
)
def test_workers_whose_results_could_be_others_are_refused(
    state: object, why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Client:
        def wait_for_workers(self, n: int, timeout: float) -> None: ...

        def run(self, function: object, on_error: str) -> dict[str, object]:
            return {"tcp://10.0.0.7:1": state}

    monkeypatch.setattr(workers, "libraries", lambda: (("numpy", "2.3"),))
    with pytest.raises(InputError, match=why):
        _require_same_everywhere(Client())


def test_short_tasks_go_in_batches_and_each_keeps_its_own_fate(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workers, "LEAST_BATCHES", 3)
    handed_out: list[str] = []

    def dying(tasks: Iterable[Task]) -> Iterator[Done]:
        """A worker that dies of the second batch, and of the task in it that is at fault."""
        for task in tasks:
            handed_out.append(task.name)
            names = [t.name for t in task.arguments[0]] if task.call is batch_done else [task.name]
            poisoned = "poison" in names
            yield Done(task, lost=LeftOut.DIED(n=3)) if poisoned else done_of(task)

    tasks = [Task(f"n{i}", _square, (i,)) for i in range(9)]
    tasks[1] = Task("file", _fails, ("file", tmp_path / "file"))
    tasks[2] = Task("network", _fails, ("network", tmp_path / "network"))
    tasks[4] = Task("poison", _square, (4,))
    again: dict[str, int] = {}
    done = {d.task.name: d for d in in_batches(noting(dying, again), tasks, len(tasks))}
    assert set(again) == {"n3", "poison", "n5", "network"}
    assert sorted(done) == sorted(t.name for t in tasks)
    assert {name for name, d in done.items() if d.lost} == {"file", "network", "poison"}
    assert [done[f"n{i}"].result for i in (0, 3, 5, 6, 7, 8)] == [0, 9, 25, 36, 49, 64]
    assert handed_out == ["n0", "n3", "n6", "network", "n3", "poison", "n5"]
    assert len((tmp_path / "file").read_text()) == 1


def _loaded_from() -> str:
    import roadlog

    return str(Path(roadlog.__file__).parent)


def _asleep(marker: Path) -> None:
    marker.touch()
    time.sleep(60)


def _killed_in(folder: Path) -> None:
    """A program in a folder with another thing called roadlog, killed while its task runs."""
    (folder / "roadlog").mkdir()
    (folder / "roadlog" / "__init__.py").write_text("raise SystemExit('another roadlog')")
    code = (
        "import os, sys, threading, time\n"
        "from pathlib import Path\n"
        f"sys.path.insert(0, {str(Path.cwd())!r})\n"
        "from roadlog.fleet.workers import Task, processes\n"
        "from tests.fleet.test_workers import _asleep, _loaded_from\n"
        "with processes(2) as run:\n"
        "    (done,) = run([Task('where', _loaded_from, ())])\n"
        "    Path('where').write_text(str(done.result))\n"
        "    [*run([Task('long', _asleep, (Path('begun'),))])]\n"
    )
    began = subprocess.Popen([sys.executable, "-P", "-c", code], cwd=folder)
    _until(lambda: (folder / "begun").exists())
    began.send_signal(signal.SIGKILL)
    began.wait()


def _until(true: Callable[[], bool], seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end
        time.sleep(0.05)


def _in(folder: Path) -> list[str]:
    """The processes that work in a folder."""
    found = []
    for at in Path("/proc").glob("[0-9]*/cwd"):
        with contextlib.suppress(OSError):
            if at.readlink() == folder:
                found.append(at.parent.name)
    return found


@pytest.mark.skipif(not Path("/proc/self/cwd").exists(), reason="asks the system for processes")
def test_processes_have_this_roadlog_and_end_with_it_however_it_ends(tmp_path: Path) -> None:
    _killed_in(tmp_path)
    assert (tmp_path / "where").read_text() == str(Path("roadlog").resolve())
    _until(lambda: not _in(tmp_path))
