"""Where a fleet's tasks are done: here or in processes of this computer (`cluster`: on Dask).

Tasks go in one by one and results come out as they are done, never more in flight than the workers
can hold. A task that fails or whose worker dies is told with why; it never ends the work.
"""

import itertools
import multiprocessing
import os
import platform
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import forkserver
from pathlib import Path
from typing import Any

from roadlog.errors import InputError, RoadlogError
from roadlog.fleet.facts import LeftOut
from roadlog.quantities.facts import Fact
from roadlog.study.durable import disk_failed
from roadlog.study.keys import libraries
from roadlog.study.own_code import code_sha256

MOST_IN_BATCH, LEAST_BATCHES = 256, 4000  # of short tasks: a batch is one to those who do them
MOST_TRIES = 3  # of one task, each after its worker died or its disk failed
PER_WORKER = 2  # tasks in flight: one being done and one waiting


@dataclass(frozen=True)
class Task:
    """A call of a module's function, named for whoever reads the list of what was left out.

    `tries` is how often it was begun: more than once where a worker died, or a disk failed.
    """

    name: str
    call: Callable[..., Any]
    arguments: tuple[Any, ...]
    tries: int = 1


@dataclass(frozen=True)
class Done:
    """A task that came to its end: its result, or why it has none."""

    task: Task
    result: Any = None
    lost: Fact | None = None
    again: bool = False  # may go well another time: a disk or memory failed


class DiskFailed(InputError):
    """The disk that results go to is full or can't be written: the work stops, nothing is lost."""


def no_room(error: OSError, where: str = "the disk") -> DiskFailed:
    """What is told of a disk that is full or can't be written to."""
    why = os.strerror(error.errno) if error.errno else str(error)
    return DiskFailed(
        f"{error.filename or where}: {why}: make room and run it again; what is done is kept"
    )


Run = Callable[[Iterable[Task]], Iterator[Done]]


def done_of(task: Task) -> Done:
    """Do a task; whatever it raises becomes part of what is told.

    Raises
    ------
    DiskFailed
        If the disk is full: then every task would fail.
    """
    try:
        return Done(task, task.call(*task.arguments))
    except DiskFailed:
        raise
    except RoadlogError as e:
        kind = LeftOut.UNREADABLE if isinstance(e, InputError) else LeftOut.NO_ANSWER
        return Done(task, lost=kind(why=str(e)))
    except OSError as e:
        if disk_failed(e):
            raise no_room(e) from e
        where = f"{e.filename}: " if e.filename else ""
        return Done(task, lost=LeftOut.UNREADABLE(why=f"{where}{e.strerror or e}"), again=True)
    except MemoryError:
        return Done(task, lost=LeftOut.BROKE(what="out of memory"), again=True)
    except Exception as e:
        what = f"{type(e).__name__}: {e}"[:300]
        return Done(task, lost=LeftOut.BROKE(what=" ".join(what.split())))


def retried(done: Done) -> Task | None:
    """The task once more, if that may help."""
    if done.again and done.task.tries < MOST_TRIES:
        return replace(done.task, tries=done.task.tries + 1)
    return None


def dead(task: Task) -> Done:
    """A task that too many processes died of."""
    return Done(task, lost=LeftOut.DIED(n=task.tries))


def noting(run: Run, again: dict[str, int]) -> Run:
    """The same, but for each task that was begun more than once `again` gets its name and times."""

    def noted(tasks: Iterable[Task]) -> Iterator[Done]:
        for done in run(tasks):
            if (n := done.task.tries) > 1:
                batch = done.task.call is batch_done
                for task in done.task.arguments[0] if batch else (done.task,):
                    again[task.name] = max(n, again.get(task.name, 0))
            yield done

    return noted


State = tuple[str, tuple[tuple[str, str], ...]]


def own_state() -> State:
    """What results depend on beside their input: roadlog's own code, its libraries' versions."""
    return code_sha256(), libraries()


def require_same(theirs: object, ours: State, worker: str) -> None:
    """Refuse a worker whose results could be others.

    Raises
    ------
    InputError
        Naming what differs.
    """
    if theirs == ours:
        return
    if not isinstance(theirs, tuple):
        what = f"no roadlog that answers ({theirs})"
    elif theirs[0] != ours[0]:
        what = "another state of roadlog's code"
    else:
        pairs = zip(theirs[1], ours[1], strict=False)
        what = ", ".join(f"{n} {v or 'missing'} (here {w or 'missing'})"
                         for (n, v), (_, w) in pairs if v != w)  # fmt: skip
    raise InputError(
        f"the worker at {worker} has {what}: install the same there, so that all results are alike"
    )


def done_there(state: State, task: Task) -> Done:
    """Do a task in another process, which may be of another state: a worker that joined late.

    Raises
    ------
    DiskFailed, InputError
        As `done_of`; or if the worker has another state.
    """
    if own_state() != state:
        require_same(own_state(), state, f"{platform.node()}, process {os.getpid()},")
    return done_of(task)


def in_batches(run: Run, tasks: Iterable[Task], total: int) -> Iterator[Done]:
    """Do `total` short tasks, several at a time where there are many: handing one out takes time.

    What a batch didn't bring to an end (its worker died, or a disk failed) is done task by task.
    """
    size = min(max(total // LEAST_BATCHES, 1), MOST_IN_BATCH)
    if size == 1:
        yield from run(tasks)
        return
    left = iter(tasks)
    batches = iter(lambda: tuple(itertools.islice(left, size)), ())
    again: list[Task] = []
    for done in run(Task(b[0].name, batch_done, (b,)) for b in batches):
        if done.lost is not None:
            again += [replace(t, tries=t.tries + 1) for t in done.task.arguments[0]]
            continue
        for one in done.result:
            if (once_more := retried(one)) is None:
                yield one
            else:
                again.append(once_more)
    if again:
        yield from run(again)


def batch_done(tasks: Sequence[Task]) -> list[Done]:
    """Do some tasks, one after the other."""
    return [done_of(task) for task in tasks]


def serial(tasks: Iterable[Task]) -> Iterator[Done]:
    """Do the tasks here, one after the other."""
    for task in tasks:
        done = done_of(task)
        while (again := retried(done)) is not None:
            done = done_of(again)
        yield done


def taken(todo: list[Task]) -> Iterator[Task]:
    """The tasks of a list that may grow meanwhile, each taken out of it."""
    while todo:
        yield todo.pop(0)


@contextmanager
def processes(n: int) -> Iterator[Run]:
    """Processes of this computer, `n` of them, that do tasks as long as they are held."""
    if n <= 1:
        yield serial
        return
    with _Pool(n) as pool:
        yield partial(_in_pool, pool)


def _in_pool(pool: "_Pool", tasks: Iterable[Task]) -> Iterator[Done]:
    left = iter(tasks)
    suspects: list[Task] = []
    todo: list[Task] = []
    flight: dict[Future[Done], Task] = {}
    while True:
        fresh = itertools.chain(taken(todo), left)
        for task in itertools.islice(fresh, max(0, PER_WORKER * pool.n - len(flight))):
            flight[pool.submit(task)] = task
        if not flight:
            break
        ready, _ = wait(flight, return_when=FIRST_COMPLETED)
        broken = False
        for future in ready:
            task = flight.pop(future)
            try:
                done = future.result()
            except BrokenProcessPool:
                suspects.append(replace(task, tries=task.tries + 1))
                broken = True
                continue
            again = retried(done)
            if again is None:
                yield done
            else:
                todo.append(again)
        if broken:
            suspects += [replace(t, tries=t.tries + 1) for t in flight.values()]
            flight.clear()
            pool.renew()
    yield from _one_by_one(suspects)


def _start_method() -> multiprocessing.context.BaseContext:
    """New processes from one that has the libraries loaded and no threads, where there is that.

    That one looks for modules where this process does, never in the folder that it is called from:
    another roadlog that lies there isn't this one.
    """
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["roadlog.fleet.one_vehicle"])
    paths = os.pathsep.join(str(Path(p).resolve()) for p in sys.path)
    with _environment(PYTHONSAFEPATH="1", PYTHONPATH=paths):
        forkserver.ensure_running()
    return context


@contextmanager
def _environment(**values: str) -> Iterator[None]:
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _end_with_parent() -> None:
    """End this process when the one that started it is gone, however it went."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_outlived, args=(parent,), daemon=True).start()


def _outlived(parent: Any) -> None:
    parent.join()
    os._exit(1)


class _Pool:
    """A pool that can be renewed when a process of it died."""

    def __init__(self, n: int) -> None:
        self.n = n
        self.state = own_state()
        self.pool = self._new()

    def _new(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(self.n, mp_context=_start_method(), initializer=_end_with_parent)

    def submit(self, task: Task) -> "Future[Done]":
        try:
            return self.pool.submit(done_there, self.state, task)
        except BrokenProcessPool:
            self.renew()
            return self.pool.submit(done_there, self.state, task)

    def renew(self) -> None:
        self.pool.shutdown(wait=False, cancel_futures=True)
        self.pool = self._new()

    def __enter__(self) -> "_Pool":
        return self

    def __exit__(self, *_: object) -> None:
        self.pool.shutdown(wait=True, cancel_futures=True)


def _one_by_one(suspects: Iterable[Task]) -> Iterator[Done]:
    """Tasks in flight when a process died, each alone, so that the guilty one is known."""
    todo = list(suspects)
    if not todo:
        return
    with _Pool(1) as pool:
        for suspect in todo:
            yield _alone(pool, suspect)


def _alone(pool: _Pool, task: Task) -> Done:
    while True:
        try:
            done = pool.submit(task).result()
        except BrokenProcessPool:
            pool.renew()
            if task.tries >= MOST_TRIES:
                return dead(task)
            task = replace(task, tries=task.tries + 1)
            continue
        again = retried(done)
        if again is None:
            return done
        task = again


def usual_workers() -> int:
    """As many processes as this one may use cores."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
