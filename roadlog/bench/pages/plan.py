"""The plan: what the days can show, then the schedule drawn by chance, registered and printed."""

import base64
import secrets
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from roadlog.bench.forms import typed
from roadlog.bench.pages.files import SANDBOX, SHOWN
from roadlog.bench.show import HIDDEN, N_, Here, Step, ask, bench_of, page, study_of, text
from roadlog.errors import InputError, RoadlogError

LEFT, RIGHT, TOP, BOTTOM = 52, 620, 16, 216  # of the picture in days.html
KEY = "roadlog_switcher"
KEY_S = 366 * 86_400
FOR_ALL = ("sheet.html", "sheet.ics", "schedule.csv", "fingerprint.svg", "fingerprint.png")
FOR_DRIVER = ("driver.html", "driver.ics", "fingerprint.svg", "fingerprint.png")


async def plan(request: Request) -> Response:
    """The form and what its days can show; once it is drawn, fingerprint and papers."""
    here = await study_of(request)
    query = dict(request.query_params)
    return await _shown(request, here, query)


async def shown(request: Request) -> Response:
    """What the days can show, for the page's script: the same part of the page."""
    here = await study_of(request)
    told = await ask(request, "plan_shown", folder=here.folder, typed=dict(request.query_params))
    part = await page(request, "days.html", here=here, told=told, plot=_plot(told["shows"]))
    return JSONResponse({"html": bytes(part.body).decode(), "faults": told["faults"]})


async def draw(request: Request) -> Response:
    """Draw, register, write the papers; keep the switcher's files for this browser."""
    here = await study_of(request)
    form = await typed(request)
    if "draw" not in form:
        return await _shown(request, here, form)
    phrase = form.pop("passphrase", "")
    if phrase != form.pop("passphrase_again", ""):
        fault = text(request, "the two passphrases differ")
        return await _shown(request, here, form, {"passphrase": fault})
    key = request.cookies.get(KEY) or secrets.token_urlsafe(32)
    try:
        told = await ask(
            request, "draw", folder=here.folder, typed=form, passphrase=phrase, key=key,
            **_where(request, here),
        )  # fmt: skip
    except RoadlogError as e:
        by_field = {"passphrase": str(e)} if "passphrase" in str(e) else {}
        return await _shown(request, here, form, by_field, "" if by_field else str(e))
    if told.get("faults") is not None:
        return await _shown(request, here, form, told["faults"])
    answer = RedirectResponse(f"{here.at}/plan", 303)
    _keep_key(answer, here, key)
    return answer


def _where(request: Request, here: Here) -> dict[str, Any]:
    return {"hidden": bench_of(request).home / HIDDEN, "called": here.name}


def _keep_key(answer: Response, here: Here, key: str) -> None:
    """Let this browser alone keep the key of the switcher's files."""
    answer.set_cookie(
        KEY, key, httponly=True, samesite="strict", path=f"{here.at}/plan", max_age=KEY_S
    )


async def switcher(request: Request) -> Response:
    """The switcher's files, as often as they are asked for until they are said to be saved."""
    here = await study_of(request)
    key = request.cookies.get(KEY, "")
    told = await ask(request, "switcher_files", key=key, **_where(request, here))
    answer = Response(base64.b64decode(told["zip"]), media_type="application/zip")
    answer.headers["content-disposition"] = 'attachment; filename="for_the_switcher.zip"'
    return answer


async def saved(request: Request) -> Response:
    """The files are saved: take them away from here."""
    here = await study_of(request)
    await ask(
        request, "switcher_saved", key=request.cookies.get(KEY, ""), **_where(request, here)
    )  # fmt: skip
    answer = RedirectResponse(f"{here.at}/plan", 303)
    answer.delete_cookie(KEY, path=f"{here.at}/plan")
    return answer


async def paper(request: Request) -> Response:
    """A paper of the plan; none that tells arms where the driver isn't to know them."""
    here = await study_of(request)
    told = await ask(request, "blind", folder=here.folder)
    name = request.path_params["name"]
    path = here.folder / "plan" / name
    if name not in (FOR_DRIVER if told["blind"] else FOR_ALL) or not path.is_file():
        raise InputError(f"there is no paper '{name[:60]}' to show here")
    content = await run_in_threadpool(path.read_bytes)
    answer = Response(content, media_type=SHOWN.get(path.suffix, "text/calendar; charset=utf-8"))
    answer.headers["content-security-policy"] = SANDBOX
    if path.suffix in (".ics", ".csv"):
        answer.headers["content-disposition"] = f'attachment; filename="{name}"'
    return answer


async def _shown(
    request: Request,
    here: Here,
    query: dict[str, str],
    faults: dict[str, str] | None = None,
    problem: str = "",
) -> Response:
    told = await ask(request, "plan_shown", folder=here.folder, typed=query)
    papers = FOR_DRIVER if told["blind"] else FOR_ALL
    there = [n for n in papers if (here.folder / "plan" / n).is_file()]
    all_faults = {**told["faults"], **(faults or {})}
    key, waits = request.cookies.get(KEY, ""), ""
    if told["sealed"] and key:
        at = await ask(
            request, "switcher_waits", folder=here.folder, key=key, **_where(request, here)
        )
        waits = at["at"]
    answer = await page(
        request, "plan.html", 400 if faults or problem else 200, here=here, told=told,
        typed=query, faults=all_faults, problem=problem, plot=_plot(told["shows"]), papers=there,
        waits=waits,
    )  # fmt: skip
    if not told["drawn"] and not key:  # before anything is drawn: no crash comes between
        _keep_key(answer, here, secrets.token_urlsafe(32))
    return answer


def _plot(shows: dict[str, Any] | None) -> dict[str, Any] | None:
    """Where the curve's points lie in the picture."""
    if not shows or not shows.get("points"):
        return None
    points, chance = shows["points"], shows["settles"] is not None
    least, most = points[0][0], max(points[-1][0], shows["days"])
    high = 1.0 if chance else max(abs(y) for _, y in points)

    def at(day: float, value: float) -> tuple[float, float]:
        share = (day - least) / (most - least or 1)
        x = LEFT + share * (RIGHT - LEFT)
        return round(x, 1), round(BOTTOM - abs(value) / high * (BOTTOM - TOP), 1)

    return {
        "line": " ".join(f"{x},{y}" for x, y in (at(d, v) for d, v in points)),
        "marks": [(*at(d, v), d) for d, v in points],
        "days": at(shows["days"], 0)[0] if shows["days"] >= least else None,
        "reliable": at(least, 0.8)[1] if chance else None,
        "levels": [(at(least, high * s)[1], round(100 * s) if chance else round(high * s, 1))
                   for s in (0, 0.5, 1)],
        "chance": chance,
    }  # fmt: skip


STEP = Step("/plan", N_("Plan"))
ROUTES = [
    Route("/study/{study}/plan", plan),
    Route("/study/{study}/plan", draw, methods=["POST"]),
    Route("/study/{study}/plan/shown", shown),
    Route("/study/{study}/plan/switcher", switcher, methods=["POST"]),
    Route("/study/{study}/plan/saved", saved, methods=["POST"]),
    Route("/study/{study}/plan/paper/{name}", paper),
]
