"""The phone's few pages on the local network: only when asked for, only while the app runs.

An app of its own with its own door: what a phone was given there opens nothing of the bench, and
the bench itself goes on listening to this machine alone. There is no encryption on the way.
"""

import ipaddress
import socket
from dataclasses import dataclass, replace
from pathlib import Path

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import Route

from roadlog.bench.door import ENTER, Door, Guard
from roadlog.bench.forms import read_refused, remembered
from roadlog.bench.pages import PAGES
from roadlog.bench.show import ITSELF, N_, NOTHING, Bench, NoStudy, Step, bench_of, page
from roadlog.errors import InputError, RoadlogError

STATIC = Path(__file__).parent / "static"
STEPS = (Step("/today", N_("Today")), Step("", N_("Recording state")))
PORTS = (*range(8700, 8740), 0)
WHERE = "Scan the code on the bench's page for the phone."
ANOTHER = "Draw a fresh code on the bench's page for the phone."
NO_NETWORK = "--lan: this computer is in no network now: join one, or leave --lan out"
NOT_LOCAL = "--lan: {address} is no address of a local network: leave --lan out here"
_ELSEWHERE = ("198.51.100.1", 9)  # RFC 5737: only for the way there, nothing is sent


@dataclass(frozen=True)
class Phone:
    """Where a phone comes in, and what it shows there."""

    door: Door
    at: str

    @property
    def address(self) -> str:
        """Address with the key, for the code."""
        return f"{self.at}{ENTER}?key={self.door.key}"


def local_address() -> str:
    """This computer's address in its local network.

    Raises
    ------
    InputError
        If it has none, or only one that the whole world reaches.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        try:
            one.connect(_ELSEWHERE)
        except OSError as e:
            raise InputError(NO_NETWORK) from e
        return checked(one.getsockname()[0])


def checked(address: str) -> str:
    """The address, if it is one of a local network.

    Raises
    ------
    InputError
    """
    known = ipaddress.ip_address(address)
    if known.is_loopback or known.is_unspecified:
        raise InputError(NO_NETWORK)
    if not known.is_private:
        raise InputError(NOT_LOCAL.format(address=address))
    return address


def door_for(kept: Path, address: str, number: int) -> Door:
    """A fresh door: who was let in before isn't known any more, since the way isn't encrypted."""
    kept.unlink(missing_ok=True)
    return Door(kept, frozenset({f"{address}:{number}"}), where=WHERE, another=ANOTHER)


def make_phone_app(bench: Bench, door: Door) -> Starlette:
    """The app for the phone: the routes that the pages name as `PHONE`, nothing else."""
    app = Starlette(
        routes=[
            Route("/", _first),
            Route("/static/{name}", _static),
            *(route for module in PAGES for route in getattr(module, "PHONE", ())),
        ],
        middleware=[Middleware(Guard, door=door)],
        exception_handlers={RoadlogError: _told, HTTPException: _refused},
    )
    app.state.bench = replace(bench, steps=STEPS, languages=(), wakes=False)
    return app


async def _first(request: Request) -> Response:
    bench = bench_of(request)
    names = await run_in_threadpool(bench.studies)
    called = [(n, bench.home.name if n == ITSELF else n) for n in names]
    return await page(request, "phone_first.html", names=called)


async def _static(request: Request) -> Response:
    name = request.path_params["name"]
    if name not in ("bench.css", "bench.js", "icon.svg"):
        raise HTTPException(404)
    return FileResponse(STATIC / name)


async def _told(request: Request, error: Exception) -> Response:
    await read_refused(request)
    typed = "".join(f"\n{name}: {said}" for name, said in remembered(request).items())
    return PlainTextResponse(f"{error}\n{typed}\n", 404 if isinstance(error, NoStudy) else 400)


async def _refused(_request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    return PlainTextResponse(f"{NOTHING}\n", 404 if status == 405 else status)
