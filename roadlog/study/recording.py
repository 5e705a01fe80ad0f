"""What the recorder of a study is doing now, for whoever looks; and that there is only one.

In come states from the recording process, out goes a line in a locked file of the study's folder.
The lock is the system's own, so a recorder that was killed shows nothing, and doesn't stand in the
way of the next.
"""

import contextlib
import json
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

from roadlog.errors import InputError
from roadlog.study.lock import hold, is_held

RECORDING = ".roadlog.recording"
State = Literal["recording", "waiting", "no adapter"]
STATES: tuple[State, ...] = ("recording", "waiting", "no adapter")
_TRIES = 5
_BETWEEN_S = 0.05
_LENGTH = 120
_TAKEN = "{folder} is being recorded already: that goes on by itself, a second start does nothing"


@dataclass(frozen=True)
class Shown:
    """A state, for how many whole minutes, and whether a run is open.

    A run stays open through a gap: the car may be moving though nothing is heard.
    """

    state: State = "no adapter"
    minutes: int = 0
    run_open: bool = False


def shown(folder: Path) -> Shown | None:
    """What the recorder of a study does, None if none lives.

    Of a recorder that has just begun, "no adapter": nothing has answered yet.
    """
    path = folder / RECORDING
    return (_last(path) or Shown()) if is_held(path) else None


def left(folder: Path) -> Shown | None:
    """What a recorder said last that died: None if one lives, or the last one ended by itself."""
    path = folder / RECORDING
    return None if is_held(path) else _last(path)


def _last(path: Path) -> Shown | None:
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        found = Shown(told["state"], int(told["minutes"]), bool(told["run_open"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return found if found.state in STATES else None


@contextmanager
def only_one(folder: Path) -> Iterator[Callable[[Shown], None]]:
    """Be the one recorder of a study; what it gives takes each state to show.

    Raises
    ------
    InputError
        If another one records.
    """
    handle = _held(folder)
    last: list[Shown] = []

    def tell(now: Shown) -> None:
        if last == [now]:
            return
        last[:] = [now]
        line = json.dumps(asdict(now)).ljust(_LENGTH) + "\n"
        with contextlib.suppress(OSError):  # a full disk is the journal's to tell
            os.pwrite(handle, line.encode(), 0)

    try:
        os.ftruncate(handle, 0)
        yield tell
    finally:
        with contextlib.suppress(OSError):
            os.ftruncate(handle, 0)  # it ended, it didn't die
        os.close(handle)


def _held(folder: Path) -> int:
    for _ in range(_TRIES):  # whoever looks holds it for an instant
        with contextlib.suppress(InputError):
            return hold(folder / RECORDING)
        time.sleep(_BETWEEN_S)
    raise InputError(_TAKEN.format(folder=folder))
