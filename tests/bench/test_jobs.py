"""Long work: followed to its end, stopped, told when it died, found again after a restart."""

import asyncio
import json
import os
import signal
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from roadlog.bench.jobs import ALIVE, EVENTS, KEPT_JOBS, TASK, Job, Jobs, follow
from roadlog.errors import InputError
from roadlog.study.lock import hold, is_held, one_writer

WAIT_S = 60.0


def waited(job: Job) -> dict[str, Any]:
    until = time.monotonic() + WAIT_S
    while (end := job.end()) is None:
        assert time.monotonic() < until
        time.sleep(0.05)
    return end


def a_job(home: Path, name: str, events: list[dict[str, Any]], *, started: float = 0.0) -> Job:
    folder = home / name
    folder.mkdir(parents=True)
    (folder / TASK).write_text(
        json.dumps({"task": "analyze", "given": {"study": "s"}, "started": started})
    )
    (folder / EVENTS).write_text("".join(json.dumps(e) + "\n" for e in events))
    return Jobs(home).find(name)


def test_what_is_wrong_with_a_study_ends_the_work_with_its_sentence(tmp_path: Path) -> None:
    jobs = Jobs(tmp_path / "jobs")
    job = jobs.start("analyze", study=str(tmp_path))
    end = waited(job)
    assert end["code"] == 2
    assert "study.toml" in end["text"]
    assert jobs.find(job.name).end() == end


def test_a_worker_that_is_killed_is_told_in_one_sentence_with_its_log(tmp_path: Path) -> None:
    job = a_job(tmp_path, "dead", [{"kind": "progress", "what": "reading", "done": 1, "of": 9}])
    (job.folder / ALIVE).touch()
    end = job.end()
    assert end is not None
    assert end["code"] == 3
    assert str(job.folder / "log.txt") in end["text"]


def test_a_process_that_lives_is_known_by_its_lock_whatever_the_number(tmp_path: Path) -> None:
    job = a_job(tmp_path, "alive", [])
    handle = hold(job.folder / ALIVE)
    assert job.running
    assert job.end() is None
    os.close(handle)
    assert not job.running


def test_stopping_ends_the_process_and_says_so(tmp_path: Path) -> None:
    job = a_job(tmp_path, "going", [], started=time.time())
    code = (
        "import os, sys, time; from pathlib import Path; from roadlog.study.lock import hold; "
        "h = hold(Path(sys.argv[1])); os.write(h, str(os.getpid()).encode()); time.sleep(60)"
    )
    pid = os.posix_spawn(
        sys.executable, [sys.executable, "-c", code, str(job.folder / ALIVE)], dict(os.environ),
        setsid=True,
    )  # fmt: skip
    until = time.monotonic() + WAIT_S
    while not (job.running and (job.folder / ALIVE).read_text()):
        assert time.monotonic() < until
        time.sleep(0.05)
    job.stop()
    assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == -signal.SIGTERM
    end = job.end()
    assert end is not None
    assert end["text"] == "Stopped."


def test_following_begins_anywhere_and_ends_with_the_work(tmp_path: Path) -> None:
    events = [{"kind": "step", "name": "a"}, {"kind": "end", "code": 0, "text": "done"}]
    job = a_job(tmp_path, "done", events)

    async def heard(after: int) -> list[tuple[int, dict[str, Any]]]:
        return [x async for x in follow(job, after)]

    everything = asyncio.run(heard(0))
    assert [e for _, e in everything] == events
    size = len(json.dumps(events[0])) + 1
    assert [e for _, e in asyncio.run(heard(size))] == events[1:]


def test_half_a_line_is_waited_for(tmp_path: Path) -> None:
    job = a_job(tmp_path, "half", [{"kind": "step", "name": "a"}])
    with (job.folder / EVENTS).open("a") as file:
        file.write('{"kind": "st')
    events, after = job.events()
    assert [e["name"] for e in events] == ["a"]
    assert after == len(json.dumps({"kind": "step", "name": "a"})) + 1


@pytest.mark.parametrize("name", ["", "..", "../jobs", "a/b", "none", "x" * 300, "É"])
def test_no_other_folder_is_a_job(tmp_path: Path, name: str) -> None:
    (tmp_path / "jobs").mkdir()
    with pytest.raises(InputError, match="no work named"):
        Jobs(tmp_path / "jobs").find(name)


def test_old_work_is_forgotten_and_the_latest_found(tmp_path: Path) -> None:
    for i in range(KEPT_JOBS + 5):
        a_job(tmp_path, f"{i:04d}", [{"kind": "end", "code": 0, "text": ""}])
    jobs = Jobs(tmp_path)
    jobs._forget_old()
    assert len(jobs.all()) == KEPT_JOBS
    latest = jobs.latest("analyze", "s")
    assert latest is not None
    assert latest.name == f"{KEPT_JOBS + 4:04d}"
    assert jobs.latest("analyze", "another") is None


def test_one_writer_at_a_time_and_none_after_a_crash(tmp_path: Path) -> None:
    with one_writer(tmp_path, "an analysis"):
        with (
            pytest.raises(InputError, match="an analysis is writing here"),
            one_writer(tmp_path, "x"),
        ):
            pass
        child = os.fork()
        if child == 0:
            os._exit(0)
        os.waitpid(child, 0)
    code = "import sys; from pathlib import Path; from roadlog.study.lock import *; "
    code += "c = one_writer(Path(sys.argv[1]), 'dead'); c.__enter__(); import os; os._exit(9)"
    pid = os.posix_spawn(
        sys.executable, [sys.executable, "-c", code, str(tmp_path)], dict(os.environ)
    )
    os.waitpid(pid, 0)
    with one_writer(tmp_path, "the next"):
        assert is_held(tmp_path / ".roadlog.lock")
