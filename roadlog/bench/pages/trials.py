"""Trials beside the road test: each one's result and cautions, and forms for those of few numbers.

The forms call the same functions as the commands; a trial that needs logs or photographs is named
with its command.
"""

from typing import Any, NamedTuple

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from roadlog.bench.forms import typed
from roadlog.bench.jobs import Job
from roadlog.bench.pages.result import work_of
from roadlog.bench.show import N_, Here, Step, ask, page, start_job, study_of, text
from roadlog.errors import InputError


class Ask(NamedTuple):
    """One number or word that a trial's form asks for; `key` is the command's option."""

    key: str
    label: str
    kind: str = "number"


FORMS: dict[str, tuple[Ask, ...]] = {
    "ceiling": (
        Ask("volts", N_("Mean voltage at the add-on, V")),
        Ask("amps", N_("Mean current, A")),
        Ask("cells", N_("Cells in series"), "whole"),
        Ask("gas", N_("Measured moist gas, mL a minute")),
        Ask("fuel_l_h", N_("Mean fuel flow, litres an hour (else from the road test)")),
        Ask("claim_economy", N_("Claimed gain in mileage, percent")),
        Ask("no_gas", N_("The add-on splits no water"), "tick"),
    ),
    "payback": (
        Ask("price", N_("Price of the add-on, fitted")),
        Ask("fuel_price", N_("Price of a litre of fuel (else the latest fill's)")),
        Ask("km_per_year", N_("Driven in a year, km")),
        Ask("currency", N_("Currency"), "word"),
        Ask("claim_years", N_("Claimed years to pay back")),
        Ask("draw_not_in_test", N_("Power drawn from elsewhere during the road test, W")),
    ),
    "runout": (
        Ask("claim_fuel", N_("Claimed saving of fuel, percent")),
        Ask("randomised", N_("Chance decided each trial's arm"), "tick"),
        Ask(
            "fixed_end_state", N_("Line and bowl were as empty at each start as at the end"), "tick"
        ),
    ),
}
NAMES = {
    "ceiling": N_("What its electricity could do at most"),
    "payback": N_("Does it pay for itself?"),
    "runout": N_("Small engine on a fixed amount of fuel"),
    "standing-start": N_("Standing starts"),
    "inspection": N_("Photographs scored blind"),
    "engine-signals": N_("What the engine's own sensors say"),
}
CAUTIONS = {
    "runout": N_("Outdoors only: exhaust gas kills. Fuel stays away from flames and hot parts."),
    "standing-start": N_("On a closed course only, never on a public road."),
    "ceiling": N_(
        "Gas from an add-on that splits water explodes at a spark: measure outdoors, no flames."
    ),
}
BY_COMMAND = {
    "standing-start": "roadlog standing-start",
    "inspection": "roadlog inspect",
    "engine-signals": "roadlog engine-signals",
}
LONGEST = 40


async def trials(request: Request) -> Response:
    """Every trial that is kept in the study, and the forms."""
    return await _shown(request, await study_of(request))


async def _shown(
    request: Request,
    here: Here,
    name: str = "",
    fields: dict[str, str] | None = None,
    faults: dict[str, str] | None = None,
) -> Response:
    told = await ask(request, "trials", folder=here.folder)
    works = {name: await work_of(request, here, name) for name in FORMS}
    typed_in = {n: _given(work) for n, work in works.items()} | ({name: fields} if fields else {})
    return await page(
        request,
        "trials.html",
        400 if faults else 200,
        here=here,
        told=told,
        names=NAMES,
        forms=FORMS,
        cautions=CAUTIONS,
        commands=BY_COMMAND,
        works=works,
        typed=typed_in,
        faulty=name,
        faults=faults or {},
    )


def _given(work: tuple[Job, dict[str, Any] | None] | None) -> dict[str, str]:
    """What the last work of a form was given, so that a refusal loses none of it."""
    if work is None:
        return {}
    return {k: "yes" if v is True else f"{v}" for k, v in work[0].given["given"].items()}


async def run(request: Request) -> Response:
    """Run one trial with what its form says, or say beside its field what is wrong."""
    here = await study_of(request)
    name = request.path_params["trial"]
    if name not in FORMS:
        raise InputError(f"there is no form for the trial '{name[:40]}'")
    fields = await typed(request)
    given: dict[str, float | str | bool] = {}
    faults: dict[str, str] = {}
    for asked in FORMS[name]:
        try:
            value = _value(request, asked, fields)
        except InputError as e:
            faults[asked.key] = str(e)
            continue
        if value is not None:
            given[asked.key] = value
    if faults:
        return await _shown(request, here, name, fields, faults)
    await run_in_threadpool(lambda: start_job(request, name, here, given=given))
    return RedirectResponse(f"{here.at}/trials#{name}", 303)


def _value(request: Request, asked: Ask, fields: dict[str, str]) -> float | str | bool | None:
    """What was typed, None if nothing was; a decimal comma is a point."""
    typed_in = fields.get(asked.key, "").strip()
    if not typed_in:
        return None
    if asked.kind == "tick":
        return True
    if len(typed_in) > LONGEST:
        raise InputError(f"'{typed_in[:LONGEST]}…' is too long")
    if asked.kind == "word":
        return typed_in
    try:
        number = float(typed_in.replace(",", "."))
        if not abs(number) < 1e12:
            raise ValueError
        return int(number) if asked.kind == "whole" and number == int(number) else number
    except ValueError as e:
        label = text(request, asked.label)
        raise InputError(f"{label}: '{typed_in}' is no number: type one such as 12.5") from e


STEP = Step("/trials", N_("Trials"))
ROUTES = [
    Route("/study/{study}/trials", trials),
    Route("/study/{study}/trials/{trial}", run, methods=["POST"]),
]
