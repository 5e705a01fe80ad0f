"""The process of one job: `python -m roadlog.bench.worker FOLDER` does what `task.json` there says.

It tells what it does line by line in `events.jsonl`, and its end as the last line, whatever
happens to it but a kill.
"""

import json
import os
import sys
import time
from pathlib import Path
from typing import Any

from roadlog.bench.jobs import ALIVE, ENDED_ALONE, EVENTS, LOG, TASK
from roadlog.errors import RoadlogError
from roadlog.study.lock import hold
from roadlog.wording.progress import LISTENER

TELL_EVERY_S = 0.1


def work(folder: Path) -> int:
    """Do the task of a job's folder; the exit code of the command that does the same."""
    alive = hold(folder / ALIVE)
    os.write(alive, str(os.getpid()).encode())
    told = json.loads((folder / TASK).read_text(encoding="utf-8"))
    handed = json.loads(sys.stdin.read() or "{}")
    with (folder / EVENTS).open("a", encoding="utf-8") as events:
        last = {"at": 0.0}

        def tell(kind: str, **more: Any) -> None:
            events.write(json.dumps({"kind": kind, **more}, allow_nan=False) + "\n")
            events.flush()

        def heard(what: str, done: int, of: int | None) -> None:
            if done == of or time.monotonic() - last["at"] > TELL_EVERY_S:
                last["at"] = time.monotonic()
                tell("progress", what=what, done=done, of=of)

        LISTENER.set(heard)
        try:
            from roadlog.bench.tasks import TASKS

            result = TASKS[told["task"]](tell=tell, **told["given"], **handed)
        except RoadlogError as e:
            tell("end", code=e.exit_code, text=str(e))
            return e.exit_code
        except Exception:
            import traceback

            traceback.print_exc()
            tell("end", code=3, text=ENDED_ALONE.format(log=folder / LOG))
            return 3
        tell("end", code=result.pop("code", 0), text=result.pop("text", ""), result=result)
    return 0


if __name__ == "__main__":
    sys.exit(work(Path(sys.argv[1])))
