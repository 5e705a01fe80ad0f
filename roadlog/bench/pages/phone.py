"""The code that lets a phone in, with what is to be known before."""

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from roadlog.bench.phone_code import code_of
from roadlog.bench.show import page


async def phone(request: Request) -> Response:
    """The code, or how to get one."""
    found = getattr(request.app.state, "phone", None)
    code = None if found is None or found.door.used else code_of(found.address)
    return await page(request, "phone.html", phone=found, code=code)


async def another(request: Request) -> Response:
    """Draw a fresh key: for another phone, or if the code was used up."""
    found = getattr(request.app.state, "phone", None)
    if found is not None:
        found.door.draw()
    return RedirectResponse("/phone", 303)


async def nobody(request: Request) -> Response:
    """Let in nobody any more until a fresh code is drawn."""
    found = getattr(request.app.state, "phone", None)
    if found is not None:
        found.door.forget()
    return RedirectResponse("/phone", 303)


ROUTES = [
    Route("/phone", phone),
    Route("/phone/another", another, methods=["POST"]),
    Route("/phone/nobody", nobody, methods=["POST"]),
]
