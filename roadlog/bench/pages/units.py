"""The switch of units: a form in every page's head; a cookie of this browser keeps what it says."""

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from roadlog.bench.forms import typed
from roadlog.bench.reader import COOKIE, OWN, chosen
from roadlog.bench.show import back_from
from roadlog.errors import InputError

YEAR_S = 366 * 86_400


async def switch(request: Request) -> Response:
    """Choose the units of this browser; no study hears of it."""
    word = chosen(await typed(request))
    if word is None:
        raise InputError("those are no units that can be shown: choose one of each list")
    answer = RedirectResponse(back_from(request), 303)
    if word == OWN:
        answer.delete_cookie(COOKIE, samesite="strict")
    else:
        answer.set_cookie(COOKIE, word, samesite="strict", max_age=YEAR_S)
    return answer


async def back(request: Request) -> Response:
    """Where the switch was, for who loads its address."""
    return RedirectResponse(back_from(request), 303)


ROUTES = [Route("/units", switch, methods=["POST"]), Route("/units", back)]
PHONE = ROUTES
