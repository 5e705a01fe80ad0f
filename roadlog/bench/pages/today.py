"""The day: what to do, what to fit, and the notes to write once the car is parked."""

from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from roadlog.bench.forms import typed
from roadlog.bench.show import N_, Here, Step, ask, page, study_of
from roadlog.errors import RoadlogError

NOTE, WAS, SHOWN, FILL = "n:", "w:", "p:", "fill:"


async def today(request: Request) -> Response:
    """What the day needs, and its notes as a form."""
    here = await study_of(request)
    query = request.query_params
    return await _shown(
        request, here, query.get("date", "")[:40], anyway=bool(query.get("anyway")),
        written=query.get("written", "")[:40],
    )  # fmt: skip


async def note(request: Request) -> Response:
    """Write the notes, or say what is wrong with what was typed kept: in the form, by its field."""
    here = await study_of(request)
    form = await typed(request)
    date = form.get("date", form.get("for", ""))[:40]
    anyway = bool(form.get("anyway"))
    if form.get("for") and form["for"] != date:  # nothing of one day goes into another unseen
        return await _shown(
            request, here, date, anyway=anyway, typed_in=_changed(form), moved=True
        )  # fmt: skip
    try:
        told = await ask(
            request, "write_notes", folder=here.folder, date=date, anyway=anyway,
            told=_part(form, NOTE), was=_part(form, WAS), fill=_part(form, FILL),
            asked_in=form.get("asked_in", "")[:60],
        )  # fmt: skip
    except RoadlogError as e:
        return await _shown(request, here, date, anyway=anyway, typed_in=form, problem=str(e))
    if told.get("faults") is not None:
        return await _shown(
            request, here, date, anyway=anyway, typed_in=form, faults=told["faults"]
        )
    more = "&anyway=1" if anyway else ""
    return RedirectResponse(
        f"{here.at}/today?date={told['date']}{more}&written={told['date']}", 303
    )


def _part(form: dict[str, str], mark: str) -> dict[str, str]:
    return {k.removeprefix(mark): v for k, v in form.items() if k.startswith(mark)}


def _changed(form: dict[str, str]) -> dict[str, str]:
    """What was typed, without what the form had filled in by itself."""
    shown = _part(form, SHOWN)
    notes = {NOTE + k: v for k, v in _part(form, NOTE).items() if v.strip() != shown.get(k, "")}
    fill = _part(form, FILL)
    typed_fill = any(fill.get(k, "").strip() for k in ("litres", "odometer_km", "price_per_l"))
    fills = {FILL + k: v for k, v in fill.items()} if typed_fill else {}
    return notes | fills | {"asked_in": form.get("asked_in", "")}


async def _shown(
    request: Request, here: Here, date: str, *, anyway: bool, written: str = "",
    typed_in: dict[str, str] | None = None, faults: dict[str, str] | None = None,
    problem: str = "", moved: bool = False,
) -> Response:  # fmt: skip
    told = await ask(request, "today", folder=here.folder)
    form: dict[str, Any] = await ask(
        request, "notes_form", folder=here.folder, date=date, anyway=anyway,
        asked_in=None if typed_in is None else typed_in.get("asked_in", "")[:60],
    )  # fmt: skip
    form = {"problem": "", "outside": False, **form}
    if problem and not form["problem"]:
        form["problem"] = problem
    wrong = typed_in is not None and not moved
    return await page(
        request, "today.html", 400 if wrong else 200, here=here, told=told, form=form,
        anyway=anyway, date=date, written=written, typed=typed_in or {}, faults=faults or {},
        moved=moved and not form["problem"],
    )  # fmt: skip


STEP = Step("/today", N_("Today"))
ROUTES = [
    Route("/study/{study}/today", today),
    Route("/study/{study}/today", note, methods=["POST"]),
]
PHONE = ROUTES
