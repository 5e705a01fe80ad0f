"""Trials beside the road test: each one's result and cautions, and forms for those of few numbers.

The forms call the same functions as the commands.
"""

from contextlib import AbstractContextManager
from typing import Any, NamedTuple

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import Route

from roadlog.bench.forms import typed
from roadlog.bench.jobs import Job
from roadlog.bench.photos import FOLDER, FOR_SCORERS, Arrived
from roadlog.bench.reader import units_in, word_of
from roadlog.bench.sent import Form, read_form
from roadlog.bench.show import (
    COMMA,
    HIDDEN,
    N_,
    Here,
    Step,
    ask,
    bench_of,
    language_of,
    page,
    start_job,
    study_of,
    text,
    units_for,
    work_of,
)
from roadlog.errors import InputError
from roadlog.ingest.text.handanswer import as_typed, number_in, typed_with
from roadlog.wording.units import Metric, Units, amount, shown_in, symbol


class Ask(NamedTuple):
    """One number or word that a trial's form asks for; `key` is the command's option.

    `unit` is the option's metric unit, and the reader is asked in his own; of a price (`each`), it
    is what the price is for.
    """

    key: str
    label: str
    kind: str = "number"
    unit: Metric | None = None
    each: bool = False


FORMS: dict[str, tuple[Ask, ...]] = {
    "ceiling": (
        Ask("volts", N_("Mean voltage at the add-on, V")),
        Ask("amps", N_("Mean current, A")),
        Ask("cells", N_("Cells in series"), "whole"),
        Ask("gas", N_("Measured moist gas, mL a minute")),
        Ask("fuel_l_h", N_("Mean fuel flow, %(unit)s (else from the road test)"), unit="L/h"),
        Ask("claim_economy", N_("Claimed gain in mileage, percent")),
        Ask("no_gas", N_("The add-on splits no water"), "tick"),
    ),
    "payback": (
        Ask("price", N_("Price of the add-on, fitted")),
        Ask(
            "fuel_price",
            N_("Price of fuel, for one %(unit)s (else the latest fill's)"),
            unit="L",
            each=True,
        ),
        Ask("km_per_year", N_("Driven in a year, %(unit)s"), unit="km"),
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
    "standing-start": (
        Ask("target", N_("Speed to reach, km/h (else 100)")),
        Ask("claim_quicker", N_("Claimed: percent less time")),
        Ask("claim_seconds", N_("Claimed: seconds less")),
        Ask("claim_power", N_("Claimed: percent more power")),
        Ask("grade", N_("Grade of the first direction, percent")),
        Ask("only_starts", N_("The logs hold nothing but full-throttle starts"), "tick"),
        Ask("alternating", N_("Every second start was driven the other way"), "tick"),
        Ask("turbo", N_("The engine has a turbo or compressor"), "tick"),
        Ask("randomised", N_("Chance decided each trial's arm"), "tick"),
    ),
    "engine-signals": (),
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
    "inspection": N_(
        "Take photographs with the engine off and cold, the battery disconnected where a part "
        "comes out; no flame or spark near fuel parts."
    ),
    "ceiling": N_(
        "Gas from an add-on that splits water explodes at a spark: measure outdoors, no flames."
    ),
}
LONGEST = 40
LONGEST_WORDS = 200
WANTED = {"lower": -1, "higher": 1}


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
    units = units_in((fields or {}).get("asked_in")) or units_for(request, here)
    works = {name: await work_of(request, here, name) for name in (*FORMS, "photos", "scores")}
    typed_in = {n: _given(request, n, works[n], units) for n in FORMS}
    return await page(
        request,
        "trials.html",
        400 if faults else 200,
        labels={name: {a.key: _label(request, a, units) for a in FORMS[name]} for name in FORMS},
        asked_in=word_of(units),
        here=here,
        told=told,
        names=NAMES,
        forms=FORMS,
        cautions=CAUTIONS,
        inspection=await run_in_threadpool(_laid_out, here),
        works=works,
        typed=typed_in | ({name: fields} if fields else {}),
        faulty=name,
        faults=faults or {},
    )


def _given(
    request: Request, name: str, work: tuple[Job, dict[str, Any] | None] | None, units: Units
) -> dict[str, str]:
    """What the last work of a form was given, as typed, so that a refusal loses none of it."""
    if work is None:
        return {}
    told = work[0].given["given"]
    by_key = {a.key: a for a in FORMS[name]}
    return {k: _offered(request, by_key.get(k), v, units) for k, v in told.items()}


def _offered(request: Request, asked: Ask | None, value: object, units: Units) -> str:
    if value is True:
        return "yes"
    if isinstance(value, str) or asked is None:
        return f"{value}"
    number = float(value)  # type: ignore[arg-type]
    if asked.unit is not None:
        one = _one(asked.unit, units)
        number = number / one if asked.each else number * one
    with _decimals(request):
        return as_typed(f"{number:.7g}")


def _one(unit: Metric, units: Units) -> float:
    """One of the unit, in the reader's."""
    with shown_in(units):
        return amount(1.0, unit)


def _decimals(request: Request) -> AbstractContextManager[None]:
    """For a while, numbers are typed with the reader's decimal mark."""
    return typed_with("," if language_of(request) in COMMA else ".")


async def run(request: Request) -> Response:
    """Run one trial with what its form says, or say beside its field what is wrong."""
    here = await study_of(request)
    name = request.path_params["trial"]
    if name not in FORMS:
        raise InputError(f"there is no form for the trial '{name[:40]}'")
    fields = await typed(request)
    units = units_in(fields.get("asked_in")) or here.units
    given: dict[str, float | str | bool] = {}
    faults: dict[str, str] = {}
    for asked in FORMS[name]:
        try:
            value = _value(request, asked, fields, units)
        except InputError as e:
            faults[asked.key] = str(e)
            continue
        if value is not None:
            given[asked.key] = value
    if faults:
        return await _shown(request, here, name, fields, faults)
    await run_in_threadpool(lambda: start_job(request, name, here, given=given))
    return RedirectResponse(f"{here.at}/trials#{name}", 303)


def _laid_out(here: Here) -> str:
    """Where the pictures of the study are laid out, "" if they aren't."""
    place = here.folder / FOLDER
    return f"{place}" if (place / FOR_SCORERS).is_file() else ""


async def _came(request: Request) -> tuple[Arrived, Form]:
    """The files of a form in a folder of their own, and its fields."""
    arrived = await run_in_threadpool(Arrived, bench_of(request).home / HIDDEN)
    try:
        return arrived, await read_form(request, arrived.begin)
    except BaseException:
        await run_in_threadpool(arrived.drop)
        raise


async def photos(request: Request) -> Response:
    """Take pictures and their table, and lay them out."""
    here = await study_of(request)
    arrived, _ = await _came(request)
    await run_in_threadpool(lambda: start_job(request, "photos", here, folder=f"{arrived.folder}"))
    return RedirectResponse(f"{here.at}/trials#inspection", 303)


async def scores(request: Request) -> Response:
    """Take filled score sheets, and open the key."""
    here = await study_of(request)
    arrived, form = await _came(request)
    words = {k: form.fields.get(k, "").strip() for k in ("meaning", "claim")}
    wanted = WANTED.get(form.fields.get("wanted", "lower"))
    if wanted is None or not words["meaning"] or max(map(len, words.values())) > LONGEST_WORDS:
        await run_in_threadpool(arrived.drop)
        raise InputError(f"say in at most {LONGEST_WORDS} letters what a higher score means")
    given = {**words, "wanted": wanted}
    await run_in_threadpool(
        lambda: start_job(request, "scores", here, folder=f"{arrived.folder}", given=given)
    )
    return RedirectResponse(f"{here.at}/trials#inspection", 303)


async def for_scorers(request: Request) -> Response:
    """The nameless copies and the sheet, to give to scorers; the key stays here."""
    here = await study_of(request)
    path = here.folder / FOLDER / FOR_SCORERS
    if not await run_in_threadpool(_laid_out, here) or path.is_symlink():
        raise InputError("no pictures are laid out for scorers yet")
    return FileResponse(path, media_type="application/zip", filename=FOR_SCORERS)


def _label(request: Request, asked: Ask, units: Units) -> str:
    """The question, with the unit that a number is read in."""
    if asked.unit is None:
        return text(request, asked.label)
    with shown_in(units):
        return text(request, asked.label, unit=symbol(asked.unit))


def _value(
    request: Request, asked: Ask, fields: dict[str, str], units: Units
) -> float | str | bool | None:
    """What was typed as the option's value, None if nothing was."""
    typed_in = fields.get(asked.key, "").strip()
    if not typed_in:
        return None
    if asked.kind == "tick":
        return True
    if len(typed_in) > LONGEST:
        raise InputError(f"'{typed_in[:LONGEST]}…' is too long")
    if asked.kind == "word":
        return typed_in
    label = _label(request, asked, units)
    with _decimals(request):
        number = number_in(label, typed_in)
    if not abs(number) < 1e12:
        raise InputError(f"{label}: '{typed_in}' is no number: type one such as 12.5")
    if asked.unit is not None:
        one = _one(asked.unit, units)
        number = number * one if asked.each else number / one
    return int(number) if asked.kind == "whole" and number == int(number) else number


STEP = Step("/trials", N_("Trials"))
ROUTES = [
    Route("/study/{study}/trials", trials),
    Route("/study/{study}/trials/inspection/photos", photos, methods=["POST"]),
    Route("/study/{study}/trials/inspection/scores", scores, methods=["POST"]),
    Route("/study/{study}/trials/inspection/for_scorers.zip", for_scorers),
    Route("/study/{study}/trials/{trial}", run, methods=["POST"]),
]
