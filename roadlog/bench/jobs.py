"""Long work in processes of its own: started, followed, stopped, and found again after a restart.

A job is a folder: `task.json` says what is done, `events.jsonl` is what the worker told so far,
`log.txt` what went to standard error. The worker holds a lock on `alive` as long as it lives, so
that a job that ended without a word is told from one that still works, whoever started it.
"""

import asyncio
import contextlib
import json
import os
import re
import secrets
import shutil
import signal
import subprocess
import sys
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from roadlog.errors import InputError
from roadlog.study.durable import atomic_write, make_folder
from roadlog.study.lock import is_held

TASK = "task.json"
EVENTS = "events.jsonl"
LOG = "log.txt"
ALIVE = "alive"
KEPT_JOBS = 30
_NAME = re.compile(r"[a-z0-9-]{1,40}")
LOOK_EVERY_S = 0.15
STARTS_WITHIN_S = 20.0
ENDED_ALONE = (
    "The work ended without a word: nothing that was there before is lost. What it last said is in "
    "{log}."
)


@dataclass(frozen=True)
class Job:
    """One piece of long work; `task` names a function of `tasks`, `given` its arguments."""

    folder: Path
    name: str
    task: str
    given: Mapping[str, Any]
    started: float

    @property
    def running(self) -> bool:
        """Whether its process lives."""
        return is_held(self.folder / ALIVE)

    def events(self, after: int = 0) -> tuple[list[dict[str, Any]], int]:
        """What was told after that many bytes, and how many bytes there are now."""
        try:
            with (self.folder / EVENTS).open("rb") as file:
                file.seek(after)
                text = file.read()
        except OSError:
            return [], after
        whole = text[: text.rfind(b"\n") + 1]
        return [json.loads(line) for line in whole.splitlines()], after + len(whole)

    def end(self) -> dict[str, Any] | None:
        """How it ended, None while it works."""
        last = next((e for e in reversed(self.events()[0]) if e["kind"] == "end"), None)
        if last is not None or self.running or self._starting():
            return last
        told = ENDED_ALONE.format(log=self.folder / LOG)
        stopped = (self.folder / "stopped").exists()
        return {"kind": "end", "code": 3, "text": "Stopped." if stopped else told}

    def _starting(self) -> bool:
        import time

        alive = (self.folder / ALIVE).exists()
        return not alive and time.time() - self.started < STARTS_WITHIN_S

    def stop(self) -> None:
        """End its process and those that it started."""
        if not self.running:
            return
        (self.folder / "stopped").touch()
        pid = int((self.folder / ALIVE).read_text() or 0)
        if pid > 1:
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(pid, signal.SIGTERM)


@dataclass(frozen=True)
class Jobs:
    """All jobs of a bench, in `home`."""

    home: Path

    def start(self, task: str, *, handed: Mapping[str, str] | None = None, **given: Any) -> Job:
        """Start a task of `tasks` in a process of its own.

        `handed` are further arguments that are never written down, such as a passphrase.
        """
        import time

        name = f"{time.time_ns():x}-{secrets.token_hex(4)}"
        folder = self.home / name
        make_folder(folder)
        started = time.time()
        text = json.dumps({"task": task, "given": given, "started": started}) + "\n"
        atomic_write(folder / TASK, partial(Path.write_text, data=text))
        with (folder / LOG).open("wb") as log:
            worker = subprocess.Popen(
                [sys.executable, "-P", "-m", "roadlog.bench.worker", str(folder)],
                stdin=subprocess.PIPE, stdout=log, stderr=log, start_new_session=True,
                cwd=folder,
            )  # fmt: skip
        with contextlib.suppress(BrokenPipeError), worker.stdin or contextlib.nullcontext() as pipe:
            if pipe is not None:
                pipe.write(json.dumps(dict(handed or {})).encode())
        self._forget_old()
        return Job(folder, name, task, given, started)

    def find(self, name: str) -> Job:
        """A job by its name.

        Raises
        ------
        InputError
            If there is none.
        """
        folder = self.home / name
        if not _NAME.fullmatch(name) or not (folder / TASK).is_file():
            raise InputError(f"there is no work named '{name[:60]}' here (any more)")
        told = json.loads((folder / TASK).read_text(encoding="utf-8"))
        return Job(folder, name, told["task"], told["given"], told["started"])

    def all(self) -> list[Job]:
        """Every job that is kept, the latest first."""
        names = sorted((p.parent.name for p in self.home.glob(f"*/{TASK}")), reverse=True)
        return [self.find(n) for n in names]

    def latest(self, task: str, study: str) -> Job | None:
        """The latest job of a task on a study."""
        return next((j for j in self.all() if j.task == task and j.given["study"] == study), None)

    def _forget_old(self) -> None:
        for job in self.all()[KEPT_JOBS:]:
            if not job.running:
                shutil.rmtree(job.folder, ignore_errors=True)


async def follow(job: Job, after: int = 0) -> AsyncIterator[tuple[int, dict[str, Any]]]:
    """Events with the bytes that were read, until the job's end; begins again anywhere."""
    while True:
        events, after = job.events(after)
        for event in events:
            yield after, event
            if event["kind"] == "end":
                return
        if not events and (end := job.end()) is not None:
            yield after, end
            return
        await asyncio.sleep(LOOK_EVERY_S)
