"""The result: open the seal if there is one, start the analysis, and see what it found."""

import base64

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from roadlog.bench.pages.files import for_pages, shown_own
from roadlog.bench.sent import sent
from roadlog.bench.show import (
    HIDDEN,
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

FILES = ("report.html", "objections.html", "map.html", "results.json", "passes.csv")
MOST_SEAL_BYTES = 1 << 20


async def result(request: Request) -> Response:
    """The last answer, its pages, and the work that goes on."""
    here = await study_of(request)
    told = await ask(request, "result", folder=here.folder)
    there = await run_in_threadpool(_there, here)
    return await page(
        request,
        "result.html",
        here=here,
        told=told,
        work=await work_of(request, here, "analyze"),
        opening=await work_of(request, here, "unseal"),
        there=there,
        again=await work_of(request, here, "show_again"),
        own_units=await run_in_threadpool(shown_own, request, here, there),
    )


def _there(here: Here) -> list[str]:
    return [name for name in FILES if (here.folder / "results" / name).is_file()]


async def analyse(request: Request) -> Response:
    """Start the analysis."""
    here = await study_of(request)
    await run_in_threadpool(lambda: start_job(request, "analyze", here, **for_pages(request)))
    return RedirectResponse(f"{here.at}/result", 303)


async def again(request: Request) -> Response:
    """Make the pages of the last analysis in the reader's units."""
    here = await study_of(request)
    await run_in_threadpool(lambda: start_job(request, "show_again", here, **for_pages(request)))
    return RedirectResponse(f"{here.at}/result", 303)


async def unseal(request: Request) -> Response:
    """Open the seal with the switcher's file and passphrase; neither is written down here."""
    here = await study_of(request)
    async with sent(request, MOST_SEAL_BYTES, bench_of(request).home / HIDDEN) as form:
        data = form.read()
        fields, name = form.fields, form.name
    handed = {
        "sealed": base64.b64encode(data).decode(),
        "passphrase": fields.get("passphrase", ""),
    }
    early = fields.get("early") == "yes"
    await run_in_threadpool(
        lambda: start_job(request, "unseal", here, handed, early=early, name=name or "the copy")
    )
    return RedirectResponse(f"{here.at}/result", 303)


STEP = Step("/result", N_("Result"))
ROUTES = [
    Route("/study/{study}/result", result),
    Route("/study/{study}/result", analyse, methods=["POST"]),
    Route("/study/{study}/result/units", again, methods=["POST"]),
    Route("/study/{study}/unseal", unseal, methods=["POST"]),
]
