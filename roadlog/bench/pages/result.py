"""The result: start the analysis, follow it, and see what it found."""

import json
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from roadlog.bench.show import N_, Here, Step, bench_of, page, start_job, study_of


async def result(request: Request) -> Response:
    """The last result, and the work that goes on."""
    here = await study_of(request)
    job = await run_in_threadpool(bench_of(request).jobs.latest, "analyze", str(here.folder))
    return await page(
        request,
        "result.html",
        here=here,
        job=job,
        end=None if job is None else job.end(),
        found=await run_in_threadpool(_found, here),
    )


def _found(here: Here) -> dict[str, Any] | None:
    path = here.folder / "results" / "results.json"
    if not path.is_file():
        return None
    try:
        read: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except ValueError:
        return None
    return read


async def analyse(request: Request) -> Response:
    """Start the analysis."""
    here = await study_of(request)
    await run_in_threadpool(start_job, request, "analyze", here)
    return RedirectResponse(f"{here.at}/result", 303)


STEP = Step("/result", N_("Result"))
ROUTES = [
    Route("/study/{study}/result", result),
    Route("/study/{study}/result", analyse, methods=["POST"]),
]
