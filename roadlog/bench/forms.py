"""What a plain form sent: its fields as text, none of them without end."""

import contextlib
from collections.abc import Mapping
from urllib.parse import parse_qsl

from starlette.requests import Request

from roadlog.errors import InputError

MOST_BYTES = 1_000_000
MOST_FIELDS = 300
PLAIN = "application/x-www-form-urlencoded"
UNSHOWN = ("passphrase", "w:", "p:", "parked", "for", "look", "asked_in")  # secret, or not typed


async def typed(request: Request, most_fields: int = MOST_FIELDS) -> dict[str, str]:
    """The fields of a form that was sent; of two with one name, the last.

    Raises
    ------
    InputError
        If it is too large, or no form's text.
    """
    body = bytearray()
    remember(request, {})
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_BYTES:
            raise InputError("the form is too large: write less")
    try:
        pairs = parse_qsl(
            body.decode("utf-8"), keep_blank_values=True, max_num_fields=most_fields,
            errors="strict",
        )  # fmt: skip
    except ValueError as e:
        raise InputError("the form can't be read: load the page anew and send it again") from e
    fields = dict(pairs)
    remember(request, fields)
    return fields


def remember(request: Request, fields: Mapping[str, str]) -> None:
    """Keep what was typed as long as its request is answered: whoever refuses shows it again."""
    request.state.typed = {
        name.rpartition(":")[2]: value
        for name, value in fields.items()
        if value.strip() and not name.startswith(UNSHOWN)
    }


def remembered(request: Request) -> dict[str, str]:
    """What was typed into the form that is refused, as far as it was read."""
    kept: dict[str, str] = getattr(request.state, "typed", {})
    return kept


async def read_refused(request: Request) -> None:
    """Read a form that was refused before anything was read of it."""
    kind = request.headers.get("content-type", "").partition(";")[0]
    if kind == PLAIN and not hasattr(request.state, "typed"):
        with contextlib.suppress(InputError):
            await typed(request)
