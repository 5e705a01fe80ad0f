"""The first page: the studies of the folder; of one study, what is done and what is next."""

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from roadlog.bench.show import ITSELF, N_, Step, ask, bench_of, page, study_of


async def home(request: Request) -> Response:
    """The folder's studies, or the one study that it is."""
    bench = bench_of(request)
    names = await run_in_threadpool(bench.studies)
    if names == [ITSELF]:
        return RedirectResponse(f"/study/{ITSELF}", 303)
    return await page(request, "home.html", folder=bench.home, names=names)


async def overview(request: Request) -> Response:
    """What is done, what is missing, what to do today."""
    here = await study_of(request)
    told = await ask(request, "overview", folder=here.folder)
    return await page(request, "overview.html", here=here, rows=told["rows"])


STEP = Step("", N_("Overview"))
ROUTES = [Route("/", home), Route("/study/{study}", overview)]
