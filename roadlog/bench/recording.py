"""Recording from the bench: what can be chosen, a test reading, and the recorder's own process.

The same functions as `roadlog record`; the app's process imports none of them.
"""

import math
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from roadlog.errors import InputError

_PLACE = re.compile(r"(/dev/[\w./-]{1,80}|COM\d{1,3}|socket://[\w.:\[\]-]{1,120}:\d{1,5})")
_NO_PLACE = (
    "'{text}' is no place of an adapter: give a device such as /dev/ttyUSB0, or socket://HOST:PORT"
)
_WRITTEN = {"°c": "°C", "kpa": "kPa", "l/h": "L/h", "v": "V", "ratio": ""}
SEALED = "the schedule is sealed, so the arm isn't to be said: leave it out"


def choices(*, folder: str) -> dict[str, Any]:
    """Devices of this computer, what keeps from recording ("" if nothing), and the arms to ask for.

    No arm is asked for under a schedule, which says it by the day, or a sealed one, which doesn't.
    """
    from roadlog.recorder.reading import places
    from roadlog.study.folder import load_study

    study = load_study(Path(folder))
    asked = not study.shut and study.schedule is None
    arms = [[a, study.label(a)] for a in ("baseline", "fitted")] if asked else []
    try:
        found = [[p.device, p.about] for p in places()]
    except InputError as e:
        return {"missing": str(e), "places": [], "arms": arms}
    return {"missing": "", "places": found, "arms": arms}


def reading(
    *, study: str, adapter: str, receiver: str, tell: Callable[..., None]
) -> dict[str, Any]:
    """Each signal once."""
    from roadlog.ingest.journal.clock import now_s
    from roadlog.quantities.signals import plain
    from roadlog.recorder.reading import read_once
    from roadlog.study.recording import only_one

    with only_one(Path(study)):
        found = read_once(
            adapter_place(adapter) if adapter else "",
            receiver,
            lambda name: tell("step", name=name),
        )
    boot_s = time.time() - now_s()
    rows = [
        [
            plain(v.name),
            v.value if math.isfinite(v.value) else None,
            _WRITTEN.get(v.unit, v.unit),
            boot_s + v.t_s,
        ]
        for v in found.values
    ]
    return {
        "code": 0,
        "adapter": found.adapter,
        "receiver": found.receiver,
        "answers": found.vehicle_answers,
        "rows": rows,
        "trouble": list(found.trouble),
    }


def record(
    *, study: str, adapter: str, receiver: str, arm: str, tell: Callable[..., None]
) -> dict[str, Any]:
    """Record drives until stopped, in a child that is started again if it dies."""
    from roadlog.bench.recorder import kept_alive

    given = {"study": study, "adapter": adapter, "receiver": receiver, "arm": arm}
    return kept_alive(Path(study), given, tell)


def record_here(
    *, study: str, adapter: str, receiver: str, arm: str, say: Callable[[str], None]
) -> dict[str, Any]:
    """Record drives until stopped, by the code of `roadlog record`."""
    from roadlog.recorder import run
    from roadlog.recorder.adapter import require_library
    from roadlog.recorder.gps import receiver_at
    from roadlog.recorder.poller import Settings
    from roadlog.recorder.session import Setup
    from roadlog.study.folder import load_study

    folder = Path(study)
    known = load_study(folder)
    if known.shut and arm:
        raise InputError(SEALED)
    require_library()
    code = run.record(
        Setup(folder, known, arm or None),
        Settings(),
        port=adapter_place(adapter),
        baud=None,
        receiver=receiver_at(receiver) if receiver else None,
        say=say,
    )
    return {"code": code, "text": "Recording was stopped."}


def adapter_place(text: str) -> str:
    """The place of an adapter.

    Raises
    ------
    InputError
        If it is none: the library beneath knows others, some of which write files.
    """
    if not _PLACE.fullmatch(text) or ".." in text:
        raise InputError(_NO_PLACE.format(text=text[:80]))
    return text
