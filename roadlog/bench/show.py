"""How pages come to be: the folder and its studies, a template with the reader's language in.

Pages are made on the server; everything that comes from a study or a browser is escaped.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote, urlsplit

from jinja2 import Environment, PackageLoader, StrictUndefined, pass_context
from jinja2.runtime import Context
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from roadlog.bench import reader
from roadlog.bench.forms import remembered
from roadlog.bench.jobs import Job, Jobs
from roadlog.bench.quick import Quick
from roadlog.bench.reader import units_in, word_of
from roadlog.bench.saying import WEEKDAYS, day_of, opened, speaker, weekday_of
from roadlog.bench.words import ENGLISH, catalogue, chosen, languages
from roadlog.errors import InputError
from roadlog.wording.screen import typeset
from roadlog.wording.units import (
    METRIC,
    SYSTEMS,
    Units,
    amount,
    in_figures,
    is_told,
    shown_in,
    symbol,
)

LANGUAGE = "roadlog_language"
COMMA = frozenset({"de"})  # languages whose decimal mark is a comma
_FIGURE = re.compile(r"[+\-−]?\d[\d,]*(?:\.\d+)?(?:[ \u00a0]%)?")
_MARKS = str.maketrans(".,", ",.")
HIDDEN = ".roadlog"  # of the bench, in its folder: jobs, browsers, port
STUDY_FILE = "study.toml"
NOTHING = "There is no such page here."
ITSELF = "-"  # in an address: the bench's folder is the study


class Step(NamedTuple):
    """One step of the job: where its page is below the study's, and its name (translated later)."""

    path: str
    name: str


class NoStudy(InputError):
    """An address names a study that isn't in the folder."""


def N_(name: str) -> str:
    """Mark a text for the catalogue where it can't be translated yet."""
    return name


@dataclass(frozen=True)
class Bench:
    """The folder that the bench works in, its jobs, and the process that answers questions."""

    home: Path
    jobs: Jobs
    quick: Quick
    steps: tuple[Step, ...] = ()
    languages: tuple[str, ...] = field(default_factory=languages)
    wakes: bool = True  # whether its pages wake the process; a phone's only ask it

    def studies(self) -> list[str]:
        """Names of the studies in the folder, as they stand in addresses."""
        if (self.home / STUDY_FILE).is_file():
            return [ITSELF]
        if not self.home.is_dir():
            return []
        return sorted(
            p.parent.name
            for p in self.home.glob(f"*/{STUDY_FILE}")
            if not p.parent.name.startswith(".")
        )

    def folder(self, name: str) -> Path:
        """The folder of a study.

        Raises
        ------
        NoStudy
            If there is no such study.
        """
        if name not in self.studies():
            raise NoStudy(f"there is no study '{name[:80]}' in {self.home}")
        return self.home if name == ITSELF else self.home / name


def bench_of(request: Request) -> Bench:
    """The bench that a request came to."""
    bench: Bench = request.app.state.bench
    return bench


@dataclass(frozen=True)
class Here:
    """The study that a request is about: its name in addresses, its folder, what it is called."""

    name: str
    folder: Path
    called: str
    synthetic: bool
    units: Units = METRIC

    @property
    def at(self) -> str:
        """Where its pages begin."""
        return f"/study/{quote(self.name)}"


async def study_of(request: Request) -> Here:
    """The study that the address names.

    Raises
    ------
    InputError
        If there is none, or its study.toml can't be read.
    """
    name = request.path_params["study"]
    folder = bench_of(request).folder(name)
    told = await ask(request, "study", folder=folder)
    return Here(name, folder, told["name"], told["synthetic"], SYSTEMS[told["units"]])


class Asleep(Exception):
    """The process that answers isn't there yet: its start takes seconds, and a page shows that."""


async def ask(request: Request, name: str, **given: Any) -> dict[str, Any]:
    """An answer of `answers` for this reader; paths go over as text.

    Raises
    ------
    Asleep
        If somebody waits for a page and the answer would take the seconds of a start.
    """
    bench = bench_of(request)
    if bench.wakes and not bench.quick.awake and _somebody_waits(request):
        raise Asleep
    plain = {k: str(v) if isinstance(v, Path) else v for k, v in given.items()}
    units, comma = units_chosen(request), language_of(request) in COMMA
    return await bench.quick.ask(name, reader=units, comma=comma, **plain)


def _somebody_waits(request: Request) -> bool:
    """Whether the request is a visit of a page: browsers say so (Fetch metadata, W3C)."""
    told = request.headers.get("sec-fetch-mode"), request.headers.get("sec-fetch-dest")
    return request.method == "GET" and told == ("navigate", "document")


def units_chosen(request: Request) -> str:
    """The word of the units that this browser chose, "" for the study's own."""
    units = units_in(request.cookies.get(reader.COOKIE))
    return "" if units is None else word_of(units)


def units_for(request: Request, here: Here | None) -> Units:
    """The units of a page: as this browser chose, or the study's own."""
    own = METRIC if here is None else here.units
    return units_in(request.cookies.get(reader.COOKIE)) or own


def start_job(
    request: Request, task: str, here: Here, handed: Mapping[str, str] | None = None, **given: Any
) -> Job:
    """Start long work on a study, unless the same work is going on: then that.

    `handed` are further arguments that are never written down.
    """
    jobs = bench_of(request).jobs
    going = jobs.latest(task, str(here.folder))
    if going is not None and going.end() is None:
        return going
    return jobs.start(task, handed=handed, study=str(here.folder), **given)


async def work_of(
    request: Request, here: Here, task: str
) -> tuple[Job, dict[str, Any] | None] | None:
    """The latest work of a kind on the study with its end, None if there was none."""

    def find() -> tuple[Job, dict[str, Any] | None] | None:
        job = bench_of(request).jobs.latest(task, str(here.folder))
        return None if job is None else (job, job.end())

    return await run_in_threadpool(find)


def back_from(request: Request) -> str:
    """The page of this app from which the request came."""
    came = urlsplit(request.headers.get("referer", ""))
    if (
        came.path == "/units"
        or not came.path.startswith("/")
        or came.path.startswith("//")
        or "\\" in came.path
    ):
        return "/"
    return f"{came.path}?{came.query}" if came.query else came.path


def language_of(request: Request) -> str:
    """The reader's language: as chosen, or by the browser's list."""
    wanted = request.headers.get("accept-language", "").split(",")
    mine = request.cookies.get(LANGUAGE)
    return chosen([mine, *wanted] if mine else wanted)


@lru_cache(maxsize=8)
def _environment(language: str) -> Environment:
    env = Environment(
        loader=PackageLoader("roadlog.bench"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    env.install_gettext_translations(catalogue(language), newstyle=True)  # type: ignore[attr-defined]
    env.filters["typeset"] = typeset
    env.filters["symbol"] = _symbol
    env.filters["said"] = speaker(
        language, catalogue(language), partial(figure, comma=language in COMMA)
    )
    env.filters["opened"] = opened
    env.filters["day"] = partial(day_of, language=language)
    env.filters["weekday"] = partial(weekday_of, texts=catalogue(language))
    env.filters["figures"] = _figures(language in COMMA)
    env.filters["figure"] = partial(figure, comma=language in COMMA)
    env.globals.update(language=language, weekdays=WEEKDAYS)
    return env


@pass_context
def _symbol(_: Context, unit: str) -> str:
    """The reader's unit; the context keeps Jinja from working it out when it compiles."""
    return symbol(unit) if is_told(unit) else unit


def figure(text: object, *, comma: bool) -> str:
    """A finished number with the reader's decimal mark.

    >>> figure("+1,234.5 %", comma=True), figure(7, comma=False)
    ('+1.234,5 %', '7')
    """
    plain = f"{text}"
    return plain.translate(_MARKS) if comma and _FIGURE.fullmatch(plain) else plain


def _figures(comma: bool) -> Callable[..., str]:
    """`figures` as a filter; the context keeps Jinja from working it out when it compiles."""

    @pass_context
    def shown(_: Context, value: float | None, unit: str, digits: int | None = None) -> str:
        return figures(value, unit, digits, comma=comma)

    return shown


def figures(
    value: float | None, unit: str, digits: int | None = None, *, comma: bool = False
) -> str:
    """A metric number in the reader's units, without its unit; without digits four that count.

    >>> with shown_in("us"):
    ...     figures(83.0, "°C"), figures(60.0, "km/h", comma=True), figures(None, "km")
    ('181.4', '37,28', '–')
    """
    if value is None:
        return "–"
    if digits is not None and is_told(unit):
        return figure(in_figures(value, unit, digits), comma=comma)
    shown = amount(value, unit) if is_told(unit) else value
    return figure(f"{shown:.6g}" if abs(shown) >= 1000 else f"{shown:.4g}", comma=comma)


def ready_templates() -> None:
    """Translate the first page's template, so that nobody waits for it."""
    _environment(ENGLISH).get_template("home.html")


def text(request: Request, message: str, **values: Any) -> str:
    """A text of the catalogue in the reader's language, with its values put in."""
    said = catalogue(language_of(request)).gettext(message)
    return said % values if values else said


async def page(
    request: Request, template: str, status: int = 200, here: Here | None = None, **values: Any
) -> Response:
    """A page out of a template."""
    return _page(request, template, status, here, values)


def _page(
    request: Request, template: str, status: int, here: Here | None, values: Mapping[str, Any]
) -> Response:
    made = _environment(language_of(request)).get_template(template)
    bench = bench_of(request)
    units = units_for(request, here)
    switch = {
        "parts": reader.PARTS, "now": units, "chosen": units_chosen(request),
        "asked_in": word_of(units),
    }  # fmt: skip
    with shown_in(units):
        shown = made.render(
            here=here, path=request.url.path, steps=bench.steps, languages=bench.languages,
            wakes=bench.wakes,
            switch=switch, **values,
        )  # fmt: skip
    return HTMLResponse(shown, status)


def problem(request: Request, sentence: str, status: int) -> Response:
    """What is wrong in one sentence: a page for a browser, a line of JSON for the page's script."""
    if "application/json" in request.headers.get("accept", ""):
        from starlette.responses import JSONResponse

        return JSONResponse({"problem": sentence}, status)
    told = {"sentence": sentence, "typed": remembered(request)}
    return _page(request, "problem.html", status, None, told)
