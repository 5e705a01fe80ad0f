"""Recording itself: poller and receiver in their threads, the session in this one, until stopped.

In come a setup and where adapter and receiver are; out come journals in the study. A termination
signal stops it cleanly; a kill or a loss of power loses at most what the journal says it may.
"""

import logging
import queue
import signal
import threading
from collections.abc import Callable
from contextlib import nullcontext
from functools import partial
from types import FrameType

from roadlog.ingest.journal.clock import now_s
from roadlog.recorder.adapter import Adapter
from roadlog.recorder.events import Connected, Event, Lost, PositionTrouble
from roadlog.recorder.gps import Receiver, follow
from roadlog.recorder.memory import Memory, recall, remember
from roadlog.recorder.poller import Poller, Settings
from roadlog.recorder.session import Session, Setup
from roadlog.study.recording import Shown, only_one

_QUEUE = 10_000
_TICK_S = 0.2
RESTART_AFTER_S = 5.0
_SEARCH_EVERY = 3
_CHECK_S = 12.0
_CHECK_AT_MOST_S = 60.0


def record(
    setup: Setup,
    settings: Settings,
    *,
    port: str,
    baud: int | None,
    receiver: Receiver | None,
    say: Callable[[str], None],
    once: bool = False,
    check: bool = False,
) -> int:
    """Record until stopped (`once`: until one run has ended); return the exit code.

    With `check` nothing is written: the rates are shown once and 1 is returned if the vehicle
    didn't answer.

    Raises
    ------
    InputError
        If the study is being recorded already.
    """
    with nullcontext(_nobody) if check else only_one(setup.folder) as show:
        return _record(
            setup, settings, port=port, baud=baud, receiver=receiver, say=say, once=once,
            check=check, show=show,
        )  # fmt: skip


def _nobody(_now: Shown) -> None:
    """Nobody looks."""


def _record(
    setup: Setup,
    settings: Settings,
    *,
    port: str,
    baud: int | None,
    receiver: Receiver | None,
    say: Callable[[str], None],
    once: bool,
    check: bool,
    show: Callable[[Shown], None],
) -> int:
    memory = recall(setup.folder)
    stop, parked = threading.Event(), threading.Event()
    _stop_on_signals(stop)
    events: queue.Queue[Event] = queue.Queue(_QUEUE)
    session = Session(setup, memory, say, parked, dry=check, begun_s=now_s())
    opener = Opener(port, baud, memory.protocol)
    poller = Poller(opener.open, events.put, settings, stop, parked)
    threads = [_supervised("poller", poller.run, lambda why: events.put(Lost(now_s(), why)), stop)]
    if receiver is not None:
        threads.append(
            _supervised(
                "receiver",
                partial(follow, receiver, events.put, stop),
                lambda why: events.put(PositionTrouble(now_s(), why)),
                stop,
            )
        )
    for thread in threads:
        thread.start()
    try:
        answered = _loop(session, events, stop, setup, once=once, check=check, say=say, show=show)
    finally:
        stop.set()
        session.close(now_s())
    for thread in threads:
        thread.join(2.0)
    return 0 if answered or not check else 1


def _supervised(
    name: str, act: Callable[[], object], trouble: Callable[[str], object], stop: threading.Event
) -> threading.Thread:
    """A thread that does `act` until `stop` is set; should it end before, it is told and redone."""

    def keep() -> None:
        while not stop.is_set():
            why = "it ended by itself"
            try:
                act()
            except Exception as e:  # whatever it is, the drive goes on and so does the recorder
                logging.getLogger(__name__).exception("%s failed", name)
                why = f"unexpected trouble ({type(e).__name__})"
            if not stop.is_set():
                trouble(why)
                stop.wait(RESTART_AFTER_S)

    return threading.Thread(target=keep, name=name, daemon=True)


class Opener:
    """Opens the adapter with the protocol that worked before; every third time without an answer
    it searches, since it may be another vehicle. Mostly the ignition is off, and a search then
    would only take time when it comes on."""

    def __init__(
        self,
        port: str,
        baud: int | None,
        protocol: str,
        adapter: Callable[[str, int | None, str | None], Adapter] = Adapter,
    ) -> None:
        self._port, self._baud, self._adapter = port, baud, adapter
        self._protocol: str | None = protocol or None
        self._unanswered = 0

    def open(self) -> Adapter:
        """An open adapter; AdapterLost if there is none."""
        search = self._unanswered % _SEARCH_EVERY == _SEARCH_EVERY - 1
        adapter = self._adapter(self._port, self._baud, None if search else self._protocol)
        if adapter.vehicle_answers:
            self._protocol, self._unanswered = adapter.protocol, 0
        else:
            self._unanswered += 1
        return adapter


def _loop(
    session: Session,
    events: "queue.Queue[Event]",
    stop: threading.Event,
    setup: Setup,
    *,
    once: bool,
    check: bool,
    say: Callable[[str], None],
    show: Callable[[Shown], None],
) -> bool:
    begun = connected = now_s()
    answered = False
    lost = ""
    while not stop.is_set():
        try:
            event = events.get(timeout=_TICK_S)
        except queue.Empty:
            event = None
        if event is not None:
            session.handle(event)
            if isinstance(event, Connected) and event.plan is not None:
                connected, answered = now_s(), True
                if not check:
                    _keep(setup, session.memory)
            if isinstance(event, Lost) and not answered and event.reason != lost:
                lost = event.reason
                say(f"waiting for the adapter: {lost}")
        now = now_s()
        session.tick(now)
        show(session.shows(now))
        if once and session.runs_ended:
            break
        if check and (now - connected > _CHECK_S if answered else now - begun > _CHECK_AT_MOST_S):
            if not answered:
                say("the vehicle didn't answer: switch the ignition on and check the plug")
            break
    return answered


def _keep(setup: Setup, memory: Memory) -> None:
    if recall(setup.folder) != memory:
        remember(setup.folder, memory)


def _stop_on_signals(stop: threading.Event) -> None:
    if threading.current_thread() is not threading.main_thread():
        return

    heard: list[int] = []

    def handler(number: int, _frame: FrameType | None) -> None:
        if not heard:  # a second signal within the first one's `set` would wait for itself for ever
            heard.append(number)
            stop.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, handler)
