"""Logs: sent in pieces to the inbox, looked at, their columns settled by a click, taken in."""

from typing import Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from roadlog.bench.forms import typed
from roadlog.bench.inbox import MOST_BYTES, MOST_FILES, Inbox
from roadlog.bench.jobs import Job
from roadlog.bench.sent import CUT_OFF, read_form
from roadlog.bench.show import N_, Here, Step, ask, bench_of, page, start_job, study_of
from roadlog.errors import InputError

PIECE = 1 << 20  # bytes that are in memory before they go to the disk
ARMS = ("", "baseline", "fitted")
ALL = "all"  # a file's own choice is left to that for all files
ANOTHER = "the files or study.toml have changed since they were looked at: look again"


async def logs(request: Request) -> Response:
    """What waits, what was found of it, and the work that goes on."""
    here = await study_of(request)
    told = await run_in_threadpool(_standing, request, here)
    return await page(
        request,
        "logs.html",
        here=here,
        most_files=MOST_FILES,
        most_bytes=MOST_BYTES,
        kept=request.query_params.get("kept", ""),
        **told,
    )


def _standing(request: Request, here: Here) -> dict[str, Any]:
    jobs, inbox = bench_of(request).jobs, Inbox(here.folder)
    latest = [j for t in ("look", "take") if (j := jobs.latest(t, str(here.folder))) is not None]
    job = max(latest, key=lambda j: j.name, default=None)
    end = None if job is None else job.end()
    waiting = [{"name": p.name, "size": p.stat().st_size} for p in inbox.waiting()]
    seen = _seen(job, end, inbox)
    return {"job": job, "end": end, "waiting": waiting, "seen": seen}


def _seen(job: Job | None, end: dict[str, Any] | None, inbox: Inbox) -> dict[str, Any] | None:
    """What the last look found, if it is still so."""
    if job is None or job.task != "look" or end is None or end["code"]:
        return None
    found: dict[str, Any] = end["result"]
    return found if found["state"] == inbox.state() else None


async def send(request: Request) -> Response:
    """One file as the body of a request, for the page's script."""
    here = await study_of(request)
    size = request.headers.get("content-length", "")
    expected = int(size) if size.isdigit() else None
    arriving = await run_in_threadpool(
        Inbox(here.folder).begin, request.query_params.get("name", ""), expected
    )
    try:
        held = bytearray()
        async for piece in request.stream():
            held += piece
            if len(held) >= PIECE:
                await run_in_threadpool(arriving.write, bytes(held))
                held.clear()
        await run_in_threadpool(arriving.write, bytes(held))
        if expected is not None and arriving.size != expected:
            raise InputError(CUT_OFF.format(name=arriving.name))
        path = await run_in_threadpool(arriving.keep)
    except ClientDisconnect as e:
        raise InputError(CUT_OFF.format(name=arriving.name)) from e
    finally:
        arriving.drop()
    return JSONResponse({"name": path.name, "size": arriving.size})


async def send_form(request: Request) -> Response:
    """Files of a plain form, each written as its pieces come; then they are looked at."""
    here = await study_of(request)
    inbox = Inbox(here.folder)
    form = await read_form(request, lambda name: inbox.begin(name, None))
    if not form.files:
        raise InputError("no file was chosen: choose some, then send them")
    await run_in_threadpool(start_job, request, "look", here)
    return RedirectResponse(f"{here.at}/logs", 303)


async def look(request: Request) -> Response:
    """Look at what waits."""
    here = await study_of(request)
    given = await typed(request, 2 * MOST_FILES + 10)
    arm, split = given.get("arm", ""), "split" in given
    each = {
        name: (given[f"arm:{name}"], given.get(f"split:{name}", "") == "yes")
        for key in given
        if (name := key.removeprefix("arm:")) != key
    }
    if any(a not in (*ARMS, ALL) for a in (arm, *(a for a, _ in each.values()))):
        raise InputError("the arm is baseline, fitted, or left to the schedule")
    own = {
        name: (arm if its == ALL else its, split if given.get(f"split:{name}") == ALL else apart)
        for name, (its, apart) in each.items()
        if its != ALL or given.get(f"split:{name}", ALL) != ALL
    }
    await run_in_threadpool(
        start_job, request, "look", here, arm=arm if arm != ALL else "", split=split, each=own
    )
    return RedirectResponse(f"{here.at}/logs", 303)


async def take(request: Request) -> Response:
    """Take in what was looked at, as it was looked at."""
    here = await study_of(request)
    given = await typed(request)
    seen = await run_in_threadpool(_asked, request, here, given.get("look", ""))
    if seen is None:
        raise InputError(ANOTHER)
    files = [[f["name"], f["sha256"]] for f in seen["files"]]
    await run_in_threadpool(
        start_job, request, "take", here, seen=files, arm=seen["arm"], split=seen["split"],
        each=seen["each"],
    )  # fmt: skip
    return RedirectResponse(f"{here.at}/logs", 303)


def _asked(request: Request, here: Here, name: str) -> dict[str, Any] | None:
    """What a look at this study found, if it is still so."""
    job = bench_of(request).jobs.find(name)
    if job.given["study"] != str(here.folder):
        return None
    return _seen(job, job.end(), Inbox(here.folder))


async def drop(request: Request) -> Response:
    """Take a file out of the inbox."""
    here = await study_of(request)
    given = await typed(request)
    path = await run_in_threadpool(Inbox(here.folder).find, given.get("name", ""))
    await run_in_threadpool(path.unlink, missing_ok=True)
    return RedirectResponse(f"{here.at}/logs", 303)


async def one(request: Request) -> Response:
    """One file: its columns, their first values, and what each is taken for."""
    here = await study_of(request)
    name = request.query_params.get("name", "")
    told = await ask(request, "one_file", folder=here.folder, file=name)
    column = request.query_params.get("column", "")
    return await page(request, "logs_one.html", here=here, file=told, column=column)


async def column(request: Request) -> Response:
    """Write what a column is into study.toml, and look again."""
    here = await study_of(request)
    given = await typed(request)
    await ask(
        request,
        "say_column",
        folder=here.folder,
        header=given.get("header", ""),
        signal=given.get("signal", ""),
        unit=given.get("unit", ""),
    )
    name = given.get("name", "")
    if name:
        return RedirectResponse(f"{here.at}/logs/one?name={quote(name, safe='')}", 303)
    await run_in_threadpool(start_job, request, "look", here)
    return RedirectResponse(f"{here.at}/logs", 303)


async def dates(request: Request) -> Response:
    """Write into study.toml which comes first in dates, day or month, and look again."""
    here = await study_of(request)
    first = (await typed(request)).get("first", "")
    if first not in ("day", "month"):
        raise InputError("say which comes first in the dates: the day or the month")
    await ask(request, "say_day_first", folder=here.folder, day_first=first == "day")
    await run_in_threadpool(start_job, request, "look", here)
    return RedirectResponse(f"{here.at}/logs", 303)


STEP = Step("/logs", N_("Logs"))
ROUTES = [
    Route("/study/{study}/logs", logs),
    Route("/study/{study}/logs", send_form, methods=["POST"]),
    Route("/study/{study}/logs/file", send, methods=["PUT"]),
    Route("/study/{study}/logs/look", look, methods=["POST"]),
    Route("/study/{study}/logs/take", take, methods=["POST"]),
    Route("/study/{study}/logs/drop", drop, methods=["POST"]),
    Route("/study/{study}/logs/one", one),
    Route("/study/{study}/logs/dates", dates, methods=["POST"]),
    Route("/study/{study}/logs/column", column, methods=["POST"]),
]
