"""The recorder as a child of its job: started again by itself if it dies, a few times.

`python -m roadlog.bench.recorder` records as its first line of input says, by the code of `roadlog
record`, and stops cleanly once that input ends: so no recorder outlives the job that can end it.
What it says goes to the standard output, a line of JSON each.
"""

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from roadlog.errors import InputError, RoadlogError
from roadlog.study.recording import left

MOST_STARTS = 5  # after the first; a life of `LONG_S` makes up for all deaths before it
LONG_S = 900.0
AGAIN_AFTER_S = 2.0
_LOOK_S = 0.1  # between two looks whether it is to stop
DIED = (
    "The recorder died while it was at work. What it had written is kept, and it is started again: "
    "within a quarter of an hour the same run goes on ({n} of {most})."
)
GIVEN_UP = (
    "The recorder died {n} times, and isn't started again. What it had written is kept. Look at "
    "the adapter and its cable, and start it again: within a quarter of an hour the same run goes "
    "on."
)
Given = dict[str, str]


def kept_alive(
    folder: Path,
    given: Given,
    tell: Callable[..., None],
    again_after_s: float = AGAIN_AFTER_S,
) -> dict[str, Any]:
    """Record until stopped; a recorder that dies at its work is told and started again."""
    stopped: list[int] = []  # no Event: a signal within its lock would wait for itself for ever
    children: list[subprocess.Popen[str]] = []

    def stop(number: int, _frame: object) -> None:
        stopped.append(number)
        for child in children:
            child.terminate()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    deaths = 0
    while True:
        begun = time.monotonic()
        end = _one_life(given, tell, children)
        if end is not None:
            return end
        if stopped or left(folder) is None:
            return {"code": 3 if left(folder) else 0, "text": "Recording was stopped."}
        deaths = 1 if time.monotonic() - begun > LONG_S else deaths + 1
        if deaths > MOST_STARTS:
            return {"code": 3, "text": GIVEN_UP.format(n=deaths)}
        tell("died", text=DIED.format(n=deaths, most=MOST_STARTS))
        again = time.monotonic() + again_after_s
        while not stopped and time.monotonic() < again:
            time.sleep(_LOOK_S)
        if stopped:
            return {"code": 0, "text": "Recording was stopped."}


def _one_life(
    given: Given, tell: Callable[..., None], children: "list[subprocess.Popen[str]]"
) -> dict[str, Any] | None:
    """What the child says at its end, None if it died without."""
    with subprocess.Popen(
        [sys.executable, "-P", "-m", "roadlog.bench.recorder"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8",
    ) as child:  # fmt: skip
        children[:] = [child]
        assert child.stdin is not None
        assert child.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            child.stdin.write(json.dumps(given) + "\n")
            child.stdin.flush()
        end = None
        for line in child.stdout:
            heard = json.loads(line)
            if "end" in heard:
                end = heard["end"]
            else:
                tell("said", text=heard["said"])
    if end is not None and "problem" in end:
        raise (InputError if end["code"] == 2 else RoadlogError)(end["problem"])
    return end


def main() -> None:
    """Record as the first line of the input says."""
    from roadlog.bench.recording import record_here

    given = json.loads(sys.stdin.readline())
    threading.Thread(target=_stop_with_input, daemon=True).start()
    out, sys.stdout = sys.stdout, sys.stderr

    def say(**told: Any) -> None:
        with contextlib.suppress(OSError, ValueError):  # nobody listens: the drive goes on
            out.write(json.dumps(told) + "\n")
            out.flush()

    try:
        end = record_here(**given, say=lambda text: say(said=text))
    except RoadlogError as e:
        end = {"code": e.exit_code, "problem": str(e)}
    say(end=end)


def _stop_with_input() -> None:
    while sys.stdin.read(1):
        pass
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    main()
