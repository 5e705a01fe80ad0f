"""Where a fleet's tasks are done: here, in processes of this computer, or on a cluster.

Tasks go in one by one and results come out as they are done, never more in flight than the workers
can hold. A task that fails or whose worker dies is told with why; it never ends the work.
"""

import itertools
import math
import multiprocessing
import os
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from roadlog.errors import DesignError, InputError, RoadlogError
from roadlog.fleet.facts import LeftOut
from roadlog.quantities.facts import Fact
from roadlog.study.durable import disk_failed
from roadlog.study.keys import libraries
from roadlog.study.own_code import code_sha256

MOST_IN_BATCH, LEAST_BATCHES = 256, 4000  # of short tasks: a batch is one to those who do them
ASK_S = 1.0  # between two looks at how many workers a cluster has
MOST_TRIES = 3  # of one task, each after its worker died or its disk failed
PER_WORKER = 2  # tasks in flight: one being done and one waiting
NO_WORKER_S = 60.0  # without any worker, before a cluster is given up


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
            raise DiskFailed(
                f"{e.filename or 'the disk'}: {e.strerror}: make room and run it again; what is "
                "done is kept"
            ) from e
        where = f"{e.filename}: " if e.filename else ""
        return Done(task, lost=LeftOut.UNREADABLE(why=f"{where}{e.strerror or e}"), again=True)
    except MemoryError:
        return Done(task, lost=LeftOut.BROKE(what="out of memory"), again=True)
    except Exception as e:
        what = f"{type(e).__name__}: {e}"[:300]
        return Done(task, lost=LeftOut.BROKE(what=" ".join(what.split())))


def _retried(done: Done) -> Task | None:
    """The task once more, if that may help."""
    if done.again and done.task.tries < MOST_TRIES:
        return replace(done.task, tries=done.task.tries + 1)
    return None


def _dead(task: Task) -> Done:
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
            if (retried := _retried(one)) is None:
                yield one
            else:
                again.append(retried)
    if again:
        yield from run(again)


def batch_done(tasks: Sequence[Task]) -> list[Done]:
    """Do some tasks, one after the other."""
    return [done_of(task) for task in tasks]


def serial(tasks: Iterable[Task]) -> Iterator[Done]:
    """Do the tasks here, one after the other."""
    for task in tasks:
        done = done_of(task)
        while (again := _retried(done)) is not None:
            done = done_of(again)
        yield done


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
        fresh = itertools.chain(_taken(todo), left)
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
            again = _retried(done)
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
    """New processes from one that has the libraries loaded and no threads, where there is that."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["roadlog.fleet.one_vehicle"])
    return context


class _Pool:
    """A pool that can be renewed when a process of it died."""

    def __init__(self, n: int) -> None:
        self.n = n
        self.pool = self._new()

    def _new(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(self.n, mp_context=_start_method())

    def submit(self, task: Task) -> "Future[Done]":
        try:
            return self.pool.submit(done_of, task)
        except BrokenProcessPool:
            self.renew()
            return self.pool.submit(done_of, task)

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
                return _dead(task)
            task = replace(task, tries=task.tries + 1)
            continue
        again = _retried(done)
        if again is None:
            return done
        task = again


def usual_workers() -> int:
    """As many processes as this one may use cores."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def cluster(address: str) -> Iterator[Run]:
    """The Dask cluster whose scheduler is at `address`.

    Raises
    ------
    InputError
        If the extra isn't installed, nothing answers there, or its workers have other code.
    """
    try:
        import distributed
    except ImportError as e:
        raise InputError(
            "--scheduler needs the extra 'fleet': pip install 'roadlog[fleet]', or leave it out to "
            "work in processes of this computer"
        ) from e
    try:
        client: Any = distributed.Client(  # type: ignore[no-untyped-call,unused-ignore]
            address, timeout="5s"
        )
    except (OSError, ValueError, TimeoutError) as e:
        raise InputError(
            f"--scheduler {address}: no scheduler answers there: start one with 'dask scheduler' "
            "and workers with 'dask worker', or correct the address"
        ) from e
    with client:
        try:
            _require_same_everywhere(client)
        except InputError as e:
            raise InputError(f"--scheduler {address}: {e}") from e
        yield partial(_on_cluster, client)


State = tuple[str, tuple[tuple[str, str], ...]]


def own_state() -> State:
    """What results depend on beside their input: roadlog's own code, its libraries' versions."""
    return code_sha256(), libraries()


def _require_same(theirs: object, ours: State, worker: str) -> None:
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


def _require_same_everywhere(client: Any) -> None:
    client.wait_for_workers(1, timeout=NO_WORKER_S)
    for worker, state in client.run(own_state, on_error="return").items():
        _require_same(state, own_state(), str(worker))


def done_there(state: State, task: Task) -> Done:
    """Do a task in a cluster's worker, which may have joined after the others were looked at.

    Raises
    ------
    DiskFailed, InputError
        As `done_of`; or if the worker has another state.
    """
    if own_state() != state:
        from distributed import get_worker

        _require_same(own_state(), state, get_worker().address)
    return done_of(task)


class _Cluster:
    """Tasks in flight on a cluster, and which of them went with a worker that was lost."""

    def __init__(self, client: Any) -> None:
        self.client, self.state = client, own_state()
        self.flight: dict[Any, Task] = {}
        self.lost: Counter[str] = Counter()
        client.subscribe_topic("all", self._heard)

    def _heard(self, event: tuple[float, Any]) -> None:
        """Dask tells of a worker that is gone, and of what it was to do; it goes to another."""
        told = event[1]
        if isinstance(told, dict) and told.get("action") == "remove-worker":
            self.lost.update(str(key) for key in told.get("processing-tasks", ()))

    def submit(self, task: Task) -> Any:
        """Hand a task out; its future."""
        future = self.client.submit(done_there, self.state, task, pure=False, retries=0)
        self.flight[future] = task
        return future

    def taken_in(self, future: Any) -> tuple[Task, Done | None]:
        """A task that is through, and how; None where too many workers died of it.

        Raises
        ------
        DesignError, InputError
            If the scheduler was lost, or a worker can't do tasks.
        """
        import distributed

        task = self.flight.pop(future)
        task = replace(task, tries=task.tries + self.lost.pop(str(future.key), 0))
        try:
            done: Done = future.result()
        except distributed.KilledWorker:
            return task, None
        except distributed.CancelledError as e:
            raise DesignError(
                "the scheduler was lost: start it and run this again; what is done is kept"
            ) from e
        except (ImportError, AttributeError) as e:
            raise InputError(
                f"a worker of the cluster can't do a task ({e}): install the same roadlog there"
            ) from e
        finally:
            future.release()
        return task, replace(done, task=task)

    def close(self) -> None:
        """Hear no more."""
        self.client.unsubscribe_topic("all")


def _on_cluster(client: Any, tasks: Iterable[Task]) -> Iterator[Done]:
    there = _Cluster(client)
    try:
        yield from _all_on(there, tasks)
    finally:
        there.close()


def _all_on(there: _Cluster, tasks: Iterable[Task]) -> Iterator[Done]:
    left, todo, suspects = iter(tasks), list[Task](), list[Task]()
    alive, asked, threads = time.monotonic(), -math.inf, 0
    alone: Any = None
    while True:
        if not threads or time.monotonic() - asked > ASK_S:
            workers = there.client.scheduler_info(n_workers=-1)["workers"]
            threads = sum(int(w["nthreads"]) for w in workers.values())
            asked = time.monotonic()
        alive = time.monotonic() if threads else alive
        if time.monotonic() - alive > NO_WORKER_S:
            raise DesignError(
                "the cluster has had no worker for a minute: start workers and run it again; what "
                "is done is kept"
            )
        room = max(0, PER_WORKER * max(threads, 1) - len(there.flight))
        for task in itertools.islice(itertools.chain(_taken(todo), left), room):
            there.submit(task)
        if not there.flight and not suspects:
            return
        if not there.flight:
            alone = there.submit(suspects.pop())
        for future in _ready(list(there.flight)):
            task, done = there.taken_in(future)
            if done is None and future is alone:
                yield _dead(task)
            elif done is None:  # workers that died beside it may have been another task's
                suspects.append(task)
            elif (again := _retried(done)) is None:
                yield done
            else:
                todo.append(again)


def _taken(todo: list[Task]) -> Iterator[Task]:
    while todo:
        yield todo.pop(0)


def _ready(futures: list[Any]) -> list[Any]:
    """Those that are done, after a second at the most."""
    from distributed import wait as wait_for

    waiting: Any = wait_for
    try:
        return list(waiting(futures, timeout=1.0, return_when="FIRST_COMPLETED").done)
    except TimeoutError:
        return []
