"""Short questions on a study, answered by one process that is kept warm while the bench is used.

The app itself loads no numerical library: it asks here, and the process ends by itself when nobody
has asked for a while. `python -m roadlog.bench.quick` reads a question a line and writes an answer
a line.
"""

import asyncio
import contextlib
import json
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from roadlog.errors import DesignError, InputError, RoadlogError

IDLE_S = 90.0
LONGEST_S = 60.0
MOST_BYTES = 1 << 26
NO_ANSWER = "the answer didn't come: try again, and if it happens again, see {log}"


@dataclass
class Quick:
    """The warm process; `log` gets what it says on standard error."""

    log: Path
    process: asyncio.subprocess.Process | None = None
    lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    idle: asyncio.Task[None] | None = None
    answered: bool = False

    @property
    def awake(self) -> bool:
        """Whether the process is there and has answered: the next answer comes at once."""
        return self.answered and self.process is not None and self.process.returncode is None

    async def ask(self, name: str, **given: Any) -> dict[str, Any]:
        """The answer of a function of `answers`.

        Raises
        ------
        RoadlogError
            What the function raised, or that no answer came.
        """
        async with self.lock:
            try:
                reply = await asyncio.wait_for(self._answer(name, given), LONGEST_S)
            except (TimeoutError, OSError, ValueError, asyncio.IncompleteReadError) as e:
                await self.end()
                raise DesignError(NO_ANSWER.format(log=self.log)) from e
            if self.idle is not None:
                self.idle.cancel()
            self.idle = asyncio.create_task(self._end_when_idle())
        if "problem" in reply:
            raise (InputError if reply["code"] == 2 else DesignError)(reply["problem"])
        answer: dict[str, Any] = reply["answer"]
        return answer

    async def warm(self) -> None:
        """Start the process before anybody asks."""
        with contextlib.suppress(RoadlogError):
            await self.ask("nothing")

    async def _answer(self, name: str, given: Mapping[str, Any]) -> dict[str, Any]:
        process = await self._running()
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(json.dumps({"ask": name, "given": given}).encode() + b"\n")
        await process.stdin.drain()
        line = await process.stdout.readuntil(b"\n")
        told: dict[str, Any] = json.loads(line)
        self.answered = True
        return told

    async def _running(self) -> asyncio.subprocess.Process:
        if self.process is None or self.process.returncode is not None:
            self.answered = False
            with self.log.open("ab") as log:
                self.process = await asyncio.create_subprocess_exec(
                    sys.executable, "-P", "-m", "roadlog.bench.quick",
                    stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, stderr=log,
                    limit=MOST_BYTES,
                )  # fmt: skip
        return self.process

    async def _end_when_idle(self) -> None:
        await asyncio.sleep(IDLE_S)
        async with self.lock:
            await self.end()

    async def end(self) -> None:
        """End the process, if there is one."""
        process, self.process, self.answered = self.process, None, False
        if process is not None and process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()


def main() -> None:
    """Answer questions from standard input until it ends."""
    from roadlog.bench.answers import ANSWERS

    out = sys.stdout
    sys.stdout = sys.stderr  # what a library prints is no answer
    for line in sys.stdin:
        asked = json.loads(line)
        try:
            told: dict[str, Any] = {"answer": ANSWERS[asked["ask"]](**asked["given"])}
        except RoadlogError as e:
            told = {"problem": str(e), "code": e.exit_code}
        except Exception:
            import traceback

            traceback.print_exc()
            told = {"problem": "this went wrong in roadlog itself: the log has more", "code": 1}
        out.write(json.dumps(told, allow_nan=False, default=str) + "\n")
        out.flush()


if __name__ == "__main__":
    main()
