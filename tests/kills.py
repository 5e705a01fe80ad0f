"""A program killed for good at each step that it takes with its files, one step later each time."""

import os
import shutil
import signal
import sys
from collections.abc import Callable
from pathlib import Path

_STEPS = ("open", "os.rename", "os.chmod", "os.remove", "os.mkdir", "tempfile.mkstemp")


def killed_at_step(step: int, act: Callable[[], object]) -> bool:
    """Run `act` in a process of its own, killed (SIGKILL) at its n-th step; whether it was.

    A step is the opening, renaming, removing or changing of a file, a bringing to the disk (before
    and after), or the middle of a copy.
    """
    child = os.fork()
    if child:
        _, status = os.waitpid(child, 0)
        if os.WIFSIGNALED(status):
            assert os.WTERMSIG(status) == signal.SIGKILL
            return True
        assert os.WEXITSTATUS(status) == 0
        return False
    try:
        _arm(step)
        act()
    except BaseException:
        os._exit(3)
    os._exit(0)


def _arm(step: int) -> None:
    left = [step]

    def passed() -> None:
        left[0] -= 1
        if left[0] < 0:
            os.kill(os.getpid(), signal.SIGKILL)

    def hook(event: str, _arguments: object) -> None:
        if event in _STEPS:
            passed()

    sync = os.fsync

    def fsync(handle: int) -> None:
        passed()
        sync(handle)
        passed()

    def copyfile(source: Path, target: Path) -> None:
        raw = Path(source).read_bytes()
        with Path(target).open("wb") as out:
            out.write(raw[: len(raw) // 2])
            out.flush()
            passed()
            out.write(raw[len(raw) // 2 :])

    os.fsync = fsync
    shutil.copyfile = copyfile  # type: ignore[assignment]
    sys.addaudithook(hook)
