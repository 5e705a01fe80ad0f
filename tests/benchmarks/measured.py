"""A fleet's tasks with a watch on each: CPU time by stage and peak memory, whoever does them.

`Watched` wraps what does tasks (`roadlog.fleet.workers`); each task then tells, beside its result,
the process that did it, what it took there and which stage took it. A stage that calls another
counts its own time alone.
"""

import importlib
import itertools
import os
import resource
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import wraps
from typing import Any

from roadlog.fleet.workers import Done, Run, Task, batch_done

KINDS = {  # what a fleet's tasks call, and the round of its work that they are
    "vehicle_rules": "dates", "read_source": "reading", "of_vehicle": "vehicles",
    "reduced": "model",
}  # fmt: skip
STAGES = {  # (module of roadlog, function): stage
    ("fleet.reading", "_digest"): "content hashed",
    ("fleet.reading", "_columnar"): "log read",
    ("fleet.reading", "_logged"): "log read",
    ("fleet.reading", "each_on_one_clock"): "time base",
    ("fleet.reading", "_mark"): "content hashed",
    ("fleet.reading", "write_samples"): "samples written",
    ("fleet.one_vehicle", "read_pieces"): "samples read back",
    ("fleet.one_vehicle", "_judged"): "runs judged",
    ("fleet.one_vehicle", "yardstick"): "calibration",
    ("fleet.one_vehicle", "with_levels_refused"): "calibration",
    ("fleet.one_vehicle", "metered_by"): "fuel flow",
    ("fleet.one_vehicle", "_network"): "finding the network",
    ("fleet.one_vehicle", "placed_runs"): "placing, conditions",
    ("fleet.one_vehicle", "build_passes"): "pass table",
    ("fleet.one_vehicle", "write_partitions"): "tables written",
    ("fleet.one_vehicle", "write_json"): "tables written",
    ("fleet.one_vehicle", "remove_others"): "tables written",
    ("fleet.answer", "read_partitions"): "tables read back",
    ("fleet.answer", "reduce_vehicle"): "stage one of the model",
}
OTHER = "the rest of a task"


@dataclass(frozen=True)
class Told:
    """What a task came to, and what it took in the process that did it."""

    result: Any
    pid: int
    stages_s: dict[str, float]
    process_s: float  # of CPU since the process began
    peak_mb: float


class _Watch:
    """CPU seconds by stage, each without the stages inside it."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self.open: list[str] = []
        self.since = 0.0

    def turn(self) -> None:
        """Book the time since the last turn on the stage that is open."""
        now = time.process_time()
        if self.open:
            self.seconds[self.open[-1]] += now - self.since
        self.since = now


_watch = _Watch()
_installed: list[bool] = []


def _timed(call: Callable[..., Any], stage: str) -> Callable[..., Any]:
    @wraps(call)
    def timed(*args: Any, **how: Any) -> Any:
        _watch.turn()
        _watch.open.append(stage)
        try:
            return call(*args, **how)
        finally:
            _watch.turn()
            _watch.open.pop()

    return timed


def _install() -> None:
    if _installed:
        return
    _installed.append(True)
    for (module, name), stage in STAGES.items():
        where = importlib.import_module(f"roadlog.{module}")
        setattr(where, name, _timed(getattr(where, name), stage))


def watched(call: Callable[..., Any], arguments: tuple[Any, ...]) -> Told:
    """Do a task and tell what it took."""
    _install()
    _watch.seconds.clear()
    result = _timed(call, OTHER)(*arguments)
    return Told(
        result, os.getpid(), dict(_watch.seconds), time.process_time(), peak_mb()
    )  # fmt: skip


def peak_mb() -> float:
    """The most memory that this process has held [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@dataclass
class Taken:
    """What one round of tasks took."""

    tasks: int = 0
    wall_s: float = 0.0
    client_s: float = 0.0  # CPU of the process that hands tasks out
    stages_s: dict[str, float] = field(default_factory=dict)


class Watched:
    """What does tasks, with a watch on each of a fleet's rounds."""

    def __init__(self, run: Run, seen: Callable[[str, int], None] | None = None) -> None:
        self.run, self.seen = run, seen
        self.rounds: dict[str, Taken] = {}
        self.process_s: dict[int, float] = {}
        self.peak_mb: dict[int, float] = {}

    def __call__(self, tasks: Iterable[Task]) -> Iterator[Done]:
        left = iter(tasks)
        first = next(left, None)
        if first is None:
            return
        kind = KINDS[(first.arguments[0][0] if first.call is batch_done else first).call.__name__]
        taken = self.rounds.setdefault(kind, Taken())
        wall, cpu = time.perf_counter(), time.process_time()
        every = itertools.chain([first], left)
        wrapped = (replace(t, call=watched, arguments=(t.call, t.arguments)) for t in every)
        for done in self.run(wrapped):
            taken.tasks += 1
            call, arguments = done.task.arguments
            plain = replace(done, task=replace(done.task, call=call, arguments=arguments))
            if done.lost is None:
                plain = replace(plain, result=self._note(taken, done.result))
            if self.seen is not None:
                self.seen(kind, taken.tasks)
            yield plain
        taken.wall_s += time.perf_counter() - wall
        taken.client_s += time.process_time() - cpu

    def _note(self, taken: Taken, told: Told) -> Any:
        for stage, seconds in told.stages_s.items():
            taken.stages_s[stage] = taken.stages_s.get(stage, 0.0) + seconds
        self.process_s[told.pid] = max(told.process_s, self.process_s.get(told.pid, 0.0))
        self.peak_mb[told.pid] = max(told.peak_mb, self.peak_mb.get(told.pid, 0.0))
        return told.result
