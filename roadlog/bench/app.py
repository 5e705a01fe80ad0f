"""The bench's routes: one study or a folder of them in, an app that answers a browser out."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from roadlog.bench.door import Door, Guard
from roadlog.bench.forms import read_refused
from roadlog.bench.jobs import Jobs, follow
from roadlog.bench.pages import PAGES
from roadlog.bench.quick import Quick
from roadlog.bench.show import (
    HIDDEN,
    LANGUAGE,
    NOTHING,
    Asleep,
    Bench,
    back_from,
    bench_of,
    page,
    problem,
    ready_templates,
)
from roadlog.bench.words import languages
from roadlog.errors import InputError, RoadlogError

HERE = Path(__file__).parent
STATUS = {1: 409, 2: 400}
ENDED_ELSEWHERE = {"record": "a recording ends on its own page, parked, or with the ignition"}


def make_app(home: Path, door: Door) -> Starlette:
    """The app over a folder.

    Parameters
    ----------
    home : Path
        A study's folder, or one that holds studies.
    door : Door
        Who may come in.
    """
    routes = [
        Route("/awake", _awake),
        Route("/language/{name}", _language),
        Route("/jobs/{name}", _job),
        Route("/jobs/{name}/events", _events),
        Route("/jobs/{name}/stop", _stop, methods=["POST"]),
        Mount("/static", StaticFiles(directory=HERE / "static")),
        *(route for module in PAGES for route in module.ROUTES),
    ]
    app = Starlette(
        routes=routes,
        middleware=[Middleware(Guard, door=door)],
        lifespan=_lifespan,
        exception_handlers={RoadlogError: _told, HTTPException: _refused, Asleep: _waking},
    )
    hidden = home / HIDDEN
    steps = tuple(module.STEP for module in PAGES if hasattr(module, "STEP"))
    ready_templates()
    app.state.bench = Bench(home, Jobs(hidden / "jobs"), Quick(hidden / "log.txt"), steps)
    return app


@asynccontextmanager
async def _lifespan(app: Starlette) -> AsyncIterator[None]:
    """Warm the process that answers questions; end it with the app."""
    quick = app.state.bench.quick
    warming = asyncio.create_task(quick.warm())
    yield
    warming.cancel()
    await quick.end()


async def _told(request: Request, error: Exception) -> Response:
    assert isinstance(error, RoadlogError)
    await read_refused(request)
    return problem(request, str(error), STATUS[error.exit_code])


async def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    said = NOTHING if error.status_code == 404 else str(error.detail)
    return problem(request, said, error.status_code)


async def _waking(request: Request, _: Exception) -> Response:
    return await page(request, "waking.html")


async def _awake(request: Request) -> Response:
    """Answers as soon as questions are answered at once."""
    await bench_of(request).quick.ask("nothing")
    return Response(status_code=204)


async def _language(request: Request) -> Response:
    name = request.path_params["name"]
    answer = RedirectResponse(back_from(request), 303)
    if name in languages():
        answer.set_cookie(LANGUAGE, name, samesite="strict", max_age=366 * 86_400)
    return answer


async def _job(request: Request) -> Response:
    job = await run_in_threadpool(bench_of(request).jobs.find, request.path_params["name"])
    return await page(request, "job.html", job=job, end=job.end())


async def _events(request: Request) -> Response:
    job = bench_of(request).jobs.find(request.path_params["name"])
    heard = request.headers.get("last-event-id", "0")
    after = int(heard) if heard.isdigit() else 0

    async def stream() -> AsyncIterator[str]:
        async for at, event in follow(job, after):
            yield f"id: {at}\ndata: {json.dumps(event)}\n\n"

    return StreamingResponse(stream(), media_type="text/event-stream")


async def _stop(request: Request) -> Response:
    job = bench_of(request).jobs.find(request.path_params["name"])
    if job.task in ENDED_ELSEWHERE:
        raise InputError(ENDED_ELSEWHERE[job.task])
    await run_in_threadpool(job.stop)
    return RedirectResponse(f"/jobs/{job.name}", 303)
