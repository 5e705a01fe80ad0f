"""The first page: the studies of the folder, a new one; of one study, what is done and is next."""

from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from roadlog.bench.forms import typed as typed_in
from roadlog.bench.show import (
    ITSELF,
    N_,
    STUDY_FILE,
    Step,
    ask,
    bench_of,
    page,
    study_of,
    units_chosen,
)
from roadlog.errors import InputError, RoadlogError


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
    told = await ask(request, "today", folder=here.folder)
    return await page(request, "overview.html", here=here, told=told)


async def new(request: Request) -> Response:
    """The questions of a new study."""
    _refuse_inside_a_study(request)
    units = request.query_params.get("units", "") or units_chosen(request)
    return await _form(request, units, {}, {})


async def make(request: Request) -> Response:
    """Make the study, or show beside each field what is wrong, with what was typed kept."""
    _refuse_inside_a_study(request)
    typed = await typed_in(request)
    asked_in, folder = typed.pop("asked_in", "metric"), typed.pop("folder", "")
    if typed.pop("again", ""):
        return await _form(
            request, typed.get("units", ""), {**typed, "folder": folder}, {}, asked_in
        )
    try:
        told = await ask(
            request, "new_study", home=bench_of(request).home, typed=typed, folder=folder,
            asked_in=asked_in,
        )  # fmt: skip
    except RoadlogError as e:
        kept = {**typed, "folder": folder}
        return await _form(request, asked_in, kept, {}, problem=str(e))
    if told.get("study") is not None:
        return RedirectResponse(f"/study/{quote(told['study'])}/plan", 303)
    return await _form(request, asked_in, {**typed, "folder": folder}, told["faults"])


async def _form(
    request: Request,
    units: str,
    typed: dict[str, str],
    faults: dict[str, str],
    asked_in: str = "",
    problem: str = "",
) -> Response:
    """The form; what was typed under `asked_in` is taken over into the units asked in now."""
    told = await ask(request, "new_form", units=units, typed=typed, asked_in=asked_in or units)
    return await page(
        request, "new.html", 400 if faults or problem else 200, told=told, typed=typed,
        faults=faults, problem=problem,
    )  # fmt: skip


def _refuse_inside_a_study(request: Request) -> None:
    home = bench_of(request).home
    if (home / STUDY_FILE).is_file():
        raise InputError(f"{home} is a study itself: open the folder above it for another")


STEP = Step("", N_("Overview"))
ROUTES = [
    Route("/", home),
    Route("/new", new),
    Route("/new", make, methods=["POST"]),
    Route("/study/{study}", overview),
]
