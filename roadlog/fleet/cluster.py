"""A fleet's tasks done on a Dask cluster, whatever happens to its workers.

Tasks go in and results come out as `roadlog.fleet.workers` has them; a worker that is lost costs
its tasks another beginning, one with other code or libraries is refused.
"""

import itertools
import math
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from typing import Any

from roadlog.errors import DesignError, InputError
from roadlog.fleet.workers import (
    PER_WORKER,
    Done,
    Run,
    Task,
    dead,
    done_there,
    own_state,
    require_same,
    retried,
    taken,
)

ASK_S = 1.0  # between two looks at how many workers a cluster has
NO_WORKER_S = 60.0  # without any worker, before a cluster is given up


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


def _require_same_everywhere(client: Any) -> None:
    client.wait_for_workers(1, timeout=NO_WORKER_S)
    for worker, state in client.run(own_state, on_error="return").items():
        require_same(state, own_state(), str(worker))


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
        for task in itertools.islice(itertools.chain(taken(todo), left), room):
            there.submit(task)
        if not there.flight and not suspects:
            return
        if not there.flight:
            alone = there.submit(suspects.pop())
        for future in _ready(list(there.flight)):
            task, done = there.taken_in(future)
            if done is None and future is alone:
                yield dead(task)
            elif done is None:  # workers that died beside it may have been another task's
                suspects.append(task)
            elif (again := retried(done)) is None:
                yield done
            else:
                todo.append(again)


def _ready(futures: list[Any]) -> list[Any]:
    """Those that are done, after a second at the most."""
    from distributed import wait as wait_for

    waiting: Any = wait_for
    try:
        return list(waiting(futures, timeout=1.0, return_when="FIRST_COMPLETED").done)
    except TimeoutError:
        return []
