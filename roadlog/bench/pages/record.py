"""Recording: set up and tested parked; then one big state and nothing to operate."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from roadlog.bench.forms import typed
from roadlog.bench.jobs import Job
from roadlog.bench.show import (
    N_,
    Here,
    Step,
    ask,
    bench_of,
    page,
    start_job,
    study_of,
    work_of,
)
from roadlog.errors import InputError
from roadlog.study.recording import Shown, left, shown

WORDS = {
    "recording": N_("Recording"),
    "waiting": N_("Waiting for the engine"),
    "no adapter": N_("No adapter"),
    "none": N_("Not recording"),
    "died": N_("The recorder died"),
}
STOPS_AFTER_MIN = 5  # without a reading, where no proof came that the ignition is off
NOT_PARKED = "say that the car is parked: nothing here is to be operated while it moves"
MOVING = (
    "a drive is being recorded: it ends by itself after the ignition is off; nothing is to be "
    "operated until then"
)
NO_PLACE = "name the adapter's place, or make a test reading first: that finds it"
RECORDS = "{name} records already: that goes on by itself, a second start does nothing"
READS = "a test reading is going on: start when it is done"
ELSEWHERE = "this recorder was started by the command `roadlog record`: end it there"
LEFT = ("waiting", "no adapter")


async def record(request: Request) -> Response:
    """The set-up, or what the recorder does."""
    here = await study_of(request)
    now = await run_in_threadpool(shown, here.folder)
    last, end = await work_of(request, here, "reading") or (None, None)
    if now is not None and (last is None or end is not None):
        times = await run_in_threadpool(_deaths, request, here.folder)
        return await _big(
            request, here.called, here.at, now, stops=_may_stop(now), died=times
        )  # fmt: skip
    told = await ask(request, "recording_choices", folder=here.folder)
    result = (end or {}).get("result", {})
    before, ended = await work_of(request, here, "record") or (None, None)
    given = {} if before is None else before.given
    died = await run_in_threadpool(left, here.folder)
    return await page(
        request,
        "record.html",
        here=here,
        told=told,
        job=last,
        end=end,
        result=result,
        ages=_ages(result),
        ended=ended,
        starting=before is not None and ended is None,
        died=died is not None,
        in_drive=died is not None and died.run_open,
        adapter=result.get("adapter") or given.get("adapter", ""),
        receiver=result.get("receiver") or given.get("receiver", ""),
    )


def _last(request: Request, folder: Path, task: str) -> Job | None:
    return bench_of(request).jobs.latest(task, str(folder))


def _deaths(request: Request, folder: Path) -> int:
    """How often the recorder of this job died so far."""
    job = _last(request, folder, "record")
    return 0 if job is None else sum(e["kind"] == "died" for e in job.events()[0])


def _ages(result: dict[str, Any]) -> list[list[Any]]:
    """Rows of a test reading with their age [s] in place of their time."""
    now = time.time()
    return [[*row[:3], max(0, round(now - row[3]))] for row in result.get("rows", [])]


def _may_stop(now: Shown) -> bool:
    """Whether nothing speaks for a drive: no run is open, or nothing was heard of it for long."""
    return now.state in LEFT and (not now.run_open or now.minutes >= STOPS_AFTER_MIN)


async def _big(
    request: Request, called: str, at: str, now: Shown | None, *, stops: bool | None,
    died: int = 0, lost: bool = False,
) -> Response:  # fmt: skip
    state = "none" if now is None else now.state
    return await page(
        request,
        "recording.html",
        called=called,
        at=at,
        state=state,
        word=WORDS["died" if lost else state],
        died=died,
        minutes=0 if now is None else now.minutes,
        stops=stops,
    )


async def state(request: Request) -> Response:
    """The state for the page's script."""
    folder = bench_of(request).folder(request.path_params["study"])
    now = await run_in_threadpool(shown, folder)
    if now is None:
        return JSONResponse({"state": "none", "minutes": 0, "stops": False})
    return JSONResponse({"state": now.state, "minutes": now.minutes, "stops": _may_stop(now)})


async def seen(request: Request) -> Response:
    """The state alone, for a phone: nothing to operate."""
    here = await study_of(request)
    now = await run_in_threadpool(shown, here.folder)
    lost = now is None and await run_in_threadpool(left, here.folder) is not None
    return await _big(request, here.called, here.at, now, stops=None, lost=lost)


async def test_reading(request: Request) -> Response:
    """Read each signal once."""
    here, given = await _told(request)
    if await run_in_threadpool(shown, here.folder) is None:
        await run_in_threadpool(
            lambda: start_job(request, "reading", here, adapter=given["adapter"],
                              receiver=given["receiver"])
        )  # fmt: skip
    return RedirectResponse(f"{here.at}/record", 303)


async def start(request: Request) -> Response:
    """Start the recorder."""
    here, given = await _told(request)
    if await run_in_threadpool(_goes_on, request, here.folder, "reading"):
        raise InputError(READS)
    if await run_in_threadpool(_records, request, here):
        raise InputError(RECORDS.format(name=here.called))
    if not given["adapter"]:
        raise InputError(NO_PLACE)
    job = await run_in_threadpool(
        lambda: start_job(request, "record", here, adapter=given["adapter"],
                          receiver=given["receiver"], arm=given["arm"])
    )  # fmt: skip
    await run_in_threadpool(_begun, job, here.folder)
    return RedirectResponse(f"{here.at}/record", 303)


def _begun(job: Job, folder: Path) -> None:
    """Wait until the recorder shows itself or has ended, so that the page after it says so."""
    _wait(lambda: shown(folder) is not None or job.end() is not None)


def _ended(job: Job, folder: Path) -> None:
    job.stop()
    _wait(lambda: shown(folder) is None and job.end() is not None)


def _wait(until: Callable[[], bool], within_s: float = 10.0) -> None:
    last = time.monotonic() + within_s
    while time.monotonic() < last and not until():
        time.sleep(0.1)


def _records(request: Request, here: Here) -> bool:
    return shown(here.folder) is not None or _goes_on(request, here.folder, "record")


def _goes_on(request: Request, folder: Path, task: str) -> bool:
    job = _last(request, folder, task)
    return job is not None and job.end() is None


async def _told(request: Request) -> tuple[Here, dict[str, str]]:
    here = await study_of(request)
    form = await typed(request)
    given = {k: form.get(k, "").strip() for k in ("adapter", "receiver", "arm")}
    if form.get("parked") != "yes":
        raise InputError(NOT_PARKED)
    return here, given


async def stop(request: Request) -> Response:
    """End the recorder, parked."""
    here, _ = await _told(request)
    now = await run_in_threadpool(shown, here.folder)
    job = await run_in_threadpool(_last, request, here.folder, "record")
    if now is not None and not _may_stop(now):
        raise InputError(MOVING)
    if job is None or not job.running:
        if now is not None:
            raise InputError(ELSEWHERE)
    else:
        await run_in_threadpool(_ended, job, here.folder)
    return RedirectResponse(f"{here.at}/record", 303)


STEP = Step("/record", N_("Record"))
ROUTES = [
    Route("/study/{study}/record", record),
    Route("/study/{study}/record", start, methods=["POST"]),
    Route("/study/{study}/record/reading", test_reading, methods=["POST"]),
    Route("/study/{study}/record/stop", stop, methods=["POST"]),
    Route("/study/{study}/record/state", state),
]
PHONE = [
    Route("/study/{study}", seen),
    Route("/study/{study}/record/state", state),
]
