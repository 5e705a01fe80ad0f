"""Publish: make the folder that may be shown, look at it, and compute an archive anew."""

import secrets

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from roadlog.bench.forms import typed
from roadlog.bench.sent import sent
from roadlog.bench.show import HIDDEN, N_, Step, ask, bench_of, page, start_job, study_of, work_of
from roadlog.errors import InputError

MOST_ARCHIVE_BYTES = 400 << 20
CLOCKS = ("hours", "shifted")
MOST_AUTHORS = 20


async def publish(request: Request) -> Response:
    """What was published, the form to do it, and the recheck."""
    here = await study_of(request)
    told = await ask(request, "published", folder=here.folder)
    work, again = [await work_of(request, here, t) for t in ("publish", "recheck")]
    return await page(
        request,
        "publish.html",
        here=here,
        licences=told["licences"],
        made=told["made"],
        work=work,
        again=again,
        asked={} if work is None else work[0].given,
        asked_again={} if again is None else again[0].given,
    )


async def start(request: Request) -> Response:
    """Start publishing."""
    here = await study_of(request)
    fields = await typed(request)
    clock = fields.get("clock", "hours")
    if clock not in CLOCKS:
        raise InputError(f"clock '{clock[:40]}': choose hours or shifted")
    authors = [a.strip() for a in fields.get("authors", "").splitlines() if a.strip()]
    if len(authors) > MOST_AUTHORS:
        raise InputError(f"{len(authors)} authors are too many: name at most {MOST_AUTHORS}")
    licence = fields.get("licence", "")
    await run_in_threadpool(
        lambda: start_job(request, "publish", here, clock=clock, licence=licence, authors=authors)
    )
    return RedirectResponse(f"{here.at}/publish", 303)


async def recheck(request: Request) -> Response:
    """Compute an archive anew: the one that was sent, or the study's own."""
    here = await study_of(request)
    hidden = bench_of(request).home / HIDDEN
    async with sent(request, MOST_ARCHIVE_BYTES, hidden) as form:
        path = here.folder / "published" / "archive.zip"
        uploaded = bool(form.name)
        if uploaded:
            path = hidden / f"sent-{secrets.token_hex(8)}.zip"
            await run_in_threadpool(form.write, path)
        fields, called = form.fields, form.name or "archive.zip"
    await run_in_threadpool(
        lambda: start_job(
            request, "recheck", here, archive=str(path), uploaded=uploaded, called=called,
            fingerprint=fields.get("fingerprint", "").strip(),
            sha256=fields.get("sha256", "").strip(),
        )
    )  # fmt: skip
    return RedirectResponse(f"{here.at}/publish#again", 303)


STEP = Step("/publish", N_("Publish"))
ROUTES = [
    Route("/study/{study}/publish", publish),
    Route("/study/{study}/publish", start, methods=["POST"]),
    Route("/study/{study}/recheck", recheck, methods=["POST"]),
]
