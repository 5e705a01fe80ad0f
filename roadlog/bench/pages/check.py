"""The check: started as work of its own, then one line a run and its page."""

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from roadlog.bench.pages.files import for_pages, shown_own
from roadlog.bench.show import N_, Step, page, start_job, study_of, work_of


async def check(request: Request) -> Response:
    """The last check, and the work that goes on."""
    here = await study_of(request)
    job, end = await work_of(request, here, "check") or (None, None)
    there = await run_in_threadpool((here.folder / "results" / "check.html").is_file)
    return await page(
        request,
        "check.html",
        here=here,
        job=job,
        end=end,
        found=end["result"] if end is not None and end["code"] == 0 else None,
        there=there,
        own_units=there and await run_in_threadpool(shown_own, request, here, ["check.html"]),
    )


async def start(request: Request) -> Response:
    """Start the check."""
    here = await study_of(request)
    await run_in_threadpool(lambda: start_job(request, "check", here, **for_pages(request)))
    return RedirectResponse(f"{here.at}/check", 303)


STEP = Step("/check", N_("Check"))
ROUTES = [
    Route("/study/{study}/check", check),
    Route("/study/{study}/check", start, methods=["POST"]),
]
