"""A second process that does half of the work: what it is to do goes in, its results come out.

Runs don't know of each other, nor do figures of the map, so a second core can do them meanwhile.
Only the command line asks for it (`MAY_HELP`): a program that has threads of its own can't be
copied safely. Whatever the second process can't do, or doesn't come back from, is done here, so
that results, errors and their order are those of one process.
"""

import gc
import os
import pickle
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from contextvars import ContextVar
from multiprocessing.connection import Pipe
from typing import Any, TypeVar

T = TypeVar("T")
R = TypeVar("R")

MAY_HELP: ContextVar[bool] = ContextVar("MAY_HELP", default=False)
PATIENCE_S = 60.0  # for one result: who takes longer is stuck
FEWEST = 4  # things to do: below, a copy of this process costs more than it saves
_UNDONE = object()


def shared_out(
    work: Callable[[T], R], items: Sequence[T], small: Callable[[T], bool] = lambda _: True
) -> Iterator[R]:
    """`work` of each item in order, every other one by a second process where one may help.

    Parameters
    ----------
    work : callable
        What it changes beside its result is lost in a second process.
    items : sequence
    small : callable
        Whether an item's result is small enough to be handed from process to process.
    """
    theirs = [i for i in range(1, len(items), 2) if small(items[i])]
    if len(items) < FEWEST or not theirs or not _can_help():
        yield from map(work, items)
        return
    second = _Second(work, [items[i] for i in theirs])
    try:
        waiting = set(theirs)
        for i, item in enumerate(items):
            done: Any = second.next() if i in waiting else _UNDONE
            yield work(item) if done is _UNDONE else done
    finally:
        second.end()


def meanwhile(work: Callable[[], R]) -> Callable[[], R]:
    """Begin some work in a second process where one may help; what is returned waits for it."""
    if not _can_help():
        return work
    second = _Second(lambda _: work(), [None])

    def result() -> R:
        try:
            done = second.next()
        finally:
            second.end()
        return work() if done is _UNDONE else done

    return result


def _can_help() -> bool:
    """Whether there is a second core, and no thread that a copy would lack."""
    if not MAY_HELP.get() or not sys.platform.startswith("linux"):
        return False
    others = [t for t in threading.enumerate() if t is not threading.main_thread()]
    return len(os.sched_getaffinity(0)) > 1 and all(type(t).__name__ == "TMonitor" for t in others)


class _Second:
    """A copy of this process that works through some items and hands over each result."""

    def __init__(self, work: Callable[[Any], Any], items: Sequence[Any]) -> None:
        self._pipe, theirs = Pipe(duplex=False)
        self._process = 0
        # Ctrl-C waits meanwhile: it must not raise in the copy, which would go on as a second one.
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", DeprecationWarning)  # pyarrow's threads are at rest
                self._process = os.fork()
            if not self._process:
                self._work_through(work, items, theirs, before)
        except OSError:
            pass
        finally:
            theirs.close()
            signal.pthread_sigmask(signal.SIG_SETMASK, before)

    def _work_through(
        self, work: Callable[[Any], Any], items: Sequence[Any], pipe: Any, mask: Iterable[int]
    ) -> None:
        try:
            gc.freeze()  # looking through what the first process made would copy all of it
            signal.signal(signal.SIGINT, signal.SIG_DFL)
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)
            self._pipe.close()
            MAY_HELP.set(False)
            for item in items:
                try:
                    made = pickle.dumps((True, work(item)), protocol=5)
                except Exception:  # whatever it is, the first process meets it in its turn
                    made = pickle.dumps((False, None))
                pipe.send_bytes(made)
        finally:
            os._exit(0)

    def next(self) -> Any:
        """The next result; `_UNDONE` if there is none."""
        try:
            if self._process and self._pipe.poll(PATIENCE_S):
                done, made = pickle.loads(self._pipe.recv_bytes())
                return made if done else _UNDONE
        except (EOFError, OSError, pickle.UnpicklingError):
            pass
        self.end()
        return _UNDONE

    def __del__(self) -> None:
        self.end()

    def end(self) -> None:
        """End it, if it hasn't ended."""
        self._pipe.close()
        process, self._process = self._process, 0
        if process:
            with suppress(OSError):
                os.kill(process, signal.SIGKILL)
                os.waitpid(process, 0)
